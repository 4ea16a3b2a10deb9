"""How much of a long raw take does ``flashpan flag`` read, and does it find what a full scan finds?

    python benchmarks/flag.py [--frames N] [--shortest N] [--keep FILE]

Writes an invented take of 300,000 frames of 48 × 32 pixels (461 MB of grey noise) with four
events of 200 frames and more: a flash, a slow glow, a light that goes out, something small that
crosses the picture.  It is flagged with ``--shortest-event`` at 200 frames and then searched
whole.  Bytes are counted twice: by the program, and by the kernel (``rchar`` of
``/proc/self/io``, Linux only: all that was read through any file, so that Python's own files
count as well).
"""

from __future__ import annotations

import argparse
import tempfile
from fractions import Fraction
from pathlib import Path

import numpy as np

import flashpan
from flashpan.units import Duration

ROWS, COLS = 32, 48
_BLOCK = 5000
RAW = f"{COLS}x{ROWS}:Mono8"


def write_take(path: Path, n_frames: int) -> None:
    """Grey noise with four events, in blocks, so that memory does not grow with the take."""
    draw = np.random.default_rng(11)
    at = [n_frames * k // 5 for k in range(1, 5)]
    with path.open("wb") as file:
        for start in range(0, n_frames, _BLOCK):
            frames = np.arange(start, min(start + _BLOCK, n_frames))
            luma = draw.normal(60, 2, (len(frames), ROWS, COLS)).astype(np.float32)
            luma += lift(frames, at)
            file.write(np.clip(np.rint(luma), 0, 255).astype(np.uint8).tobytes())


def lift(frames: np.ndarray, at: list[int]) -> np.ndarray:
    """What the events add, shape (frames, rows, cols)."""
    added = np.zeros((len(frames), ROWS, COLS), np.float32)
    added[(frames >= at[0]) & (frames < at[0] + 220), 8:24, 12:36] = 40
    glow = np.clip(1 - np.abs(frames - at[1] - 150) / 150, 0, 1) * 25
    added[:, 0:16, 0:24] += glow[:, None, None]
    added[(frames >= at[2]) & (frames < at[2] + 300), 16:32, 24:48] = -20
    for place in np.flatnonzero((frames >= at[3]) & (frames < at[3] + 240)):
        left = 2 + int(frames[place] - at[3]) * (COLS - 10) // 240
        added[place, 14:18, left : left + 4] = 50
    return added


def read_so_far() -> int:
    """Bytes that this process has read through any file."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return int(dict(line.split(": ") for line in lines)["rchar"])


def main() -> None:
    """Write, flag, search whole, compare."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--frames", type=int, default=300_000)
    options.add_argument("--shortest", type=int, default=200)
    options.add_argument("--keep", type=Path, help="Write the take there and leave it.")
    asked = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        take = asked.keep or Path(folder, "take.raw")
        if not take.exists():
            write_take(take, asked.frames)
        compare(take, asked.shortest)


def compare(take: Path, shortest: int) -> None:
    """Flag and search one take, and print both."""
    size = take.stat().st_size
    settings = flashpan.Settings(raw=RAW, shortest_event=Duration(Fraction(shortest)))
    before = read_so_far()
    (flagged,) = flashpan.flag(take, settings).takes
    by_kernel = read_so_far() - before
    log = flagged.log
    print(f"take      {size:,} bytes, {log.take.n_frames:,} frames of {RAW}")
    print(f"flag      {log.totals.bytes_read:,} bytes read ({log.totals.bytes_read / size:.2%})")
    print(f"          {by_kernel:,} by the kernel's count ({by_kernel / size:.2%})")
    print(f"          took {log.totals.seconds:.1f} s")
    print(f"to copy   {flagged.n_bytes:,} bytes ({flagged.n_bytes / size:.2%})", flush=True)
    whole = flashpan.find(take, flashpan.Settings(raw=RAW))
    print(f"full scan {whole.totals.bytes_read:,} bytes read; took {whole.totals.seconds:.1f} s")
    for name, found in (("flag", log), ("full scan", whole)):
        events = [(event.onset, event.end, event.kind) for event in found.events]
        print(f"{name:9} {events} {[(kept.first, kept.last) for kept in found.ranges]}")
    print(difference(log, whole))


def difference(log: flashpan.EventLog, whole: flashpan.EventLog) -> str:
    """How the events of a sampled take differ from those of a full scan."""
    begun, all_begun = (
        [(event.onset, event.kind) for event in found.events] for found in (log, whole)
    )
    if begun != all_begun:
        return "DIFFERENT EVENTS"
    ends = [abs(one.end - two.end) for one, two in zip(log.events, whole.events, strict=True)]
    return f"same onsets and kinds; ends differ by {max(ends, default=0)} frames at most"


if __name__ == "__main__":
    main()
