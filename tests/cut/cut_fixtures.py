"""What the tests of cutting share: takes, cuts, and the ffmpeg command as a judge."""

import hashlib
import subprocess
from pathlib import Path

import cv2

from flashpan.cut.base import Cut
from flashpan.cut.engine import cut_ranges
from flashpan.ranges import Span
from flashpan.readers.open import open_take


def info_of(path, **stated):
    """What the reader says of a take once it has read it whole."""
    with open_take(path, **stated) as reader:
        for _ in reader:
            pass
        return reader.info


def cut_one(path, first, last, target, *, raw=None, info=None, **wishes):
    """Cut frames ``first`` to ``last``, inclusive."""
    take = info or info_of(path, raw=raw)
    cut = Cut(take=take, span=Span(first, last + 1), target=target, raw=raw, **wishes)
    (clip,) = cut_ranges([cut])
    return clip


def framemd5(path, *, pixels=None):
    """MD5 of every frame, as the ffmpeg command decodes the file; the same bytes are asked once."""
    content = hashlib.sha256(Path(path).read_bytes()).digest()
    return list(_framemd5(str(path), Path(path).suffix, content, pixels))


_known = {}


def _framemd5(path, suffix, content, pixels):
    key = (suffix, content, pixels)
    if key not in _known:
        _known[key] = _asked(path, pixels)
    return _known[key]


def _asked(path, pixels):
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-map", "0:v:0"]
    command += ["-fps_mode", "passthrough"]
    command += ["-pix_fmt", pixels] if pixels else []
    done = subprocess.run([*command, "-f", "framemd5", "-"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert [line for line in done.stderr.splitlines() if not _harmless(line)] == []
    lines = [line for line in done.stdout.splitlines() if not line.startswith("#")]
    return [line.split(",")[-1].strip() for line in lines]


def _harmless(line):
    """A stream begun in its midst tells the decoder to forget a picture that it never had."""
    return "mmco: unref short failure" in line


def opencv_count_and_rate(path):
    """How many frames OpenCV decodes, and the rate it finds."""
    video = cv2.VideoCapture(str(path))
    rate = video.get(cv2.CAP_PROP_FPS)
    n_frames = 0
    while video.read()[0]:
        n_frames += 1
    video.release()
    return n_frames, rate


def left_over(folder: Path):
    """Temporary files that should be gone."""
    return [path.name for path in folder.iterdir() if path.name.startswith(".flashpan-")]
