"""Takes of random group structure, cut at random: no frame is lost, doubled or changed."""

import random
from fractions import Fraction

import pytest
from cut_fixtures import cut_one, framemd5, info_of, opencv_count_and_rate
from video_fixtures import take

from flashpan.errors import CutRefused

ENDINGS = {
    "libx264": ("mp4", "mov", "mkv", "nut", "avi", "ts"),
    "mpeg4": ("mp4", "mov", "mkv", "nut", "avi", "ts"),
    "libvpx-vp9": ("mp4", "mkv", "nut"),
    "ffv1": ("mkv", "nut", "avi"),
}


def random_codec(draw):
    """An encoder with its options: how far frames build on one another, and which way."""
    codec = draw.choice(["libx264", "libx264", "libx264", "mpeg4", "libvpx-vp9", "ffv1"])
    if codec != "libx264":
        bf = {"bf": str(draw.randint(0, 2))} if codec == "mpeg4" else {}
        return codec, {"g": str(draw.randint(1, 15)), **bf}
    structure = (
        f"keyint={draw.randint(1, 20)}:bframes={draw.randint(0, 5)}:open-gop={draw.randint(0, 1)}"
        f":b-pyramid={draw.choice(['none', 'strict', 'normal'])}:ref={draw.randint(1, 5)}"
        f":b-adapt={draw.randint(0, 2)}:intra-refresh={int(draw.random() < 0.1)}:threads=1"
    )
    return codec, {"x264-params": structure, "preset": "fast"}


def random_take(draw, folder):
    """A take of up to 50 frames; every third is uneven."""
    codec, options = random_codec(draw)
    ending, n_frames, more = draw.choice(ENDINGS[codec]), draw.randint(1, 50), {}
    if ending in ("mp4", "mov", "mkv") and draw.random() < 0.3:
        stamps = [0]
        for _ in range(n_frames):
            stamps.append(stamps[-1] + 40 * draw.randint(1, 4))
        more = {"pts": stamps, "time_base": Fraction(1, 1000)}
    path = folder / f"take.{ending}"
    return take(path, codec, "yuv420p", n_frames, options=options, size=(64, 128), **more)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(16))
def test_random_cuts_of_random_takes(tmp_path, seed):
    draw = random.Random(seed)
    path = random_take(draw, tmp_path)
    info, wanted = info_of(path), framemd5(path)
    assert info.n_frames == len(wanted)
    for k in range(4):
        first = draw.randrange(len(wanted))
        last = min(first + draw.choice([0, 1, 2, 10, 50]), len(wanted) - 1)
        how = draw.choice(["auto", "copy", "bridge", "exact"])
        try:
            clip = cut_one(path, first, last, tmp_path / f"clip{k}", info=info, how=how)
        except CutRefused:
            assert how in ("copy", "bridge")
            continue
        found, head = framemd5(clip.path), clip.head_frames
        kept = slice(head + clip.recoded_frames, head + last - first + 1)
        assert found[kept] == wanted[first + clip.recoded_frames : last + 1]
        assert len(found) == clip.n_frames == opencv_count_and_rate(clip.path)[0]
