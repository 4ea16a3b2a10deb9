"""FFmpeg's own filters for comparison: `scdet` (scene changes) and `freezedetect`.

Both are general-purpose filters that people reach for.  Frames go once through the `ffmpeg`
command, as they were read, at the playback rate, with the filters' documented defaults:
a scene change from a score of 10 (of 100) on; a freeze where the mean absolute difference
stays below -60 dB (0.001 of full scale) for 2 s of playback, 50 frames.

*Scene changes*: every frame that `scdet` marks.  *Freezes*: all that is not frozen; from the
frame that ends a freeze (or from the first) to the one that begins the next (or the last).
Either way what lies within the merge gap is one event.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from flashpan.ranges import Span, inclusive, merge

COMMAND = "ffmpeg"
RATE = 25
FILTERS = "scdet=threshold=10,freezedetect=n=-60dB:d=2,metadata=mode=print:file=-"
_FRAME = re.compile(r"frame:(\d+)\s")
_ENTRY = re.compile(r"lavfi\.(scd\.time|freezedetect\.freeze_(?:start|end))=([\d.]+)")


def is_installed() -> bool:
    """Whether the command is there."""
    return shutil.which(COMMAND) is not None


@dataclass(frozen=True, slots=True)
class Marks:
    """Frames that the filters name: scene changes, freezes' first frames, frames that end one."""

    changes: tuple[int, ...]
    frozen: tuple[int, ...]
    thawed: tuple[int, ...]


class FilterRun:
    """One run of the command, fed frame by frame."""

    def __init__(self, shape: tuple[int, int], bit_depth: int) -> None:
        rows, cols = shape
        self.n_frames = 0
        self._dtype = np.dtype("u1" if bit_depth == 8 else "<u2")
        pixels = "gray" if bit_depth == 8 else f"gray{bit_depth}le"
        given = ["-f", "rawvideo", "-pix_fmt", pixels, "-s", f"{cols}x{rows}", "-r", str(RATE)]
        command = [COMMAND, "-v", "error", "-nostdin", "-threads", "1", "-filter_threads", "1"]
        command += [*given, "-i", "pipe:0", "-vf", FILTERS, "-f", "null", "-"]
        # Into files: a pipe that nobody empties would stop the command.
        self._files = ExitStack()
        printed, errors = (
            self._files.enter_context(tempfile.TemporaryFile())  # noqa: SIM115 (closed by finish)
            for _ in range(2)
        )
        self._printed: IO[bytes] = printed
        self._errors: IO[bytes] = errors
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=self._printed, stderr=self._errors
        )

    def look(self, luma: npt.NDArray[Any]) -> None:
        """Take in a frame."""
        assert self._process.stdin is not None
        self._process.stdin.write(np.ascontiguousarray(luma, self._dtype).data)
        self.n_frames += 1

    def finish(self) -> Marks:
        """Wait for the command and return what it printed."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        status = self._process.wait()
        self._printed.seek(0)
        self._errors.seek(0)
        with self._files:
            if status:
                raise RuntimeError(f"{COMMAND}: {self._errors.read().decode(errors='replace')}")
            return read_marks(self._printed.read().decode())


def read_marks(printed: str) -> Marks:
    """Read what the metadata filter prints."""
    frame = 0
    changes, frozen, thawed = [], [], []
    for line in printed.splitlines():
        if (counted := _FRAME.match(line)) is not None:
            frame = int(counted[1])
        elif (entry := _ENTRY.match(line)) is not None:
            if entry[1] == "scd.time":
                changes.append(frame)
            elif entry[1].endswith("start"):
                # Printed once the freeze is long enough; its value says when it began.
                frozen.append(round(float(entry[2]) * RATE))
            else:
                thawed.append(round(float(entry[2]) * RATE))
    return Marks(tuple(changes), tuple(frozen), tuple(thawed))


def change_events(marks: Marks, merge_gap_frames: int) -> list[tuple[int, int]]:
    """Return first and last frame of each event by scene changes."""
    return _joined([Span(t, t + 1) for t in marks.changes], merge_gap_frames)


def freeze_events(marks: Marks, n_frames: int, merge_gap_frames: int) -> list[tuple[int, int]]:
    """Return first and last frame of each stretch between freezes."""
    begins = [0, *marks.thawed]
    ends = [*marks.frozen, n_frames - 1][: len(begins)]
    spans = [Span(a, b + 1) for a, b in zip(begins, ends, strict=True) if b > a or a > 0]
    return _joined(spans, merge_gap_frames)


def _joined(spans: Sequence[Span], merge_gap_frames: int) -> list[tuple[int, int]]:
    return [inclusive(span) for span in merge(spans, merge_gap_frames)]
