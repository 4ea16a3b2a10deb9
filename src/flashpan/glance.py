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
from collections.abc import Iterable
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
FAR, FARTHER = 16, 24
"""Samples between what is looked at and what it is held against; and where one of the two has to be
nearer, to the other."""
# Chance, over all places and halves, that white noise alone asks for a search.
_CHANCE, _CHANCE_TO_WAVER = 0.05, 0.01
# Noise units beyond which many tiles at once ask for one.
_POOLED = 4.0
# A tile says no more than this of its square, as in `flashpan.detectors.roi_motion`.
_CAP = 25.0
# Times what frames of a burst differ by up to which what bursts differ by is white noise; and times
# the noise of their pixels up to which the means of tiles may waver.
_WHITE_ENOUGH, _MOST_BEYOND = 2.0, 16.0
# Leeway, as a factor, where the spread of squares is none of white noise's: that of a codec.
_LEEWAY = 1.25
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
    early, late = before - FAR * stride, at + FAR * stride
    if early < part.start:
        late = at + FARTHER * stride
    if late > last:
        early = before - FARTHER * stride
    early, late = max(early, part.start), min(late, last)
    here = [min(max(frame - HALF, part.start), last) for frame in (before, at)]
    if early + BURST > here[0] or here[1] + BURST > late:
        return None
    first, second, one, other = (Span(n, n + BURST) for n in (*here, early, late))
    return Bursts((first, second), (one, other))


@dataclass(frozen=True, slots=True)
class _Pairs:
    """What frames differ by: mean squares of places, and the largest speck of every tile."""

    squares: list[Floats] = field(default_factory=list)
    specks: list[Floats] = field(default_factory=list)

    def add(self, tiles: Tiles, places: Places) -> None:
        """Note a frame's differences from the one before, of which it is no exact copy."""
        if tiles.has_previous and not tiles.is_copy:
            self.squares.append(places.gather(tiles.sq_diff))
            self.specks.append(tiles.speck)


@dataclass(frozen=True, slots=True)
class _Seen:
    """What was measured of the bursts, those of the references last."""

    means: tuple[list[Floats], ...] = field(default_factory=lambda: ([], [], [], []))
    halves: tuple[_Pairs, ...] = field(default_factory=lambda: tuple(_Pairs() for _ in range(4)))
    references: _Pairs = field(default_factory=_Pairs)

    @property
    def is_whole(self) -> bool:
        """Whether there is enough to tell anything."""
        pairs = (*self.halves, self.references)
        return len(self.means[-1]) == BURST and all(len(part.squares) >= HALF for part in pairs)

    def means_of_halves(self) -> list[Floats]:
        """Means of every half, shape (frames, places), of the references last."""
        return [np.stack(part) for burst in self.means for part in (burst[:HALF], burst[HALF:])]


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
        wavering = special.chdtri(HALF - 1, _CHANCE_TO_WAVER / n_tests)
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
        if self._info.predicts_with_loss or len(self._grid.regions) > 1:
            return True  # noise that stands still; or regions that each may move by themselves
        seen = self._measured(*here, *there)
        if not seen.is_whole:
            return True
        means = seen.means_of_halves()
        halves, references = means[:4], means[4:]
        noise = self._noise(seen.references.squares, references)
        return (
            noise is None
            or self._departs(halves, references, noise)
            or self._wavers(halves, references, noise)
            or self._differs(seen.halves, seen.references)
            or self._has_specks(seen.halves, seen.references)
        )

    def _measured(self, *bursts: Iterable[Frame]) -> _Seen:
        """Means of the frames of every burst, and differences between those of two bursts."""
        seen, measurer = _Seen(), Measurer(self._info, self._grid)
        for number, (at_first, at_second, at_one, at_other) in enumerate(
            zip(*bursts, strict=False)
        ):
            half = number // HALF
            first, second, own = seen.halves[half], seen.halves[2 + half], seen.references
            steps: tuple[tuple[Frame, int | None, _Pairs], ...] = (
                (at_one, 2, own),
                (at_other, 3, own),
                (at_first, 0, first),
                (at_one, None, first),
                (at_second, 1, second),
                (at_other, None, second),
            )
            for frame, burst, pairs in steps:
                tiles = measurer.measure(frame)
                pairs.add(tiles, self._places)
                if burst is not None:
                    seen.means[burst].append(self._places.gather(tiles.mean))
        return seen

    def _noise(self, squares: list[Floats], references: list[Floats]) -> Floats | None:
        """Variance of every place's mean in one frame, where it is white.

        That of its pixels (EMVA 1288: half the mean square of differences), times what tiles of
        the calmer reference waver by beyond that, as they do where a codec rounds every block.
        """
        rounding = self._info.least_step**2 / 12.0
        pixels = np.maximum(0.5 * np.mean(squares, axis=0), rounding) / self._places.n_px
        wavering = [half.var(axis=0, ddof=1) / pixels for half in references]
        typical = np.median([share[self._tiles] for share in wavering], axis=1)
        beyond = min(typical[:2].mean(), typical[2:].mean()) / _MEDIAN_VARIANCE
        return None if beyond > _MOST_BEYOND else np.asarray(pixels * max(1.0, beyond), np.float32)

    def _departs(self, halves: list[Floats], references: list[Floats], noise: Floats) -> bool:
        """Whether means differ, at one place or in many tiles."""
        means = [half.mean(axis=0) for half in references]
        pairs = [(one, other) for one in means[:2] for other in means[2:]]
        own = [((one - other) ** 2 / noise)[self._tiles] * (HALF / 2.0) for one, other in pairs]
        inflation = float(np.mean(np.median(own, axis=1))) / _MEDIAN_SQUARE
        if inflation > _WHITE_ENOUGH:
            return True
        spread = np.sqrt(max(1.0, inflation) * noise * (1.0 / HALF + 1.0 / BURST))
        for base in (0.5 * (means[0] + means[1]), 0.5 * (means[2] + means[3])):
            for half in halves:
                z = (half.mean(axis=0) - base) / spread
                if np.abs(z).max() > self._z or self._many(z**2, 1.0):
                    return True
        return False

    def _wavers(self, halves: list[Floats], references: list[Floats], noise: Floats) -> bool:
        """Whether means change from frame to frame within the eight, at one place or in many."""
        own = [self._pooled(half.var(axis=0, ddof=1) / noise) for half in references]
        usual = max(1.0, min(own[0] + own[1], own[2] + own[3]) / 2.0)
        most = _LEEWAY * self._wavering
        for half in halves:
            share = half.var(axis=0, ddof=1) / noise
            if share.max() > most or self._many(share, HALF - 1.0, usual):
                return True
        return False

    def _pooled(self, squares: Floats) -> float:
        """Mean over all tiles, of which none says more than it may."""
        return float(np.minimum(squares[self._tiles], _CAP).mean())

    def _many(self, squares: Floats, freedom: float, usual: float = 1.0) -> bool:
        """Whether tiles together are farther from what is usual than noise is."""
        error = math.sqrt(2.0 / (freedom * squares[self._tiles].size))
        return self._pooled(squares) > usual * (1.0 + _POOLED * error)

    def _differs(self, here: Iterable[_Pairs], there: _Pairs) -> bool:
        """Whether pixels differ more, or less, than among the reference frames."""
        usual = np.mean(there.squares, axis=0)
        if not usual.all():
            return True
        own = np.var(there.squares, axis=0, ddof=1) / usual**2
        for size in self._places.sizes:  # a codec's quality goes with the whole picture
            own[size] = np.median(own[size])
        for half in here:
            n_pairs = 1.0 / len(half.squares) + 1.0 / len(there.squares)
            far = _LEEWAY * self._z * usual * np.sqrt(own * _SHARED * n_pairs)
            if (np.abs(np.mean(half.squares, axis=0) - usual) > far).any():
                return True
        return False

    def _has_specks(self, here: Iterable[_Pairs], there: _Pairs) -> bool:
        """Whether a frame's largest speck is larger, in the mean of eight, than it is there."""
        usual = self._places.on_grid(np.mean(there.squares, axis=0)[self._tiles])
        sigma = np.sqrt(np.maximum(usual, self._info.least_step**2))

        def largest(pairs: _Pairs) -> float:
            return float(np.mean([(speck / sigma).max() for speck in pairs.specks]))

        least = _SPECK * largest(there)
        return any(largest(half) > least for half in here)
