"""Are three million frames searched in constant memory, and every event found to the frame?

    python benchmarks/scale.py [--frames 3000000] [--file FRAMES] [--size 32x24]

Frames of coarse noise are made on the fly and piped to ``flashpan find - --json``; every hundred
thousandth frame a square lights up for twenty.  ``--file N`` writes N of the same frames to a raw
file first, and searches that.  Printed: events found and how many begin and end at the frame
they should, seconds per million frames, and the peak resident set (``VmHWM``: Linux only)
after a hundredth of the take and at its end.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

PICTURES = 251
EVERY, FIRST, LASTS = 100_000, 50_000, 20
BLOCK = 1000
CHILD = "import sys; from flashpan.cli import main; sys.exit(main(sys.argv[1:]))"


def write_frames(out: Callable[[bytes], Any], rows: int, cols: int, n_frames: int) -> None:
    """Hand out the frames, block by block."""
    rng = np.random.default_rng(1)
    dark = np.clip(rng.normal(60.0, 4.0, (PICTURES, rows, cols)), 0, 255).astype(np.uint8)
    lit = dark.copy()
    lit[:, rows // 4 : rows // 2, cols // 4 : cols // 2] += 60
    number = 0
    for start in range(0, n_frames, BLOCK):
        frames = np.arange(start, min(start + BLOCK, n_frames))
        numbers = (number + np.cumsum(rng.integers(1, PICTURES, len(frames)))) % PICTURES
        number = int(numbers[-1])
        block = dark[numbers]
        happens = (frames - FIRST) % EVERY < LASTS
        happens &= frames >= FIRST
        block[happens] = lit[numbers[happens]]
        out(block.tobytes())


def peak_mib(pid: int) -> float:
    """Highest resident set of a process so far."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    found = re.search(r"VmHWM:\s*(\d+)", status)
    return int(found[1]) / 1024 if found else 0.0


def search(source: str, rows: int, cols: int, n_frames: int) -> None:
    """Search a pipe or a file, and print what came of it."""
    command = [sys.executable, "-c", CHILD, "find", source, "--json"]
    command += ["--raw", f"{cols}x{rows}:Mono8", "--merge-gap", "40"]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    peaks: list[float] = []
    texts: list[bytes] = []
    to, back = process.stdin, process.stdout
    assert to is not None
    assert back is not None
    listening = threading.Thread(target=lambda: texts.append(back.read()))
    listening.start()
    began = time.monotonic()
    if source == "-":
        n_written = 0

        def out(block: bytes) -> None:
            nonlocal n_written
            to.write(block)
            n_written += len(block) // (rows * cols)
            if n_written >= n_frames // 100 or n_written == n_frames:
                peaks.append(peak_mib(process.pid))

        write_frames(out, rows, cols, n_frames)
    to.close()
    while listening.is_alive():
        listening.join(1.0)
        try:
            peaks.append(peak_mib(process.pid))
        except OSError:
            break
    if process.wait():
        raise SystemExit("find failed")
    seconds = time.monotonic() - began
    _report(json.loads(texts[0]), n_frames, seconds, [peak for peak in peaks if peak])


def _report(log: dict[str, Any], n_frames: int, seconds: float, peaks: Sequence[float]) -> None:
    true = [(at, at + LASTS - 1) for at in range(FIRST, n_frames, EVERY)]
    onsets = {event["onset"] for event in log["events"]}
    # The difference back to dark is in the frame after the last lit one.
    ends = {event["end"] - late for event in log["events"] for late in (0, 1)}
    print(f"frames    {log['totals']['frames']} of {n_frames}")
    print(
        f"events    {len(log['events'])} of {len(true)}; onset exact in "
        f"{sum(onset in onsets for onset, _ in true)}, end in {sum(end in ends for _, end in true)}"
    )
    print(f"time      {seconds:.0f} s, {1e6 * seconds / n_frames:.0f} s per million frames")
    print(f"memory    {peaks[0]:.1f} MiB early, {max(peaks):.1f} MiB at most")


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").splitlines()[0],
        epilog="example: python benchmarks/scale.py --frames 300000",
    )
    parser.add_argument("--frames", type=int, default=3_000_000, metavar="N", help="of the pipe")
    parser.add_argument("--file", type=int, default=0, metavar="N", help="of a file, instead")
    parser.add_argument("--size", default="32x24", metavar="WIDTHxHEIGHT")
    args = parser.parse_args(words)
    cols, rows = (int(part) for part in args.size.split("x"))
    if not args.file:
        search("-", rows, cols, args.frames)
        return 0
    with tempfile.TemporaryDirectory(prefix="scale-") as folder:
        path = Path(folder) / "take.raw"
        with path.open("wb") as file:
            write_frames(file.write, rows, cols, args.file)
        search(str(path), rows, cols, args.file)
    return 0


if __name__ == "__main__":
    sys.exit(main())
