"""Regularity of time stamps: is the rate constant, and are frames missing?"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from statistics import median_low

_SAMPLE = 64
_COARSE_TICKS = 20
_NAMED_HOLES = 3
_EPSILON = 1e-9


class TimeStamps:
    """Follows the presentation time stamps of a take, in constant memory.

    A constant rate puts frame k at ``pts0 + k · interval``, rounded to whole ticks of the
    container's clock, so a stamp may be one tick off (Matroska's clock of 1 ms gives 40
    frames at 10,000 frames/s only five distinct stamps).  The stamps are consistent with a
    constant rate as long as some interval satisfies every such bound; each new stamp
    narrows what is left.  A jump by a whole number of intervals is a hole: frames the camera
    or a copy left out.  Anything else means that the rate varies.

    Parameters
    ----------
    ticks_per_frame : Fraction or None
        Interval the container states, in ticks.
    """

    def __init__(self, ticks_per_frame: Fraction | None) -> None:
        self._stated = ticks_per_frame
        self._sample: list[tuple[int, int]] = []
        self._low = self._high = 0.0
        self._slack = 1
        self._origin: tuple[int, int] | None = None
        self._last = (0, 0)
        self._irregular: int | None = None
        self._holes: list[tuple[int, int]] = []
        self._n_holes = self._n_stamps = 0

    def add(self, index: int, pts: int | None) -> None:
        """Take the stamp of frame ``index``; a frame without one is passed over."""
        if pts is None:
            return
        self._n_stamps += 1
        if self._origin is not None:
            self._follow(index, pts)
            return
        self._sample.append((index, pts))
        if len(self._sample) == _SAMPLE:
            self._settle()

    def report(self) -> tuple[bool, list[str]]:
        """Say whether the rate varies, and the warnings to give."""
        if self._origin is None and len(self._sample) > 2:
            self._settle()
        if self._irregular is not None or self._n_holes * 4 > self._n_stamps:
            first = self._irregular if self._irregular is not None else self._holes[0][0]
            return True, [f"time stamps are uneven from frame {first} on: variable frame rate"]
        return False, self._hole_warnings()

    def _hole_warnings(self) -> list[str]:
        notes = [f"time stamps skip about {n} frames after frame {k}" for k, n in self._holes]
        if self._n_holes > len(self._holes):
            notes.append(f"time stamps skip at {self._n_holes - len(self._holes)} more places")
        return notes

    def _settle(self) -> None:
        """Fix the bounds of the interval from the first stamps, then follow those too."""
        sample = self._sample
        gaps = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(sample)]
        typical = median_low(gaps)
        # On a coarse clock that fits the rate a tick is a frame: no rounding to allow for.
        coarse = self._stated == typical and typical < _COARSE_TICKS
        self._slack = 0 if coarse else 1
        self._low, self._high = typical - self._slack, typical + self._slack
        self._origin = self._last = sample[0]
        for index, pts in sample[1:]:
            self._follow(index, pts)
        self._sample = []

    def _follow(self, index: int, pts: int) -> None:
        assert self._origin is not None
        frames, ticks = index - self._origin[0], pts - self._origin[1]
        low = max(self._low, (ticks - self._slack) / frames)
        high = min(self._high, (ticks + self._slack) / frames)
        if low <= high + _EPSILON:
            self._low, self._high = low, high
        else:
            self._break(index, pts)
        self._last = (index, pts)

    def _break(self, index: int, pts: int) -> None:
        """Judge a stamp that no constant rate explains, and start over from it."""
        interval = max((self._low + self._high) / 2, _EPSILON)
        gap = pts - self._last[1]
        steps = round(gap / interval)
        skipped = steps - (index - self._last[0])
        low, high = self._low * steps, self._high * steps
        if skipped >= 1 and low - 2 * self._slack <= gap <= high + 2 * self._slack:
            self._n_holes += 1
            if len(self._holes) < _NAMED_HOLES:
                self._holes.append((self._last[0], skipped))
        elif self._irregular is None:
            self._irregular = index
        self._origin = (index, pts)
