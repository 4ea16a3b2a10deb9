"""Whatever FFmpeg writes here: every codec in every container and at every depth it has.

Outside check: the hashes of ``ffmpeg -f framemd5``, as in test_cut_video, where the cases that
matter most are written out.  What that command cannot read is no judge's matter and is passed
over; so is what FFmpeg does not write.
"""

import itertools
import os

import av
import pytest
from cut_fixtures import cut_one, framemd5, info_of
from video_fixtures import encode, scene

from flashpan.errors import CutRefused, UnreadableTake

pytestmark = pytest.mark.slow

N = 10
# beside a keyframe, all, and, where there is time, the last
PLACES = [(3, 5), (0, N - 1), (N - 1, N - 1)][: 3 if "FLASHPAN_LONG_TESTS" in os.environ else 2]
ENDINGS = ["avi", "mov", "mp4", "mkv", "mxf", "nut", "ts", "webm", "asf", "flv", "ogv", "ivf"]
SIZES = {"dnxhd": (128, 256), "dvvideo": (576, 720), "h261": (144, 176)}
OPTIONS = {
    "libvpx": {"deadline": "realtime", "cpu-used": "8"},  # else it takes a minute
    "dnxhd": {"profile": "dnxhr_hq"},
    "libx265": {"x265-params": "log-level=none:pools=1"},
    "libsvtav1": {"preset": "12"},
    "libaom-av1": {"cpu-used": "8", "usage": "realtime"},
}
HARDWARE = ("nvenc", "vaapi", "qsv", "v4l2m2m", "amf", "vulkan", "mf", "videotoolbox", "mediacodec")
# Their decoders do not give the same picture in all versions, or not even twice.
INEXACT = {"libxvid", "vc2", "snow"}
# The fourth byte of a pixel holds nothing, and is not the same in FFV1.
EMPTY_BYTE = ("zmbv", "bgr0")


def encoders():
    """Names of all encoders of pictures, hardware and what is too slow aside."""
    for name in sorted(av.codecs_available):
        if name.endswith(HARDWARE) or name in ("librav1e", "vnull", "wrapped_avframe"):
            continue
        try:
            codec = av.Codec(name, "w")
        except (av.FFmpegError, ValueError):
            continue
        if codec.type == "video" and codec.name == name:  # no alias
            yield name


def depths(name):
    """A pixel format for every depth and kind of colours that an encoder takes."""
    found = {}
    for form in av.Codec(name, "w").video_formats or ():
        bits = {part.bits for part in form.components}
        if bits and max(bits) <= 16 and (name, form.name) != EMPTY_BYTE:
            key = (max(bits), len(form.components), form.is_rgb, form.has_palette)
            found.setdefault(key, form.name)
    return list(found.values())


def depths_tried(name):
    """All of them where there is time (``FLASHPAN_LONG_TESTS=1``), else the first and the last."""
    found = depths(name)
    return found if "FLASHPAN_LONG_TESTS" in os.environ else found[:1] + found[1:][-1:]


def written(path, codec, pixels):
    """A take, or None where FFmpeg does not write it or the ffmpeg command does not read it."""
    rows, cols = SIZES.get(codec, (96, 128))
    options = {"g": "4", **OPTIONS.get(codec, {})}
    try:
        frames = (
            av.VideoFrame.from_ndarray(scene(k, 8, rows, cols), "gray").reformat(format=pixels)
            for k in range(N)
        )
        encode(path, codec, frames, options=options)
        return framemd5(path), info_of(path)
    except (av.FFmpegError, OSError, ValueError, AssertionError, UnreadableTake):
        return None


def cut_and_compare(path, codec, wanted, info, place, target):
    first, last = place
    try:
        clip = cut_one(path, first, last, target, info=info)
    except CutRefused as refused:
        if "samples unchanged" in str(refused):  # such as colours of five bits
            return
        raise
    assert clip.verified
    if clip.how == "copy":
        assert framemd5(clip.path) == wanted[first : last + 1]
    elif codec not in INEXACT:
        # samples may be arranged otherwise in the clip: both as the take has them
        pixels = info.pixel_format
        assert framemd5(clip.path, pixels=pixels) == framemd5(path, pixels=pixels)[first : last + 1]


@pytest.mark.parametrize("codec", list(encoders()))
def test_every_depth_in_every_container(tmp_path, codec):
    n_takes = 0
    for ending, pixels in itertools.product(ENDINGS, depths_tried(codec)):
        path = tmp_path / f"{pixels}.{ending}"
        take = written(path, codec, pixels)
        if take is None or len(take[0]) != take[1].n_frames or len(take[0]) != N:
            continue
        n_takes += 1
        for place in PLACES:
            target = tmp_path / f"{pixels}-{ending}-{place[0]}-{place[1]}"
            cut_and_compare(path, codec, *take, place, target)
    if not n_takes:
        pytest.skip("FFmpeg writes nothing with it that it reads again")
