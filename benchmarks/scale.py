"""Are three million frames searched in constant memory, and every event found to the frame?

    python benchmarks/scale.py [--frames 3000000] [--file FRAMES] [--shortest N] [--size 32x24]

Frames of coarse noise are made on the fly and piped to ``flashpan find - --json``; every hundred
thousandth frame a square lights up for twenty.  ``--file N`` writes N of the same frames to a raw
file first, and searches that; ``--shortest 20`` has it sampled.  Printed: events found and how many
begin and end at the frame they should, seconds and processor seconds per million frames, the peak
resident set (``VmHWM``: Linux only) after a hundredth of the take and at its end, and, of a pipe,
by how much the resident set grows per million frames once a tenth has passed: a straight line
through what it was after every thousandth of the take.
"""

from __future__ import annotations

import argparse
import json
import re
import resource
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


def memory_mib(pid: int, which: str) -> float:
    """Resident set of a process: ``VmHWM``, its highest so far, or ``VmRSS``, as it is."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    found = re.search(which + r":\s*(\d+)", status)
    return int(found[1]) / 1024 if found else 0.0


def growth(resident: Sequence[tuple[int, float]]) -> float:
    """MiB per million frames by which the resident set grows, by least squares."""
    frames, mib = np.array(resident).T
    return float(np.polyfit(frames / 1e6, mib, 1)[0])


def search(source: str, rows: int, cols: int, n_frames: int, shortest: int) -> None:
    """Search a pipe or a file, and print what came of it."""
    command = [sys.executable, "-c", CHILD, "find", source, "--json"]
    command += ["--raw", f"{cols}x{rows}:Mono8", "--merge-gap", "40"]
    command += ["--shortest-event", str(shortest)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    peaks: list[float] = []
    resident: list[tuple[int, float]] = []
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
                peaks.append(memory_mib(process.pid, "VmHWM"))
            if n_written >= n_frames // 10 and n_written % max(BLOCK, n_frames // 1000) == 0:
                resident.append((n_written, memory_mib(process.pid, "VmRSS")))

        write_frames(out, rows, cols, n_frames)
    to.close()
    while listening.is_alive():
        listening.join(1.0)
        try:
            peaks.append(memory_mib(process.pid, "VmHWM"))
        except OSError:
            break
    if process.wait():
        raise SystemExit("find failed")
    seconds = time.monotonic() - began
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    _report(json.loads(texts[0]), n_frames, seconds, used.ru_utime + used.ru_stime)
    kept = [peak for peak in peaks if peak]
    print(f"memory    {kept[0]:.1f} MiB early, {max(kept):.1f} MiB at most")
    if len(resident) > 2:
        print(f"growth    {growth(resident):+.2f} MiB per million frames")


def _report(log: dict[str, Any], n_frames: int, seconds: float, cpu: float) -> None:
    true = [(at, at + LASTS - 1) for at in range(FIRST, n_frames, EVERY)]
    onsets = {event["onset"] for event in log["events"]}
    # The difference back to dark is in the frame after the last lit one.
    ends = {event["end"] - late for event in log["events"] for late in (0, 1)}
    print(f"frames    {log['totals']['frames']} of {n_frames}")
    print(
        f"events    {len(log['events'])} of {len(true)}; onset exact in "
        f"{sum(onset in onsets for onset, _ in true)}, end in {sum(end in ends for _, end in true)}"
    )
    per_million = 1e6 / n_frames
    print(
        f"time      {seconds:.0f} s, {seconds * per_million:.0f} s per million frames, "
        f"{cpu * per_million:.0f} s of them the processor's"
    )
    read = log["totals"]["bytes_read"]
    print(f"read      {read} bytes")
    for warning in log["warnings"]:
        print(f"warning   {warning}")


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").splitlines()[0],
        epilog="example: python benchmarks/scale.py --frames 300000",
    )
    parser.add_argument("--frames", type=int, default=3_000_000, metavar="N", help="of the pipe")
    parser.add_argument("--file", type=int, default=0, metavar="N", help="of a file, instead")
    parser.add_argument("--shortest", type=int, default=1, metavar="N", help="event in frames")
    parser.add_argument("--size", default="32x24", metavar="WIDTHxHEIGHT")
    args = parser.parse_args(words)
    cols, rows = (int(part) for part in args.size.split("x"))
    if not args.file:
        search("-", rows, cols, args.frames, args.shortest)
        return 0
    with tempfile.TemporaryDirectory(prefix="scale-") as folder:
        path = Path(folder) / "take.raw"
        with path.open("wb") as file:
            write_frames(file.write, rows, cols, args.file)
        search(str(path), rows, cols, args.file, args.shortest)
    return 0


if __name__ == "__main__":
    sys.exit(main())
