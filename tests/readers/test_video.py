"""What the video reader says about a take: rates, range, rotation, counts, names."""

from __future__ import annotations

import hashlib
import wave
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import psutil
import pytest
from video_fixtures import encode, frame_of, number_in, read, scene, take

from flashpan import registry
from flashpan.errors import UnreadableTake
from flashpan.readers._video_decode import Decoding
from flashpan.readers.base import Source
from flashpan.readers.video import VideoReader


def opened(path: Path | str) -> VideoReader:
    return VideoReader(Source(path=str(path)))


# Who is asked --------------------------------------------------------------------------


def test_it_is_registered_and_asked_late():
    assert registry.load(registry.READERS, "video") is VideoReader
    assert VideoReader.priority == 90


@pytest.mark.parametrize("name", ["a.mp4", "A.MOV", "b.mkv", "c.avi", "d.mxf", "e.webm", "f.gif"])
def test_known_extensions_are_accepted_by_name_alone(tmp_path, name):
    (tmp_path / name).write_text("not a video")
    assert VideoReader.accepts(Source(path=str(tmp_path / name)))


@pytest.mark.parametrize("name", ["a.tif", "a.npy", "a.raw", "a.txt", "shot_%06d.png", "-", "none"])
def test_other_sources_are_left_alone(tmp_path, name, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("a.txt").write_text("words")
    assert not VideoReader.accepts(Source(path=name))


def test_raw_geometry_and_folders_are_left_alone(tmp_path):
    (tmp_path / "take.mp4").mkdir()
    assert not VideoReader.accepts(Source(path=str(tmp_path / "take.mp4")))
    assert not VideoReader.accepts(Source(path="take.mp4", raw="64x48:gray"))


@pytest.mark.parametrize(
    ("ending", "codec", "pixels"),
    [
        ("mkv", "ffv1", "gray"),
        ("avi", "rawvideo", "gray"),
        ("mp4", "libx264", "yuv420p"),
        ("mov", "prores_ks", "yuv422p10le"),
        ("nut", "ffv1", "gray"),
        ("mxf", "mpeg2video", "yuv420p"),
    ],
)
def test_unknown_extensions_are_accepted_by_their_leading_bytes(tmp_path, ending, codec, pixels):
    path = take(tmp_path / f"take.{ending}", codec, pixels, 3, 10 if "10" in pixels else 8)
    bare = path.rename(tmp_path / "take")
    assert VideoReader.accepts(Source(path=str(bare)))
    assert read(bare)[0].n_frames == 3


# What cannot be read -------------------------------------------------------------------


def refusal(path: Path | str) -> str:
    with pytest.raises(UnreadableTake) as caught:
        opened(path)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith(str(path))
    return message


def test_text_called_mp4(tmp_path):
    path = tmp_path / "notes.mp4"
    path.write_text("Shot list for tonight\n" * 50)
    assert "not a video file" in refusal(path)


@pytest.mark.parametrize("text", ["#EXTM3U\n#EXTINF:1,\n{}\n", "ffconcat version 1.0\nfile {}\n"])
def test_a_playlist_is_no_take(tmp_path, text):
    """A file that names other files must not make the reader open them."""
    take(tmp_path / "other.ts", "libx264", "yuv420p", 5)
    path = tmp_path / "list.mp4"
    path.write_text(text.format("other.ts"))
    refusal(path)


def test_empty_file(tmp_path):
    path = tmp_path / "empty.mov"
    path.touch()
    assert "0 bytes" in refusal(path)


def test_audio_only(tmp_path):
    path = tmp_path / "sound.avi"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes(bytes(16000))
    assert "audio" in refusal(path)


def test_missing_file_and_folder(tmp_path):
    assert "no such file" in refusal(tmp_path / "gone.mp4")
    (tmp_path / "folder.mp4").mkdir()
    assert "not a regular file" in refusal(tmp_path / "folder.mp4")


def test_a_name_that_no_file_can_have():
    with pytest.raises(UnreadableTake):
        opened("bad\0name.mp4")


def test_an_address_is_no_take(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for address in ("http://127.0.0.1:9/a.mp4", "concat:a.ts|b.ts", "pipe:0.mp4", "data:,x.mp4"):
        assert "no such file" in refusal(address)


@pytest.mark.parametrize(
    "name",
    [
        "concat:a|b.mkv",
        "http:take.mkv",
        "pipe:0.mkv",
        "file:take.mkv",
        "shot_%06d.mkv",
        "100%.mkv",
        "-i.mkv",
        "Blitz über Köln.mkv",
    ],
)
def test_names_that_look_like_protocols_or_patterns_are_just_names(tmp_path, monkeypatch, name):
    take(tmp_path / name, "ffv1", "gray", 3)
    monkeypatch.chdir(tmp_path)
    assert read(name)[0].n_frames == 3


def test_a_gif_whose_name_looks_like_a_pattern(tmp_path):
    frames = [frame_of(scene(index), "gray") for index in range(5)]
    path = encode(tmp_path / "plain.gif", "gif", frames)
    assert read(path.rename(tmp_path / "shot%03d.gif"))[0].n_frames == 5


# What is known -------------------------------------------------------------------------


def test_info_is_known_before_the_first_frame_is_asked_for(tmp_path):
    path = take(tmp_path / "storm.mp4", "libx264", "yuv420p", 12, options={"bf": "3"})
    with opened(path) as reader:
        info = reader.info
        assert (info.name, info.path) == ("storm", str(path))
        assert (info.shape, info.bit_depth, info.pixel_format) == ((64, 128), 8, "yuv420p")
        assert (info.codec, info.n_frames, info.declared_frames) == ("h264", None, 12)
        assert info.playback_rate == 25
        list(reader)
        assert reader.info.n_frames == 12


def test_stated_rates_win(tmp_path):
    path = take(tmp_path / "take.mp4", "libx264", "yuv420p", 5)
    info, _ = read(
        path, capture_rate=Fraction(100_000), playback_rate=Fraction(30000, 1001), trigger_frame=3
    )
    assert info.capture_rate == 100_000
    assert info.playback_rate == Fraction(30000, 1001)
    assert info.trigger_frame == 3


@pytest.mark.parametrize("rate", [Fraction(24000, 1001), Fraction(30000, 1001), Fraction(10_000)])
@pytest.mark.parametrize("ending", ["mp4", "mov"])
def test_playback_rate_is_exact(tmp_path, rate, ending):
    path = take(tmp_path / f"take.{ending}", "libx264", "yuv420p", 30, rate=rate)
    info, _ = read(path)
    assert info.playback_rate == rate
    assert info.capture_rate is None
    assert not info.variable_rate


@pytest.mark.parametrize(
    ("codec", "pixels", "intra"),
    [
        ("mjpeg", "yuvj420p", True),
        ("prores_ks", "yuv422p10le", True),
        ("libx264", "yuv420p", False),
    ],
)
def test_intra_only_is_what_the_codec_guarantees(tmp_path, codec, pixels, intra):
    depth = 10 if "10" in pixels else 8
    info, frames = read(take(tmp_path / "take.mov", codec, pixels, 6, depth))
    assert info.intra_only is intra
    if intra:
        assert all(frame.is_keyframe for frame in frames)


def test_bytes_read_is_the_sum_of_packet_sizes(tmp_path):
    path = take(tmp_path / "take.avi", "mjpeg", "yuvj420p", 20)
    with av.open(str(path)) as container:
        wanted = sum(packet.size for packet in container.demux(video=0))
    with opened(path) as reader:
        list(reader)
        assert reader.bytes_read == wanted


@pytest.mark.parametrize(
    ("ending", "codec", "pixels", "color_range", "limited"),
    [
        ("mp4", "libx264", "yuv420p", None, True),
        ("mp4", "libx264", "yuv420p", 1, True),
        ("mp4", "libx264", "yuv420p", 2, False),
        ("mp4", "libx264", "yuvj420p", None, False),
        ("avi", "mjpeg", "yuvj422p", None, False),
        ("avi", "huffyuv", "yuv422p", None, True),
        ("mkv", "ffv1", "gray", None, False),
        ("mkv", "ffv1", "gray", 1, True),
        ("mov", "prores_ks", "yuv422p10le", None, True),
    ],
)
def test_range_follows_the_flag_then_the_format(
    tmp_path, ending, codec, pixels, color_range, limited
):
    depth = 10 if "10" in pixels else 8
    path = take(tmp_path / f"t.{ending}", codec, pixels, 3, depth, color_range=color_range)
    info, _ = read(path)
    assert info.limited_range is limited
    assert (info.black, info.full_scale) == (
        (16 << depth - 8, 219 << depth - 8) if limited else (0, (1 << depth) - 1)
    )


# Rotation ------------------------------------------------------------------------------

LOSSLESS = {"qp": "0"}


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
@pytest.mark.parametrize("mirror", [False, True])
def test_rotation_is_applied_as_the_viewer_sees_it(tmp_path, degrees, mirror):
    turn = {"degrees": degrees, "hflip": mirror}
    path = take(tmp_path / "t.mp4", "libx264", "yuv420p", 3, options=LOSSLESS, turn=turn)
    info, frames = read(path)
    stored = scene(1)
    wanted = np.rot90(stored, degrees // 90)  # counter-clockwise, as the matrix is written
    wanted = wanted[:, ::-1] if mirror else wanted
    assert info.shape == wanted.shape
    np.testing.assert_array_equal(frames[1].luma, wanted)
    assert any("mirrors" in note for note in info.warnings) == mirror
    if not mirror:
        assert info.rotation == -degrees % 360


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_opencv_turns_the_picture_the_same_way(tmp_path, degrees):
    turn = {"degrees": degrees}
    path = take(tmp_path / "t.mp4", "libx264", "yuvj420p", 2, options=LOSSLESS, turn=turn)
    _, frames = read(path)
    capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    capture.set(cv2.CAP_PROP_ORIENTATION_AUTO, 1)
    theirs = capture.read()[1][:, :, 1].astype(int)
    capture.release()
    assert theirs.shape == frames[0].luma.shape
    assert np.abs(theirs - frames[0].luma).max() <= 1


def test_other_angles_are_recorded_not_applied(tmp_path):
    turn = {"degrees": 30}
    path = take(tmp_path / "t.mp4", "libx264", "yuv420p", 3, options=LOSSLESS, turn=turn)
    info, frames = read(path)
    assert info.rotation == 330
    assert info.shape == (64, 128)
    assert "not applied" in info.warnings[0]
    np.testing.assert_array_equal(frames[0].luma, scene(0))


# Counts --------------------------------------------------------------------------------


@pytest.mark.parametrize("claim", [3, 500])
def test_a_lying_header_is_found_out(tmp_path, claim):
    path = take(tmp_path / "take.avi", "mjpeg", "yuvj420p", 20)
    data = bytearray(path.read_bytes())
    length = data.index(b"strh") + 8 + 32  # dwLength of AVISTREAMHEADER
    data[length : length + 4] = claim.to_bytes(4, "little")
    path.write_bytes(data)
    info, frames = read(path)
    assert (info.declared_frames, info.n_frames, len(frames)) == (claim, 20, 20)
    assert any(f"declares {claim} frames, 20 decode" in note for note in info.warnings)


def test_frames_that_the_recorder_left_out_are_reported(tmp_path):
    pts = [0, 1, 2, 6, 7, 8, 9, 10]
    path = take(tmp_path / "take.avi", "mjpeg", "yuvj420p", 8, pts=pts)
    info, frames = read(path)
    assert [number_in(frame.luma, 8) for frame in frames] == list(range(8))
    assert "time stamps skip about 3 frames after frame 2" in info.warnings


def test_an_empty_packet_is_not_the_end(tmp_path):
    """A decoder takes an empty packet for the end of the take; recorders write them."""
    path = take(tmp_path / "take.avi", "mjpeg", "yuvj420p", 8)
    empty = av.Packet()
    empty.pts = empty.dts = 100

    class WithEmptyPacket:
        def demux(self, stream):
            for index, packet in enumerate(container.demux(stream)):
                if index == 3:
                    yield empty
                yield packet

    with av.open(str(path)) as container:
        decoding = Decoding(WithEmptyPacket(), container.streams.video[0], lambda: None)
        assert len(list(decoding.pictures())) == 8
    assert decoding.n_empty == 1


@pytest.mark.parametrize(
    ("spacing", "note"),
    [
        ("1", "container declares 30 frames, 20 decode"),
        ("30", "10 frames lie outside the container's edit list: left out"),
    ],
)
def test_frames_outside_the_edit_list_are_left_out_and_reported(tmp_path, spacing, note):
    """Edit list box: ISO/IEC 14496-12, clause 8.6.6."""
    path = take(tmp_path / "take.mp4", "libx264", "yuv420p", 30, options={"g": spacing, "bf": "0"})
    data = bytearray(path.read_bytes())
    entry = data.index(b"elst") + 12  # version, flags, count; then duration, media time
    data[entry + 4 : entry + 8] = (10 * 512).to_bytes(4, "big")
    path.write_bytes(data)
    info, frames = read(path)
    assert [number_in(frame.luma, 8) for frame in frames] == list(range(10, 30))
    assert any(note in warning for warning in info.warnings)


def test_a_change_of_size_ends_the_take(tmp_path):
    parts = [
        take(tmp_path / "a.h264", "libx264", "yuv420p", 6),
        take(tmp_path / "b.h264", "libx264", "yuv420p", 6, size=(96, 128)),
    ]
    path = tmp_path / "both.h264"
    path.write_bytes(b"".join(part.read_bytes() for part in parts))
    info, frames = read(path)
    assert info.n_frames == len(frames) == 6
    assert any("128x64" in note and "at frame 6" in note for note in info.warnings)


def test_a_stream_of_frames_goes_on_where_it_stopped(tmp_path):
    with opened(take(tmp_path / "take.mkv", "ffv1", "gray", 10)) as reader:
        first = next(reader.frames())
        rest = list(reader.frames())
    assert [first.index, *(frame.index for frame in rest)] == list(range(10))
    assert reader.info.n_frames == 10


def test_close_may_be_called_twice(tmp_path):
    reader = opened(take(tmp_path / "take.mkv", "ffv1", "gray", 3))
    next(reader.frames())
    reader.close()
    reader.close()


@pytest.mark.parametrize("threads", [1, 3])
def test_thread_count_changes_nothing(tmp_path, threads, monkeypatch):
    path = take(tmp_path / "take.mp4", "libx264", "yuv420p", 40, options={"bf": "3"})
    wanted = [frame.luma for frame in read(path)[1]]
    monkeypatch.setattr(VideoReader, "thread_count", threads)
    for frame, luma in zip(read(path)[1], wanted, strict=True):
        np.testing.assert_array_equal(frame.luma, luma)


# Memory and the source -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("ending", "codec", "pixels"), [("mkv", "ffv1", "gray"), ("avi", "mjpeg", "yuvj420p")]
)
def test_memory_stays_flat(tmp_path, ending, codec, pixels):
    pictures = [scene(index) for index in range(50)]
    frames = (frame_of(pictures[index % 50], pixels) for index in range(4000))
    path = encode(tmp_path / f"long.{ending}", codec, frames)
    process = psutil.Process()
    with opened(path) as reader:
        for frame in reader:
            if frame.index == 200:
                before = process.memory_info().rss
        grown = process.memory_info().rss - before
    assert reader.info.n_frames == 4000
    # The 3,800 frames hold 31 MB of luma; the index of packets grows by some 24 bytes each.
    assert grown < 4_000_000


def test_the_source_is_left_as_it_was(tmp_path):
    path = take(tmp_path / "take.mov", "prores_ks", "yuv422p10le", 10, 10)
    path.chmod(0o444)
    before = (hashlib.sha256(path.read_bytes()).digest(), path.stat().st_mtime_ns)
    read(path)
    assert (hashlib.sha256(path.read_bytes()).digest(), path.stat().st_mtime_ns) == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["take.mov"]
