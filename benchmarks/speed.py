"""How fast is a take looked through, beside the limits that nobody can pass?

    python benchmarks/speed.py [--forms mjpeg,h264] [--size 1280x720] [--frames N] [--repeats N]
                               [--csv FILE] [--scaling]

For a take in each format and every way of looking at it: frames per second, ratio to a loop
that only decodes with the same reader, CPU seconds per million frames, peak memory, and the share
of the file's bytes that was read.  The ways: *decode* (the reader's frames, dropped), *find*,
*shortest N* (``--shortest-event N``), *OpenCV* (`cv2.VideoCapture`, read and dropped), *ffmpeg*
(the command's scene filter), *file* (the bytes, read and dropped) and, for raw pixels, *absdiff*
(OpenCV's absolute difference of the same frames, in memory).

Every run is a process of its own; the ways take turns, and medians of the repeats are shown.
Each process first looks at two frames, so that what it loads is not counted; the ``ffmpeg``
command is counted whole.  Takes are written to a temporary folder and read once before.
``--scaling`` shows instead how time grows with the number of frames (1, 4 and 16 times) and with
the size of the picture.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import numpy.typing as npt

PICTURES = 64
LONG_GOP = 250
FORMS = {
    "h264": (".mp4", "yuv420p"),
    "hevc": (".mp4", "yuv420p10le"),
    "mjpeg": (".mov", "yuvj420p"),
    "prores": (".mov", "yuv422p10le"),
    "ffv1": (".mkv", "gray"),
    "mono8": (".raw", ""),
    "tiff": ("", ""),
}
"""Formats: suffix and FFmpeg's pixel format."""
ENCODERS = {"h264": "libx264", "hevc": "libx265", "prores": "prores_ks"}
SHORTEST = (64, 256)
COLUMNS = (
    "format",
    "way",
    "frames/s",
    "of decoding",
    "CPU s per million",
    "peak MiB",
    "bytes read",
)


@dataclass(frozen=True, slots=True)
class Subject:
    """A take of one format and size."""

    form: str
    path: Path
    rows: int
    cols: int
    frames: int

    @property
    def raw(self) -> str | None:
        """Geometry of headerless pixels."""
        return f"{self.cols}x{self.rows}:Mono8" if self.form == "mono8" else None

    @property
    def n_bytes(self) -> int:
        """Bytes of the file or files."""
        files = self.path.iterdir() if self.path.is_dir() else [self.path]
        return sum(file.stat().st_size for file in files)


@dataclass(frozen=True, slots=True)
class Run:
    """What one process took."""

    seconds: float
    cpu: float
    peak_kib: int
    bytes_read: int


def pictures(rows: int, cols: int) -> list[npt.NDArray[np.uint8]]:
    """Noise over a slope: every frame differs from the one before, and nothing happens."""
    rng = np.random.default_rng(1)
    slope = np.linspace(40.0, 120.0, cols)[None, :] + np.zeros((rows, 1))
    return [
        np.clip(slope + rng.normal(0.0, 3.0, (rows, cols)), 0, 255).astype(np.uint8)
        for _ in range(PICTURES)
    ]


def order(n_frames: int) -> npt.NDArray[np.int64]:
    """Numbers of pictures, none followed by itself and without a period."""
    steps = np.random.default_rng(2).integers(1, PICTURES, n_frames)
    return np.asarray(np.cumsum(steps) % PICTURES)


def write(form: str, folder: Path, rows: int, cols: int, n_frames: int) -> Subject:
    """Write a take."""
    suffix, pixels = FORMS[form]
    path = folder / f"take-{form}-{cols}x{rows}-{n_frames}{suffix}"
    shown = pictures(rows, cols)
    if form == "mono8":
        with path.open("wb") as file:
            for number in order(n_frames):
                file.write(shown[number].tobytes())
    elif form == "tiff":
        path.mkdir()
        for index, number in enumerate(order(n_frames)):
            cv2.imwrite(
                str(path / f"f{index:07}.tif"), shown[number], [cv2.IMWRITE_TIFF_COMPRESSION, 1]
            )
    else:
        _write_video(path, form, pixels, shown, order(n_frames))
    return Subject(form, path, rows, cols, n_frames)


def _write_video(
    path: Path, form: str, pixels: str, shown: list[npt.NDArray[np.uint8]], numbers: Any
) -> None:
    rows, cols = shown[0].shape
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream(ENCODERS.get(form, form), rate=25)
        stream.width, stream.height, stream.pix_fmt = cols, rows, pixels
        stream.codec_context.gop_size = LONG_GOP
        if form == "h264":
            stream.options = {"preset": "veryfast"}
        if form == "hevc":
            stream.options = {"preset": "ultrafast", "x265-params": "log-level=error"}
        for index, number in enumerate(numbers):
            frame = av.VideoFrame.from_ndarray(shown[number], "gray").reformat(format=pixels)
            frame.pts, frame.time_base = index, Fraction(1, 25)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def look(way: str, subject: Subject, n_frames: int | None) -> int:
    """Look at a take, or at its first frames, in one way; return the bytes that were read."""
    if way == "file":
        return _read_file(subject)
    if way == "OpenCV":
        return _read_capture(subject, n_frames)
    if way == "absdiff":
        return _differ(subject)
    import flashpan  # what the others need not load

    last = None if n_frames is None else n_frames - 1
    if way == "decode":
        with flashpan.open_take(subject.path, raw=subject.raw) as reader:
            for frame in reader.frames():
                if frame.index == last:
                    break
            return reader.bytes_read
    shortest = way.removeprefix("shortest ") if way.startswith("shortest") else 1
    settings = flashpan.Settings.from_mapping(
        {"raw": subject.raw, "shortest_event": shortest, "last": last}
    )
    return flashpan.find(subject.path, settings).totals.bytes_read


def _read_file(subject: Subject) -> int:
    files = sorted(subject.path.iterdir()) if subject.path.is_dir() else [subject.path]
    total = 0
    for path in files:
        with path.open("rb", buffering=0) as file:
            while block := file.read(1 << 20):
                total += len(block)
    return total


def _read_capture(subject: Subject, n_frames: int | None) -> int:
    capture = cv2.VideoCapture(str(subject.path))
    n = 0
    while capture.read()[0]:
        n += 1
        if n == n_frames:
            break
    return subject.n_bytes


def _differ(subject: Subject) -> int:
    frames = np.memmap(subject.path, np.uint8, "r").reshape(-1, subject.rows, subject.cols)
    target = np.empty(frames.shape[1:], np.uint8)
    for one, other in pairwise(frames):
        cv2.absdiff(one, other, target)
    return subject.n_bytes


def measured(way: str, subject: Subject) -> Run:
    """Run one way in a process of its own."""
    if way == "ffmpeg":
        return _by_command(subject)
    asked = [subject.form, str(subject.path), subject.rows, subject.cols, subject.frames]
    command = [sys.executable, str(Path(__file__)), "--child", json.dumps([way, asked])]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{way} failed on {subject.path.name}: {done.stderr.strip()}")
    return Run(**json.loads(done.stdout))


def _by_command(subject: Subject) -> Run:
    command = ["ffmpeg", "-v", "error", "-nostdin", "-i", str(subject.path), "-an"]
    command += ["-vf", "select='gt(scene,0.4)'", "-f", "null", "-"]
    began = time.perf_counter()
    process = subprocess.Popen(command)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = status
    if status:
        raise SystemExit(f"ffmpeg failed on {subject.path.name}")
    cpu = used.ru_utime + used.ru_stime
    return Run(time.perf_counter() - began, cpu, used.ru_maxrss, subject.n_bytes)


def here(way: str, subject: Subject) -> Run:
    """Run one way in this process."""
    if way not in ("file", "absdiff"):
        look(way, subject, 2)
    began, cpu = time.perf_counter(), time.process_time()
    n_bytes = look(way, subject, None)
    seconds, cpu = time.perf_counter() - began, time.process_time() - cpu
    return Run(seconds, cpu, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, n_bytes)


def ways_of(subject: Subject) -> list[str]:
    """Ways of looking that make sense for a format; those of longer events last."""
    ways = ["decode", "find", "file"]
    if subject.form == "mono8":
        ways.append("absdiff")
    elif subject.form != "tiff":
        ways += ["OpenCV", "ffmpeg"]
    return [*ways, *(f"shortest {n}" for n in SHORTEST)]


def rows_of(subject: Subject, repeats: int) -> Iterator[dict[str, str]]:
    """Rows of the table for one take: medians of interleaved repeats."""
    ways = ways_of(subject)
    runs: dict[str, list[Run]] = {way: [] for way in ways}
    measured("file", subject)
    for _ in range(repeats):
        for way in ways:
            runs[way].append(measured(way, subject))

    def middle(of: Callable[[Run], float], way: str) -> float:
        return statistics.median(map(of, runs[way]))

    decoded = middle(lambda run: run.seconds, "decode")
    for way in ways:
        seconds = middle(lambda run: run.seconds, way)
        cpu = middle(lambda run: run.cpu, way)
        peak = statistics.median(run.peak_kib for run in runs[way]) / 1024
        share = statistics.median(run.bytes_read for run in runs[way]) / subject.n_bytes
        cells = (
            subject.form, way, f"{subject.frames / seconds:.0f}", f"{decoded / seconds:.2f}",
            f"{1e6 * cpu / subject.frames:.0f}", f"{peak:.0f}", f"{100 * share:.0f} %",
        )  # fmt: skip
        yield dict(zip(COLUMNS, cells, strict=True))


def scaling_rows(folder: Path, repeats: int) -> Iterator[dict[str, str]]:
    """Time of `find` by number of frames and by size of the picture, on raw pixels."""
    sizes = [(96, 128, n) for n in (1500, 6000, 24_000)]
    sizes += [(rows, cols, 600) for rows, cols in ((96, 128), (240, 320), (480, 640), (720, 1280))]
    for rows, cols, n_frames in sizes:
        subject = write("mono8", folder, rows, cols, n_frames)
        whole = statistics.median(measured("find", subject).cpu for _ in range(repeats))
        subject.path.unlink()
        yield {
            "size": f"{cols}x{rows}",
            "frames": str(n_frames),
            "CPU ms per frame": f"{1e3 * whole / n_frames:.3f}",
        }


def machine() -> str:
    """What the numbers were measured on."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        lines = info.read_text(encoding="utf-8").splitlines()
        model = next(
            (x.split(":", 1)[1].strip() for x in lines if x.startswith("model name")), model
        )
    load = os.getloadavg()[0]
    codecs = ".".join(map(str, av.library_versions["libavcodec"]))
    return (
        f"{len(os.sched_getaffinity(0))} cores ({model}), load {load:.1f} at the start; "
        f"Python {platform.python_version()}, NumPy {np.__version__}, OpenCV {cv2.__version__}, "
        f"PyAV {av.__version__}, libavcodec {codecs}"
    )


def shown(rows: Iterator[dict[str, str]]) -> list[dict[str, str]]:
    """Print rows as Markdown as they come."""
    kept: list[dict[str, str]] = []
    for row in rows:
        if not kept:
            print("| " + " | ".join(row) + " |", "|" + " --- |" * len(row), sep="\n")
        print("| " + " | ".join(row.values()) + " |", flush=True)
        kept.append(row)
    return kept


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").splitlines()[0],
        epilog="example: python benchmarks/speed.py --forms mjpeg,mono8 --size 320x180",
    )
    parser.add_argument("--forms", default=",".join(FORMS), metavar="FORMATS")
    parser.add_argument("--size", default="1280x720", metavar="WIDTHxHEIGHT")
    parser.add_argument("--frames", type=int, default=5000, metavar="N", help="of each take")
    parser.add_argument("--repeats", type=int, default=3, metavar="N")
    parser.add_argument("--csv", type=Path, metavar="FILE", help="write the rows there too")
    parser.add_argument("--scaling", action="store_true", help="frames and sizes instead")
    parser.add_argument("--child", help=argparse.SUPPRESS)
    args = parser.parse_args(words)
    if args.child:
        way, (form, path, rows, cols, n_frames) = json.loads(args.child)
        run = here(way, Subject(form, Path(path), rows, cols, n_frames))
        print(json.dumps(asdict(run)))
        return 0
    forms = args.forms.split(",")
    for form in forms:
        if form not in FORMS:
            parser.error(f"--forms {form}: choose from {', '.join(FORMS)}")
    cols, rows = (int(part) for part in args.size.split("x"))
    print(machine(), end="\n\n")
    found: list[dict[str, str]] = []
    with tempfile.TemporaryDirectory(prefix="speed-") as folder:
        if args.scaling:
            found = shown(scaling_rows(Path(folder), args.repeats))
        else:
            found = shown(_all_rows(forms, Path(folder), rows, cols, args.frames, args.repeats))
    if args.csv:
        with args.csv.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(found[0]))
            writer.writeheader()
            writer.writerows(found)
    return 0


def _all_rows(
    forms: Sequence[str], folder: Path, rows: int, cols: int, n_frames: int, repeats: int
) -> Iterator[dict[str, str]]:
    for form in forms:
        subject = write(form, folder, rows, cols, n_frames)
        yield from rows_of(subject, repeats)


if __name__ == "__main__":
    sys.exit(main())
