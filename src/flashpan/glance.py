"""A glance at where a sample stands out: do the frames around it stand out too?

What lasts for the shortest event's length and shows in a sample is in the eight frames before it or
in the eight after it, all of them.  Noise is not.  Two bursts of frames, around the sample and
around the one before, are therefore held against two others from far before and far after, in all
that detectors look at: the mean of every place (tile, block of tiles, window), how much it wavers
within the eight, how much pixels differ, the largest change of three by three of them, and many
tiles at once.  Means of eight frames show what single frames only hint at, so that a fainter event
is seen here than in a search; what is no more than white noise is not searched.

Every doubt speaks for a search: where the reference bursts differ from each other, as in a scene
that drifts, wanders or is predicted from keyframes, noise is not known, and the answer is yes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from scipy import special

from flashpan.detectors.noise import Floats
from flashpan.detectors.places import Places
from flashpan.grid import Grid
from flashpan.measure import Measurer
from flashpan.model import Frame, TakeInfo, Tiles
from flashpan.ranges import Span

HALF = 8
"""Frames on each side of a sample."""
BURST = 2 * HALF
LEAST_STRIDE = 2 * HALF
"""Frames from sample to sample from which one half of a burst must lie in what lasts."""
# Samples between what is looked at and what it is held against, and where one of the two is nearer.
_FAR, _FARTHER = 16, 24
# Chance, over all places and halves, that white noise alone asks for a search.
_CHANCE = 0.05
# Noise units beyond which many tiles at once ask for one.
_POOLED = 4.0
# A tile says no more than this of its square, as in `flashpan.detectors.roi_motion`.
_CAP = 25.0
# Times white noise's variance up to which the reference bursts' own is believed.
_WHITE_ENOUGH = 2.0
# Times the usual largest speck from which there is another.
_SPECK = 1.08
# Median of a squared unit normal; and of the variance of eight, as a share of what it estimates.
_MEDIAN_SQUARE = float(special.chdtri(1, 0.5))
_MEDIAN_VARIANCE = float(special.chdtri(HALF - 1, 0.5)) / (HALF - 1)
# Successive differences share a frame: a mean of them is that much more uncertain.
_SHARED = 1.5


@dataclass(frozen=True, slots=True)
class Bursts:
    """Where to look: ``here`` around two samples, ``there`` far before and far after."""

    here: tuple[Span, Span]
    there: tuple[Span, Span]


def bursts_around(before: int, at: int, stride: int, part: Span) -> Bursts | None:
    """Bursts around a sample and the one before it; None where they cannot be had.

    Parameters
    ----------
    before, at : int
        Frames that the two samples are.
    stride : int
        Frames between samples.
    part : Span
        Frames of the take that are looked at.
    """
    if stride < LEAST_STRIDE:
        return None
    last = part.stop - BURST
    early, late = before - _FAR * stride, at + _FAR * stride
    if early < part.start:
        late = at + _FARTHER * stride
    if late > last:
        early = before - _FARTHER * stride
    early, late = max(early, part.start), min(late, last)
    here = [min(max(frame - HALF, part.start), last) for frame in (before, at)]
    if early + BURST > here[0] or here[1] + BURST > late:
        return None
    first, second, one, other = (Span(n, n + BURST) for n in (*here, early, late))
    return Bursts((first, second), (one, other))


@dataclass(slots=True)
class _Seen:
    """What was measured of frames: means of places, and of pairs their differences."""

    means: list[Floats] = field(default_factory=list)
    squares: list[Floats] = field(default_factory=list)
    specks: list[Floats] = field(default_factory=list)

    def add_pair(self, tiles: Tiles, places: Places) -> None:
        self.squares.append(places.gather(tiles.sq_diff))
        self.specks.append(tiles.speck)


class Glance:
    """Frames of four bursts, held against each other.

    Parameters
    ----------
    info : TakeInfo
        The take.
    grid : Grid
        Where its tiles lie.
    """

    def __init__(self, info: TakeInfo, grid: Grid) -> None:
        self._info, self._grid = info, grid
        self._places = Places(grid)
        self._tiles = self._places.sizes[0]
        n_tests = self._places.n * 4.0 * 2.0
        self._z = float(special.ndtri(1.0 - _CHANCE / n_tests / 4.0))
        wavering = special.chdtri(HALF - 1, _CHANCE / n_tests)
        self._wavering = float(wavering) / (HALF - 1)

    def shows(
        self,
        here: tuple[Iterable[Frame], Iterable[Frame]],
        there: tuple[Iterable[Frame], Iterable[Frame]],
    ) -> bool:
        """Whether something lasts here that is not there, as far as white noise can be told.

        Parameters
        ----------
        here, there : tuple of iterables of Frame
            Bursts of `BURST` frames each; where one has fewer, the answer is yes.
        """
        if len(self._grid.regions) > 1:  # each of which may move by itself
            return True
        seen = self._measured(*here, *there)
        if len(seen[0].means) < BURST:
            return True
        first, second, one, other = seen
        halves = [part for burst in (first, second) for part in _halves(burst)]
        references = [*_halves(one), *_halves(other)]
        variance = self._pixel_noise(one.squares)
        return (
            self._departs(halves, references, variance)
            or self._wavers(halves, references, variance)
            or self._differs([first, second], one.squares)
            or self._has_specks([first, second], one)
        )

    def _measured(self, *bursts: Iterable[Frame]) -> tuple[_Seen, _Seen, _Seen, _Seen]:
        """Means of each burst, and pairs of frames from here and there.

        Pairs of reference frames are in the third.
        """
        first, second, one, other = (_Seen() for _ in range(4))
        measurer = Measurer(self._info, self._grid)
        for at_first, at_second, at_one, at_other in zip(*bursts, strict=False):
            steps: Iterator[tuple[Frame, _Seen | None, _Seen]] = iter(
                (
                    (at_one, one, one),
                    (at_other, other, one),
                    (at_first, first, first),
                    (at_one, None, first),
                    (at_second, second, second),
                    (at_other, None, second),
                )
            )
            for frame, burst, pairs in steps:
                tiles = measurer.measure(frame)
                if burst is not None:
                    burst.means.append(self._places.gather(tiles.mean))
                if tiles.has_previous:
                    pairs.add_pair(tiles, self._places)
        return first, second, one, other

    def _pixel_noise(self, squares: list[Floats]) -> Floats:
        """Variance of every place's mean in one frame (EMVA 1288: half the mean square)."""
        rounding = self._info.least_step**2 / 12.0
        white = np.maximum(0.5 * np.mean(squares, axis=0), rounding) / self._places.n_px
        return np.asarray(white, np.float32)

    def _departs(self, halves: list[Floats], references: list[Floats], variance: Floats) -> bool:
        """Whether means differ, at one place or in many tiles."""
        means = [half.mean(axis=0) for half in references]
        pairs = [(one, other) for one in means[:2] for other in means[2:]]
        own = [(one - other)[self._tiles] ** 2 for one, other in pairs]
        own = [square / (variance[self._tiles] * (2.0 / HALF)) for square in own]
        inflation = float(np.mean(np.median(own, axis=1))) / _MEDIAN_SQUARE
        if inflation > _WHITE_ENOUGH:
            return True
        noise = np.sqrt(max(1.0, inflation) * variance * (1.0 / HALF + 1.0 / BURST))
        for base in (0.5 * (means[0] + means[1]), 0.5 * (means[2] + means[3])):
            for half in halves:
                z = (half.mean(axis=0) - base) / noise
                if np.abs(z).max() > self._z or self._many(z[self._tiles] ** 2, 1.0):
                    return True
        return False

    def _wavers(self, halves: list[Floats], references: list[Floats], variance: Floats) -> bool:
        """Whether means change from frame to frame within the eight, at one place or in many."""
        own = [half.var(axis=0, ddof=1) / variance for half in references]
        typical = np.median([square[self._tiles] for square in own], axis=1)
        inflation = float(np.mean(typical)) / _MEDIAN_VARIANCE
        if inflation > _WHITE_ENOUGH:
            return True
        for half in halves:
            share = half.var(axis=0, ddof=1) / variance / max(1.0, inflation)
            if share.max() > self._wavering or self._many(share[self._tiles], HALF - 1.0):
                return True
        return False

    def _many(self, squares: Floats, freedom: float) -> bool:
        """Whether tiles together are farther from 1 than noise is, each of them capped."""
        excess = float(np.minimum(squares, _CAP).mean()) - 1.0
        return excess > _POOLED * math.sqrt(2.0 / (freedom * squares.size))

    def _differs(self, here: list[_Seen], there: list[Floats]) -> bool:
        """Whether pixels differ more, or less, than among the reference frames."""
        usual = np.mean(there, axis=0)
        if not usual.all():
            return True
        relative = float(np.median((np.var(there, axis=0, ddof=1) / usual**2)[self._tiles]))
        n_px = self._places.n_px
        relative *= float(np.median(n_px[self._tiles])) * _SHARED
        noise = usual * np.sqrt(relative / n_px * (1.0 / BURST + 1.0 / len(there)))
        middle = len(there) // 2
        own = np.mean(there[:middle], axis=0) - np.mean(there[middle:], axis=0)
        twice = noise * math.sqrt((2.0 / middle) / (1.0 / BURST + 1.0 / len(there)))
        inflation = float(np.median(((own / twice) ** 2)[self._tiles])) / _MEDIAN_SQUARE
        if inflation > _WHITE_ENOUGH:
            return True
        for burst in here:
            for half in (burst.squares[:BURST], burst.squares[BURST:]):
                z = (np.mean(half, axis=0) - usual) / (noise * math.sqrt(max(1.0, inflation)))
                if np.abs(z).max() > self._z:
                    return True
        return False

    def _has_specks(self, here: list[_Seen], there: _Seen) -> bool:
        """Whether a frame's largest speck is larger, in the mean of eight, than it is there."""
        usual = self._places.on_grid(np.mean(there.squares, axis=0)[self._tiles])
        sigma = np.sqrt(np.maximum(usual, self._info.least_step**2))

        def largest(specks: list[Floats]) -> float:
            return float(np.mean([(speck / sigma).max() for speck in specks]))

        least = _SPECK * largest(there.specks)
        halves = [half for burst in here for half in (burst.specks[:BURST], burst.specks[BURST:])]
        return any(largest(half) > least for half in halves)


def _halves(seen: _Seen) -> tuple[Floats, Floats]:
    return np.stack(seen.means[:HALF]), np.stack(seen.means[HALF:])
