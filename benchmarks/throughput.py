"""How fast is ``find``, and how much of that time is decoding?

    python benchmarks/throughput.py [--only h264,tiff] [--frames N] [--repeats N]
    python benchmarks/throughput.py --profile h264

For a 1280 × 720 take in each format: frames per second of `flashpan.find`, of a loop that
only decodes (the same reader, every frame taken and dropped), and their ratio.  The two are
run in turns in one process, on a file that has been read once before; medians over the
repeats.  For scale, on the same pictures: copying a frame in memory, and OpenCV's absolute
difference of two frames.  ``--profile`` prints where one ``find`` spends its time
(cProfile, the 25 functions with the most time of their own).
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import statistics
import sys
import tempfile
import timeit
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

import flashpan
from flashpan.settings import Settings
from sample_generators import Quality, Take, TakeSettings, make_take, write_take
from sample_generators.write import SUFFIXES

ROWS, COLS = 720, 1280
FORMS = {"h264": 8, "hevc": 10, "mjpeg": 8, "prores": 10, "ffv1": 8, "mono8": 8, "tiff": 8}
"""Formats and the bit depth of the take."""


def make(form: str, n_frames: int) -> Take:
    return make_take(
        "drop",
        TakeSettings(rows=ROWS, cols=COLS, n_frames=n_frames, bit_depth=FORMS[form], seed=1),
    )


def settings(form: str) -> Settings:
    return Settings(raw=f"{COLS}x{ROWS}:Mono8" if form == "mono8" else None)


def decode(path: Path, form: str) -> None:
    with flashpan.open_take(path, raw=settings(form).raw) as reader:
        for _ in reader.frames():
            pass


def search(path: Path, form: str) -> None:
    flashpan.find(path, settings(form))


def compare(form: str, n_frames: int, repeats: int) -> str:
    """Return one row of the table."""
    with tempfile.TemporaryDirectory(prefix="throughput-") as folder:
        path = Path(folder) / f"take{SUFFIXES[form]}"
        write_take(make(form, n_frames), path, form=form, quality=Quality(gop=250))
        decode(path, form)
        pairs = [
            (
                timeit.timeit(lambda: decode(path, form), number=1),
                timeit.timeit(lambda: search(path, form), number=1),
            )
            for _ in range(repeats)
        ]
    decoded, found = (statistics.median(times) for times in zip(*pairs, strict=True))
    ratio = statistics.median(one / other for one, other in pairs)
    own_ms = 1e3 * (found - decoded) / n_frames
    return (
        f"| {form:6} | {n_frames / decoded:10.0f} | {n_frames / found:8.0f} | {ratio:5.2f} |"
        f" {own_ms:7.2f} |"
    )


def scale_lines(n_pictures: int = 128) -> list[str]:
    """Return what copying and differencing one frame cost; the pictures exceed the caches."""
    take = make("mono8", 2)
    pictures = [take.frame(t % 2) for t in range(n_pictures)]
    target = np.empty_like(pictures[0])

    def copy() -> None:
        for picture in pictures:
            np.copyto(target, picture)

    def differ() -> None:
        for one, other in pairwise(pictures):
            cv2.absdiff(one, other, target)

    lines = []
    for name, action in (("memory copy", copy), ("OpenCV absdiff", differ)):
        each = min(timeit.repeat(action, number=1, repeat=5)) / n_pictures
        lines.append(f"{name}: {1 / each:.0f} frames/s, {target.nbytes / each / 1e9:.1f} GB/s")
    return lines


def profile(form: str, n_frames: int) -> None:
    """Print where one ``find`` spends its time."""
    with tempfile.TemporaryDirectory(prefix="throughput-") as folder:
        path = Path(folder) / f"take{SUFFIXES[form]}"
        write_take(make(form, n_frames), path, form=form, quality=Quality(gop=250))
        profiler = cProfile.Profile()
        profiler.runcall(search, path, form)
    pstats.Stats(profiler).sort_stats("tottime").print_stats(25)


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").splitlines()[0],
        epilog="example: python benchmarks/throughput.py --only h264 --repeats 5",
    )
    parser.add_argument("--only", default=",".join(FORMS), metavar="FORMATS")
    parser.add_argument("--frames", type=int, default=200, metavar="N", help="of each take")
    parser.add_argument("--repeats", type=int, default=3, metavar="N")
    parser.add_argument("--profile", choices=tuple(FORMS), metavar="FORMAT")
    args = parser.parse_args(words)
    if args.profile:
        profile(args.profile, args.frames)
        return 0
    print("| format | decode f/s | find f/s | ratio | own ms/frame |")
    print("|--------|------------|----------|-------|--------------|")
    for form in args.only.split(","):
        if form not in FORMS:
            parser.error(f"--only {form}: choose from {', '.join(FORMS)}")
        print(compare(form, args.frames, args.repeats), flush=True)
    print(*scale_lines(), sep="\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
