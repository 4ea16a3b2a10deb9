"""Cutting that cannot go on: no room, or killed. Nothing half-written gets a clip's name."""

import json
import random
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from cut_fixtures import cut_one, framemd5, info_of, left_over
from video_fixtures import take
from warm import warm

HERE = Path(__file__).parent

# a limit of the file size is as real as a full disk, and needs no mount
LIMITED = """
import resource, sys
from pathlib import Path
sys.path[:0] = sys.argv[1:3]
from cut_fixtures import cut_one, info_of
path, target, how = sys.argv[3:]
info = info_of(path)
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
try:
    cut_one(path, 0, info.n_frames - 1, Path(target), info=info, how=how)
except Exception as error:
    print(type(error).__name__, error)
"""


def cut_all(path, folder):
    """Twelve clips, those left out that are there."""
    info = info_of(path)
    for k in range(6):
        for how, suffix in (("copy", ".mov"), ("exact", ".mkv")):
            target = Path(folder, f"{how}{k}")
            if not target.with_suffix(suffix).exists():
                cut_one(path, k, k + 9, target, info=info, how=how)


def child(code, *arguments):
    places = [str(HERE), str(HERE.parent / "readers")]
    command = [sys.executable, "-c", code, *places, *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def noise(path):
    """A take of pictures that do not compress, so that the limit is met."""
    np.save(path, np.random.default_rng(0).integers(0, 256, (20, 64, 128), dtype=np.uint8))
    return path


@pytest.mark.parametrize("how", ["copy", "exact", "auto"])
def test_no_room_is_one_line_and_leaves_nothing(tmp_path, how):
    if how == "auto":
        path = noise(tmp_path / "take.npy")
    else:
        path = take(tmp_path / "take.avi", "rawvideo", "gray", 60, size=(64, 128))
    (tmp_path / "out").mkdir()
    said = child(LIMITED, path, tmp_path / "out" / "clip", how).communicate()[0]
    assert said.startswith("TakeError")
    assert "clip" in said
    assert "File too large" in said
    assert said.count("\n") == 1
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.slow
def test_killed_at_any_moment_no_clip_is_half_there(tmp_path):
    path = take(tmp_path / "take.mov", "mjpeg", "yuvj420p", 20, size=(64, 128))
    wanted = framemd5(path)
    draw = random.Random(1)
    out = tmp_path / "out"
    out.mkdir()
    n_left_over = 0
    for _ in range(25):
        running = warm(cut_all, path, out)
        time.sleep(draw.uniform(0, 0.15))
        running.kill()
        running.join()
        there = [*out.glob("copy*.mov"), *out.glob("exact*.mkv")]
        n_left_over += bool(left_over(out))
        for clip in there:
            said = json.loads(clip.with_name(clip.name + ".clip.json").read_text())
            assert framemd5(clip) == wanted[said["first"] : said["last"] + 1]
        if len(there) == 12 or draw.random() < 0.2:
            for file in out.iterdir():
                file.unlink()
    assert n_left_over > 0  # kills came while clips were being written
    last = warm(cut_all, path, out)
    last.join()
    assert last.exitcode == 0
    assert len([*out.glob("copy*.mov"), *out.glob("exact*.mkv")]) == 12
