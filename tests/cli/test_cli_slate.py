import json
from fractions import Fraction

import av
import numpy as np
import pytest


@pytest.fixture(scope="module")
def video(tmp_path_factory):
    """Invented: 25 grey frames, a keyframe every ten."""
    path = tmp_path_factory.mktemp("video") / "ramp.mkv"
    with av.open(path, "w") as container:
        stream = container.add_stream("libx264", rate=Fraction(25))
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        stream.gop_size = 10
        stream.options = {"sc_threshold": "0", "bf": "0"}
        for number in range(25):
            picture = np.full((48, 64), 40 + number, np.uint8)
            frame = av.VideoFrame.from_ndarray(picture, format="gray").reformat(format="yuv420p")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def test_says_what_is_known(run, flash):
    status, out, err = run("slate", flash, "--capture-rate", 10_000, "--playback-rate", 25)
    assert (status, err) == (0, "")
    for text in ("64x48 pixels, 8 bit", "600, numbered from 0", "10,000 frames/s", "every frame"):
        assert text in out
    assert "600 frames, 60.000 ms real, 0:00:24.000 playback" in out


def test_says_what_is_not_known_and_the_cure(run, flash):
    out = run("slate", flash).out
    assert "unknown; give --capture-rate" in out
    assert "unknown; give --playback-rate" in out


def test_count_gives_frames_and_cut_points(run, video):
    known = json.loads(run("slate", video, "--count", "--json").out)
    assert known["frames"] == 25
    assert known["cut_points"] == [0, 10, 20]
    assert known["length"] == {
        "frames": 25,
        "is_exact": True,
        "real_s": None,
        "playback_s": 1.0,
    }
    assert "frames 0, 10, 20" in run("slate", video, "--count").out


def test_without_count_the_cut_points_are_open(run, video):
    assert "some frames; --count finds out" in run("slate", video).out


def test_json_is_an_object_for_one_and_an_array_for_several(run, flash, quiet, tmp_path):
    assert json.loads(run("slate", flash, "--json").out)["name"] == "flash"
    several = run("slate", flash, tmp_path / "none.npy", quiet, "--json")
    assert several.status == 3
    assert [known["name"] for known in json.loads(several.out)] == ["flash", "quiet"]


def test_a_failed_take_is_one_line(run, flash, tmp_path):
    status, out, err = run("slate", tmp_path / "none.npy", flash)
    assert status == 3
    assert "64x48" in out
    assert err.count("\n") == 1
