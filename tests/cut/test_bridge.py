"""Bridged clips: the take's own frames from the first keyframe on, in three decoders."""

import numpy as np
import pytest
from cut_fixtures import cut_one, framemd5, info_of, opencv_count_and_rate
from video_fixtures import psnr_db, read, take

from flashpan.errors import CutRefused

N = 26
NO_CUTS = "scenecut=0:b-adapt=0:threads=1"

CASES = [
    ("mp4", "yuv420p", 8, {"bf": "3"}),
    ("mp4", "yuvj420p", 8, {"bf": "2", "profile": "main"}),
    ("mp4", "yuv420p", 8, {"profile": "baseline"}),
    ("mov", "yuv422p10le", 10, {"bf": "3"}),
    ("mkv", "yuv420p10le", 10, {"bf": "0"}),
]


def h264(folder, ending, pixels, depth, options, extra=""):
    options = {"g": "8", "x264-params": NO_CUTS + extra, **options}
    return take(folder / f"take.{ending}", "libx264", pixels, N, depth, options=options)


@pytest.mark.parametrize(("ending", "pixels", "depth", "options"), CASES)
def test_only_frames_before_the_keyframe_are_coded_anew(tmp_path, ending, pixels, depth, options):
    path = h264(tmp_path, ending, pixels, depth, options)
    info, wanted = info_of(path), framemd5(path)
    source = read(path)[1]
    for first, last, recoded in [(5, 20, 3), (7, 8, 1), (15, N - 1, 1)]:
        clip = cut_one(path, first, last, tmp_path / f"c{first}", info=info, how="bridge")
        assert (clip.how, clip.recoded_frames, clip.head_frames) == ("bridge", recoded, 0)
        assert clip.verified is True
        found = framemd5(clip.path)
        asked = last - first + 1
        assert len(found) == clip.n_frames == asked + clip.tail_frames
        assert found[recoded:asked] == wanted[first + recoded : last + 1]
        assert opencv_count_and_rate(clip.path) == (clip.n_frames, 25.0)
        there, frames = read(clip.path)
        assert (there.n_frames, there.playback_rate) == (clip.n_frames, 25)
        assert there.warnings == ()
        for k in range(recoded):  # coded anew far finer than a viewer can see
            assert psnr_db(frames[k].luma, source[first + k].luma, depth) > 45


def test_a_range_that_begins_with_a_keyframe_needs_no_bridge(tmp_path):
    path = h264(tmp_path, "mp4", "yuv420p", 8, {"bf": "2"})
    clip = cut_one(path, 8, 12, tmp_path / "clip", how="bridge")
    assert (clip.how, clip.recoded_frames, clip.head_frames) == ("copy", 0, 0)


def refusal(path, first, last, **wishes):
    with pytest.raises(CutRefused) as caught:
        cut_one(path, first, last, path.parent / "clip", how="bridge", **wishes)
    text = str(caught.value)
    assert "\n" not in text
    assert str(path) in text
    assert "--how exact" in text
    assert not list(path.parent.glob("clip*"))
    return text


def test_bridges_that_would_not_play_everywhere_are_refused(tmp_path):
    path = h264(tmp_path, "mp4", "yuv420p", 8, {"bf": "2"})
    assert "the range holds no keyframe" in refusal(path, 9, 14)
    path = h264(tmp_path, "mp4", "yuv420p", 8, {"bf": "2"}, ":open-gop=1")
    assert "no keyframe from which packets could be copied" in refusal(path, 3, 20)
    path = h264(tmp_path, "ts", "yuv420p", 8, {"bf": "2"})
    assert "keep no header for two kinds" in refusal(path, 3, 20)
    quiet = {"x265-params": "log-level=none:pools=1:keyint=8"}
    path = take(tmp_path / "hevc.mp4", "libx265", "yuv420p", N, 8, options=quiet)
    assert "only H.264" in refusal(path, 3, 20)


def test_clips_of_a_bridge_are_not_longer_than_the_whole(tmp_path):
    path = h264(tmp_path, "mp4", "yuv420p", 8, {"bf": "3"})
    clip = cut_one(path, 1, N - 1, tmp_path / "clip", how="bridge")
    assert (clip.n_frames, clip.tail_frames, clip.recoded_frames) == (N - 1, 0, 7)
    source, frames = read(path)[1], read(clip.path)[1]
    for one, other in zip(source[8:], frames[7:], strict=True):
        np.testing.assert_array_equal(one.luma, other.luma)
