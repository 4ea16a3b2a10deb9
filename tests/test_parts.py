"""Parts of a video are the frames of the whole one, in every kind of container and coding."""

from fractions import Fraction

import av
import numpy as np
import pytest

from flashpan.parts import NotInParts, SingleFrames, parts_of
from flashpan.readers.open import open_take

N_FRAMES, GROUP = 210, 50
SHAPE = (48, 64)
X264 = f"scenecut=0:min-keyint={GROUP}"
CASES = {
    "h264.mp4": ("libx264", "yuv420p", {"x264-params": f"bframes=3:open-gop=1:{X264}"}),
    "h264.mkv": ("libx264", "yuv420p", {"preset": "veryfast", "x264-params": X264}),
    "hevc.mov": ("libx265", "yuv420p10le", {"preset": "ultrafast", "x265-params": "log-level=0"}),
    "mpeg4.mp4": ("mpeg4", "yuv420p", {"bf": "2"}),
    "ffv1.mkv": ("ffv1", "gray", {}),
    "mjpeg.mkv": ("mjpeg", "yuvj420p", {}),
    "mjpeg.nut": ("mjpeg", "yuvj420p", {}),
    "prores.mkv": ("prores_ks", "yuv422p10le", {}),
    "png.mov": ("png", "rgb24", {}),
}
ALONE = {"mjpeg.mkv", "mjpeg.nut", "prores.mkv", "png.mov"}


def write(path, codec, pixels, options):
    draw = np.random.default_rng(1)
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=25, options=options)
        stream.height, stream.width = SHAPE
        stream.pix_fmt, stream.codec_context.gop_size = pixels, GROUP
        for index in range(N_FRAMES):
            luma = np.clip(draw.normal(90, 6, SHAPE), 0, 255).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(luma, "gray").reformat(format=pixels)
            frame.pts, frame.time_base = index, Fraction(1, 25)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


@pytest.fixture(scope="module", params=CASES)
def take(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("parts") / request.param
    write(path, *CASES[request.param])
    with open_take(path) as whole:
        return path, list(whole.frames()), whole.info


def same(one, other):
    facts = [(f.index, f.pts, f.is_keyframe, f.picture_type) for f in (one, other)]
    return facts[0] == facts[1] and np.array_equal(one.luma, other.luma)


def test_stretches_are_those_of_the_whole_take(take):
    path, frames, _ = take
    with open_take(path) as reader:
        parts = parts_of(reader)
        assert parts.n_frames == N_FRAMES
        for start, stop in ((0, 20), (45, 110), (190, N_FRAMES)):
            stretch = list(parts.stretch(start, stop))
            assert len(stretch) == stop - start
            assert all(map(same, stretch, frames[start:stop]))
        parts.close()


@pytest.mark.parametrize("stride", [8, 40, 60])
def test_samples_are_frames_of_the_whole_take_near_enough(take, stride):
    path, frames, _ = take
    with open_take(path) as reader:
        parts = parts_of(reader)
        samples = parts.samples(0, N_FRAMES, stride)
        got = list(samples.frames)
        assert np.diff([-1, *(n for n, _ in got), N_FRAMES]).max() <= stride
        assert all(n == f.index and np.array_equal(f.luma, frames[n].luma) for n, f in got)
        if not isinstance(parts, SingleFrames):
            assert samples.info.intra_only == all(frames[n].is_keyframe for n, _ in got)
        parts.close()


def test_they_leave_what_the_whole_take_leaves(take):
    path, _, info = take
    with open_take(path) as reader:
        parts = parts_of(reader)
        parts.finish()
        parts.close()
        assert isinstance(parts, SingleFrames) == (path.name in ALONE)
        known = (reader.info.n_frames, reader.info.variable_rate, reader.info.warnings)
        assert known == (info.n_frames, info.variable_rate, info.warnings)


def test_packets_in_pieces_are_not_read_by_their_place(tmp_path):
    path = tmp_path / "take.ts"
    write(path, *CASES["h264.mkv"])
    with open_take(path) as reader, pytest.raises(NotInParts, match="in one piece"):
        parts_of(reader)


def test_a_stretch_of_which_a_packet_gives_no_frame_is_refused(tmp_path):
    path = tmp_path / "h264.mp4"
    write(path, *CASES["h264.mkv"])
    with open_take(path) as reader:
        parts = parts_of(reader)
        at, size = (int(column[60]) for column in (parts._table.place, parts._table.size))
        data = bytearray(path.read_bytes())
        data[at : at + size] = bytes(size)
        path.write_bytes(data)
        with pytest.raises(NotInParts, match=r"give no frame|from its middle on"):
            list(parts.stretch(55, 80))
        parts.close()
