"""How fast is trimming by packets beside copying the file?

    python benchmarks/trim.py [--only mjpeg.avi,h264.mp4] [--megabytes N] [--repeats N]
    python benchmarks/trim.py --folder DIR --proved
    python benchmarks/trim.py --profile h264.mp4

For an invented 1280 × 720 take in each container, whose one range is the whole take: writing
the clip by copied packets, as it follows on a search, beside a plain copy of the same file;
and `flashpan.trim` by an event log, which begins with opening the take and, where frames build
on others, with reading all of its packets to learn their order.  No proof.  All are forced to
the disk and run in turns in one process, on a file that has been read once before, each turn
beginning with another one: memory that was just given back is slow to be had again.  Medians over
the repeats, and the median of the ratios of each turn.  The goal is a ratio of 0.8 or more.
``--proved`` measures the trim with its proof as well, which decodes take and clip.
"""

from __future__ import annotations

import argparse
import cProfile
import os
import pstats
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple, cast

import av
import cv2
import numpy as np
from av.video.stream import VideoStream

import flashpan
from flashpan.cut.base import How
from flashpan.cut.engine import Cutter
from flashpan.cut.plan import Plan
from flashpan.eventlog import write_log
from flashpan.fingerprint import fingerprint_of
from flashpan.model import EventLog, Totals, TrimRange
from flashpan.readers._video_decode import Decoding, PacketIndex
from flashpan.readers._video_open import open_container, picture_stream
from flashpan.settings import Settings
from flashpan.trim import TrimRun

ROWS, COLS = 720, 1280
GOAL = 0.8


class Form(NamedTuple):
    """How a take is written; `gop` frames are coded once and repeated."""

    codec: str
    pixels: str
    gop: int = 8
    options: dict[str, str] = {}  # noqa: RUF012  # never changed
    muxer: str | None = None


FORMS = {
    "mjpeg.avi": Form("mjpeg", "yuvj420p", options={"qscale": "4"}),
    "mjpeg.mov": Form("mjpeg", "yuvj420p", options={"qscale": "4"}),
    "prores.mov": Form("prores_ks", "yuv422p10le", options={"profile": "2"}),
    "dnxhr.mxf": Form("dnxhd", "yuv422p", options={"profile": "dnxhr_sq"}),
    "ffv1.mkv": Form("ffv1", "gray", options={"level": "3", "g": "1"}, muxer="matroska"),
    "raw.avi": Form("rawvideo", "gray"),
    "mjpeg.nut": Form("mjpeg", "yuvj420p", options={"qscale": "4"}),
    "h264.mp4": Form("libx264", "yuv420p", 60, {"g": "30", "crf": "18", "preset": "ultrafast"}),
    "h264.mkv": Form(
        "libx264", "yuv420p", 60, {"g": "30", "crf": "18", "preset": "ultrafast"}, "matroska"
    ),
}


def pictures(form: Form) -> Iterator[av.VideoFrame]:
    """Invented: noise in blocks of four pixels, which no codec makes small."""
    draw = np.random.default_rng(0)
    for index in range(form.gop):
        small = draw.integers(0, 256, (ROWS // 4, COLS // 4, 3), dtype=np.uint8)
        large = cv2.resize(small, (COLS, ROWS), interpolation=cv2.INTER_CUBIC)
        picture = np.asarray(large, np.uint8)
        frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(format=form.pixels)
        frame.pts, frame.time_base = index, Fraction(1, 25)
        yield frame


def make(path: Path, form: Form, n_bytes: int) -> int:
    """Write a take of about so many bytes; return its frames."""
    with av.open(str(path), "w", format=form.muxer) as container:
        stream = cast(
            VideoStream, container.add_stream(form.codec, rate=25, options=dict(form.options))
        )
        stream.width, stream.height, stream.pix_fmt = COLS, ROWS, form.pixels
        coded = [packet for frame in pictures(form) for packet in stream.encode(frame)]
        coded += stream.encode(None)
        parts = [(bytes(packet), packet.pts or 0, packet.dts or 0) for packet in coded]
        keys = [packet.is_keyframe for packet in coded]
        rounds = max(1, n_bytes // sum(len(data) for data, _, _ in parts))
        for turn in range(rounds):
            for (data, pts, dts), is_key in zip(parts, keys, strict=True):
                packet = av.Packet(data)
                packet.stream, packet.time_base = stream, coded[0].time_base
                one = round(1 / (25 * coded[0].time_base))
                packet.pts, packet.dts = (at + turn * form.gop * one for at in (pts, dts))
                packet.duration, packet.is_keyframe = one, is_key
                container.mux(packet)
    return rounds * form.gop


def log_of(path: Path, n_frames: int, folder: Path) -> Path:
    """A log that keeps the whole take."""
    with flashpan.open_take(path) as reader:
        info = replace(reader.info, n_frames=n_frames, fingerprint=fingerprint_of(path))
    log = EventLog(
        take=info,
        settings=Settings().resolved(info).as_log(),
        events=(),
        ranges=(TrimRange(0, n_frames - 1, ()),),
        totals=Totals(frames=n_frames, kept=n_frames, events=0, seconds=0.0, bytes_read=0),
    )
    return write_log(log, folder)


def trim_by(path: Path, log: Path, out: Path, *, verify: bool) -> float:
    """Seconds for a trim of the whole take; its result is removed again."""
    wanted = flashpan.TrimSettings(how=How.COPY, verify=verify)
    began = time.perf_counter()
    done = flashpan.trim(path, out, wanted=wanted, log=log)
    seconds = time.perf_counter() - began
    require_whole(done, path)
    shutil.rmtree(out)
    return seconds


def write_after_search(path: Path, log: Path, out: Path) -> float:
    """Seconds for writing the clip once a search has read all packets."""
    with open_container(str(path)) as container:
        noted = PacketIndex()
        decoding = Decoding(container, picture_stream(container, str(path)), lambda: container)
        decoding.index = noted
        for _ in decoding.packets():
            pass
    wanted = flashpan.TrimSettings(how=How.COPY, verify=False)
    run = TrimRun([str(path)], out, wanted, log=log)
    with flashpan.open_take(path) as reader:
        plan = run.begin(reader, Settings())
    assert isinstance(plan, Plan)
    plan.cutter = Cutter(noted)
    began = time.perf_counter()
    done = run.write(plan)
    seconds = time.perf_counter() - began
    require_whole(done, path)
    shutil.rmtree(out)
    return seconds


def require_whole(done: flashpan.Trimmed, path: Path) -> None:
    if done.failed or not 0.98 < done.n_bytes / path.stat().st_size < 1.02:
        raise AssertionError(f"{path}: the clip has {done.n_bytes} bytes")


def copy(path: Path, target: Path) -> float:
    """Seconds for a plain copy, forced to the disk."""
    began = time.perf_counter()
    shutil.copyfile(path, target)
    descriptor = os.open(target, os.O_RDWR)
    os.fsync(descriptor)
    os.close(descriptor)
    seconds = time.perf_counter() - began
    target.unlink()
    return seconds


def one_turn(runs: Sequence[Callable[[], float]], begun: int) -> list[float]:
    """Seconds of each run; the turn begins with another one each time."""
    order = [(begun + place) % len(runs) for place in range(len(runs))]
    seconds = {number: runs[number]() for number in order}
    return [seconds[number] for number in range(len(runs))]


def row(name: str, args: argparse.Namespace) -> str:
    """Measure one container."""
    with tempfile.TemporaryDirectory(prefix="trim-", dir=args.folder) as text:
        folder = Path(text)
        path = folder / f"take.{name}"
        n_frames = make(path, FORMS[name], args.megabytes * 1_000_000)
        log = log_of(path, n_frames, folder)
        runs: list[Callable[[], float]] = [
            lambda: copy(path, folder / "copy"),
            lambda: write_after_search(path, log, folder / "out"),
            lambda: trim_by(path, log, folder / "out", verify=False),
        ]
        if args.proved:
            runs.append(lambda: trim_by(path, log, folder / "out", verify=True))
        for run in runs[:3]:
            run()
        turns = [one_turn(runs, begun) for begun in range(args.repeats)]
        n_bytes = path.stat().st_size
    medians = [statistics.median(times) for times in zip(*turns, strict=True)]
    ratios = [statistics.median(turn[0] / turn[k] for turn in turns) for k in (1, 2)]
    best = [min(times) for times in zip(*turns, strict=True)]
    speeds = [f"{n_bytes / seconds / 1e6:,.0f}" for seconds in medians]
    cells = [name, f"{n_frames:,}", f"{n_bytes / 1e6:,.0f}", *speeds]
    cells += [f"{ratios[0]:.2f}", f"{best[0] / best[1]:.2f}", f"{ratios[1]:.2f}"]
    cells.append("yes" if ratios[0] >= GOAL else "no")
    return f"| {' | '.join(cells)} |"


def profile(name: str, args: argparse.Namespace) -> None:
    """Print where one trim spends its time."""
    with tempfile.TemporaryDirectory(prefix="trim-", dir=args.folder) as text:
        folder = Path(text)
        path = folder / f"take.{name}"
        log = log_of(path, make(path, FORMS[name], args.megabytes * 1_000_000), folder)
        profiler = cProfile.Profile()
        profiler.runcall(trim_by, path, log, folder / "out", verify=False)
    pstats.Stats(profiler).sort_stats("tottime").print_stats(25)


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").splitlines()[0],
        epilog="example: python benchmarks/trim.py --only mjpeg.avi --repeats 9",
    )
    parser.add_argument("--only", default=",".join(FORMS), metavar="NAMES")
    parser.add_argument("--megabytes", type=int, default=300, metavar="N", help="of each take")
    parser.add_argument("--repeats", type=int, default=7, metavar="N")
    parser.add_argument("--folder", metavar="DIR", help="on the disk to measure")
    parser.add_argument("--proved", action="store_true", help="measure with the proof, too")
    parser.add_argument("--profile", choices=tuple(FORMS), metavar="NAME")
    args = parser.parse_args(words)
    if args.profile:
        profile(args.profile, args)
        return 0
    headings = ["take", "frames", "MB", "copy MB/s", "clip MB/s", "by a log MB/s"]
    headings += ["proved MB/s"] if args.proved else []
    headings += ["clip / copy", "of the best", "by a log / copy", f"≥ {GOAL}"]
    print(f"| {' | '.join(headings)} |\n|{'---|' * len(headings)}")
    for name in args.only.split(","):
        if name not in FORMS:
            parser.error(f"--only {name}: choose from {', '.join(FORMS)}")
        print(row(name, args), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
