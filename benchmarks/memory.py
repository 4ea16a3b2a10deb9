"""Does memory stay the same from two thousand frames to two hundred thousand?

    python benchmarks/memory.py [--quick] [--forms mjpeg,mono8]

Runs ``flashpan find`` in a process of its own on takes of the same picture and different
length, and prints the peak resident set of each and the ratio of long to short: 2,000 and
200,000 frames of 128 × 96 pixels, 200 and 2,000 frames of 1280 × 720.  The takes are 64
noise pictures over and over, written on the fly to a temporary folder (2.5 GB for the long
raw take) and deleted.  The peak is the kernel's high-water mark of the process itself
(``VmHWM``: Linux only), read as it exits.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

PICTURES = 64
SUFFIXES = {"mjpeg": ".mkv", "mono8": ".raw", "npy": ".npy"}
CHILD = """
import re, sys
from flashpan.cli import main
try:
    main(sys.argv[1:])
finally:
    with open("/proc/self/status") as status:
        print(re.search(r"VmHWM:\\s*(\\d+)", status.read())[1], file=sys.stderr)
"""


@dataclass(frozen=True, slots=True)
class Size:
    """Picture size and the two lengths compared."""

    rows: int
    cols: int
    short: int
    long: int


SIZES = (Size(96, 128, 2_000, 200_000), Size(720, 1280, 200, 2_000))


def pictures(rows: int, cols: int) -> list[npt.NDArray[np.uint8]]:
    rng = np.random.default_rng(1)
    noise = rng.normal(60.0, 3.0, (PICTURES, rows, cols))
    return list(np.clip(noise, 0, 255).astype(np.uint8))


def write_repeated(path: Path, form: str, rows: int, cols: int, n_frames: int) -> None:
    """Write a take of few pictures over and over."""
    if form == "mjpeg":
        _write_mjpeg(path, rows, cols, n_frames)
        return
    with path.open("wb") as file:
        if form == "npy":
            header = {"descr": "|u1", "fortran_order": False, "shape": (n_frames, rows, cols)}
            np.lib.format.write_array_header_1_0(file, header)
        blocks = [picture.tobytes() for picture in pictures(rows, cols)]
        for t in range(n_frames):
            file.write(blocks[t % PICTURES])


def _write_mjpeg(path: Path, rows: int, cols: int, n_frames: int) -> None:
    """Encode each picture once; its packet is written again and again."""
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("mjpeg", rate=25)
        stream.width, stream.height, stream.pix_fmt = cols, rows, "yuvj420p"
        packets = [bytes(packet) for packet in _encoded(stream, rows, cols)]
        for t in range(n_frames):
            packet = av.Packet(packets[t % PICTURES])
            packet.stream, packet.time_base = stream, Fraction(1, 25)
            packet.pts = packet.dts = t
            packet.is_keyframe = True
            container.mux(packet)


def _encoded(stream: Any, rows: int, cols: int) -> Iterator[Any]:
    for t, luma in enumerate(pictures(rows, cols)):
        grey = np.full((rows // 2, cols), 128, np.uint8)
        planes = np.ascontiguousarray(np.concatenate([luma, grey]))
        frame: Any = av.VideoFrame.from_ndarray(planes, "yuvj420p")
        frame.pts = t
        yield from stream.encode(frame)
    yield from stream.encode(None)


def peak_kib(path: Path, form: str, rows: int, cols: int) -> int:
    """Peak resident set of ``flashpan find`` on a take, KiB."""
    geometry = ["--raw", f"{cols}x{rows}:Mono8"] if form == "mono8" else []
    command = [sys.executable, "-c", CHILD, "find", str(path), *geometry]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"find failed on {path.name}: {done.stderr.strip()}")
    return int(done.stderr.split()[-1])


def measure(form: str, rows: int, cols: int, n_frames: int) -> int:
    """Write a take, search it, delete it; return the peak in KiB."""
    with tempfile.TemporaryDirectory(prefix="memory-") as folder:
        path = Path(folder) / f"take{SUFFIXES[form]}"
        write_repeated(path, form, rows, cols, n_frames)
        began = time.monotonic()
        peak = peak_kib(path, form, rows, cols)
        seconds = time.monotonic() - began
    print(
        f"{form:6} {cols}x{rows} {n_frames:>7} frames: {peak / 1024:7.1f} MiB  ({seconds:.0f} s)",
        flush=True,
    )
    return peak


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").splitlines()[0],
        epilog="example: python benchmarks/memory.py --quick --forms mjpeg",
    )
    parser.add_argument("--quick", action="store_true", help="a tenth of the long takes")
    parser.add_argument("--forms", default="mjpeg,mono8", help=f"of {', '.join(SUFFIXES)}")
    args = parser.parse_args(words)
    for form in args.forms.split(","):
        if form not in SUFFIXES:
            parser.error(f"--forms {form}: choose from {', '.join(SUFFIXES)}")
        for size in SIZES:
            n_long = size.long // 10 if args.quick else size.long
            n_short = min(size.short, n_long // 2)
            short = measure(form, size.rows, size.cols, n_short)
            long = measure(form, size.rows, size.cols, n_long)
            print(f"{form:6} {size.cols}x{size.rows} long to short: {long / short:.3f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
