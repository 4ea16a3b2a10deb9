"""Ranges of every container and codec that FFmpeg writes here, held against the ffmpeg command.

Outside check: ``ffmpeg -f framemd5`` decodes take and clip by itself (another version of FFmpeg
than the one inside PyAV) and hashes every frame.  The clip's hashes must be the take's.
"""

import pytest
from cut_fixtures import cut_one, framemd5, info_of, left_over, opencv_count_and_rate
from video_fixtures import take

N = 26
QUIET = "log-level=none:pools=1:frame-threads=1"
NO_CUTS = "scenecut=0:b-adapt=0:threads=1"

INTRA = [
    ("mjpeg", "avi", "yuvj420p", 8, {}),
    ("mjpeg", "mov", "yuvj422p", 8, {}),
    ("mjpeg", "mkv", "yuvj444p", 8, {}),
    ("prores_ks", "mov", "yuv422p10le", 10, {"profile": "3"}),
    ("prores_ks", "mov", "yuv444p10le", 10, {"profile": "4"}),
    ("prores_ks", "mkv", "yuv422p10le", 10, {"profile": "1"}),
    ("dnxhd", "mov", "yuv422p10le", 10, {"profile": "dnxhr_hqx"}),
    ("dnxhd", "mxf", "yuv422p", 8, {"profile": "dnxhr_hq"}),
    ("ffv1", "mkv", "gray", 8, {"g": "1"}),
    ("ffv1", "mkv", "gray12le", 12, {"g": "1"}),
    ("ffv1", "mkv", "yuv444p16le", 16, {"g": "1"}),
    ("ffv1", "avi", "gray16le", 16, {"g": "1"}),
    ("rawvideo", "avi", "yuv420p", 8, {}),
    ("rawvideo", "avi", "gray", 8, {}),
    ("rawvideo", "nut", "gray16le", 16, {}),
    ("rawvideo", "nut", "gray10le", 10, {}),
    ("v210", "avi", "yuv422p10le", 10, {}),
    ("v210", "mov", "yuv422p10le", 10, {}),
    ("huffyuv", "avi", "yuv422p", 8, {}),
    ("ffvhuff", "avi", "gray16le", 16, {}),
    ("utvideo", "avi", "yuv420p", 8, {}),
    ("png", "mov", "gray16be", 16, {}),
    ("libx264", "mov", "yuv422p10le", 10, {"g": "1"}),
    ("jpeg2000", "mov", "gray12le", 12, {}),
    ("cfhd", "mov", "yuv422p10le", 10, {}),
]

LONG = [
    ("libx264", "mp4", "yuv420p", 8, {"bf": "0", "g": "8", "x264-params": NO_CUTS}),
    ("libx264", "mp4", "yuv420p", 8, {"bf": "3", "g": "8", "x264-params": NO_CUTS}),
    ("libx264", "mov", "yuv422p10le", 10, {"bf": "2", "g": "8", "x264-params": NO_CUTS}),
    ("libx264", "mkv", "yuv444p", 8, {"bf": "3", "g": "8", "x264-params": NO_CUTS}),
    ("libx264", "ts", "yuv420p", 8, {"crf": "4", "bf": "2", "g": "8", "x264-params": NO_CUTS}),
    ("libx264", "mp4", "yuv420p", 8, {"g": "8", "x264-params": f"{NO_CUTS}:open-gop=1:bframes=3"}),
    ("libx265", "mp4", "yuv420p", 8, {"x265-params": f"{QUIET}:keyint=8:bframes=3"}),
    ("libx265", "mkv", "yuv420p10le", 10, {"x265-params": f"{QUIET}:keyint=8:open-gop=0"}),
    ("mpeg4", "avi", "yuv420p", 8, {"g": "8", "bf": "2"}),
    ("mpeg4", "avi", "yuv420p", 8, {"g": "8"}),
    ("mpeg2video", "ts", "yuv420p", 8, {"g": "8", "bf": "2", "qscale": "2"}),
    ("ffv1", "mkv", "gray10le", 10, {"g": "12"}),
    ("ffv1", "avi", "yuv420p", 8, {"g": "12"}),
    ("libvpx-vp9", "webm", "yuv420p", 8, {"g": "8", "deadline": "realtime", "cpu-used": "8"}),
]

# keyframes are at 0, 8, 16, 24: at one, beside it, the ends, one frame long, the whole take
RANGES = [(8, 15), (7, 8), (9, 20), (0, 0), (N - 1, N - 1), (13, 13), (0, N - 1)]
PLACES = [(8, 15), (0, 0), (N - 1, N - 1), (13, 13), (0, N - 1)]  # all frames are keyframes
OVERVIEW = [(7, 9), (N - 1, N - 1), (0, N - 1)]


def name_of(case):
    codec, ending, pixels, _, options = case
    return f"{codec}-{ending}-{pixels}-{'-'.join(options.values())[-24:]}"


def small(folder, codec, ending, pixels, depth, options):
    # DNxHR has a least size; FFmpeg knows a transport stream by a number of packets
    size = {"dnxhd": (128, 256)}.get(codec, (256, 512) if ending == "ts" else (32, 128))
    path = folder / f"take.{ending}"
    return take(path, codec, pixels, N, depth, options=options, size=size)


@pytest.fixture(scope="module")
def source(request, tmp_path_factory):
    path = small(tmp_path_factory.mktemp("take"), *request.param)
    return path, info_of(path), framemd5(path)


def held_against_ffmpeg(clip, wanted, *, pixels=None):
    """Every frame asked for is there, and nothing else but what the report says."""
    found = framemd5(clip.path, pixels=pixels)
    head, n_asked = clip.head_frames, clip.last - clip.first + 1
    assert len(found) == clip.n_frames == head + n_asked + clip.tail_frames
    assert found[head : head + n_asked] == wanted[clip.first : clip.last + 1]


def opens_elsewhere(clip, info):
    n_frames, rate = opencv_count_and_rate(clip.path)
    assert n_frames == clip.n_frames
    assert rate == pytest.approx(float(info.playback_rate), abs=0.01)


@pytest.mark.parametrize("source", INTRA, indirect=True, ids=map(name_of, INTRA))
def test_intra_takes_are_copied_to_the_frame(source, tmp_path):
    path, info, wanted = source
    for first, last in PLACES:
        clip = cut_one(path, first, last, tmp_path / f"clip{first}-{last}", info=info)
        assert clip.how == "copy"
        assert clip.path.suffix == path.suffix
        assert (clip.head_frames, clip.tail_frames, clip.n_frames) == (0, 0, last - first + 1)
        assert clip.verified is True
        assert list(clip.hashes) == wanted[first : last + 1]
        held_against_ffmpeg(clip, wanted)
        read = info_of(clip.path)
        assert (read.n_frames, read.playback_rate) == (clip.n_frames, info.playback_rate)
        assert (read.codec, read.pixel_format) == (info.codec, info.pixel_format)
        assert read.warnings == ()
    opens_elsewhere(clip, info)
    assert left_over(tmp_path) == []


@pytest.mark.parametrize("source", LONG, indirect=True, ids=map(name_of, LONG))
def test_copies_of_long_gop_begin_at_the_keyframe_before(source, tmp_path):
    path, info, wanted = source
    for first, last in RANGES:
        clip = cut_one(path, first, last, tmp_path / f"clip{first}-{last}", info=info, how="copy")
        assert clip.how == "copy"
        assert clip.head_frames <= first
        assert clip.verified is True
        held_against_ffmpeg(clip, wanted)
    assert (clip.head_frames, clip.tail_frames) == (0, 0)
    opens_elsewhere(clip, info)


@pytest.mark.parametrize("source", LONG, indirect=True, ids=map(name_of, LONG))
def test_by_default_long_gop_loses_nothing(source, tmp_path):
    path, info, wanted = source
    for first, last in OVERVIEW:
        clip = cut_one(path, first, last, tmp_path / f"clip{first}-{last}", info=info)
        assert (clip.how, clip.path.suffix) == ("exact", ".mkv")
        assert (clip.head_frames, clip.tail_frames) == (0, 0)
        assert clip.verified is True
        assert list(clip.hashes) == wanted[first : last + 1]
        held_against_ffmpeg(clip, wanted)
    opens_elsewhere(clip, info)
