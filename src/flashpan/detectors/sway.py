"""Takes out what a swaying camera does to the tiles: the whole picture shifts.

Where the picture moves by a fraction of a pixel, or a few, every tile's mean changes by its
own slopes times that one shift (optical flow's constraint, summed over tiles; Lucas & Kanade
1981, from memory).  The shift is fitted to all tiles, together with the light they share; it
counts only where parts all over the picture, each for itself, agree on it: what moves in the
picture is no sway of the camera, and a plain background cannot tell.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from flashpan.grid import Grid
from flashpan.kernels.ranks import middle_size
from flashpan.kernels.sway import (
    NO,
    UNSURE,
    departures,
    fit,
    follow,
    shift_explains,
    shifts_of_parts,
    without,
)
from flashpan.medians import is_median_among, is_median_below
from flashpan.model import Tiles

Doubles = npt.NDArray[np.float64]

# Frames that the reference is read from, and time constant with which it follows the scene.
_REFERENCE, _FOLLOW = 16, 256.0
# Parts of the picture, by rows and columns, that are asked; and the least number, and share of
# those that can tell, that must agree for sway to be seen; and the share to go on seeing it.
_PARTS = 3
_LEAST_AGREE, _MOST_AGREE, _STILL_AGREE = 3, 0.85, 0.65
# Shift beyond which slopes say nothing any more, and error of a part's shift from which it can
# tell, in pixels.
_MOST_PX, _TELLS_PX = 6.0, 0.5
# Error of the whole picture's shift beyond which it has too little in it to tell: in pixels, or
# as a share of a large shift.
_SURE_PX, _SURE_SHARE = 0.05, 0.05
# Noise units within which two shifts agree, and the share of the shift that slopes may err by.
_AGREE, _SLOPE_ERROR = 3.0, 0.15
# Frames without agreement after which sway must be seen anew.
_IN_DOUBT = 100
# Times the noise of pixels that tiles may scatter by beside the shift.
_MOST_SCATTER = 2.0
# Noise units that a part's shift must be at least for sway to be seen in the first place.
_AT_FIRST = 6.0
# Square of a slope's noise in units of the tile's, for tiles of 12 pixels: a border has a twelfth
# of them, and half of the slope is the reference's, which many frames have told.
_SLOPE_NOISE = 0.25 / 12.0
# Noise units beyond which a tile does something of its own, and fits.
_OWN, _FITS = 4.0, 4
# Noise units of the shift below which nothing is taken out; it comes in from there smoothly.
_LEAST_SHIFT = 5.0
# How fast the share that is taken out changes, per frame, and how fast it goes where parts
# disagree; the share from which the camera is known to sway, and the share that is none.
_TURN, _FORGET, _SWAYS, _LEAST_SHARE = 0.1, 0.01, 0.05, 0.0005
# Noise units by which tiles may change in a frame because sway is seen: that must be no event.
_EASE = 0.5
# Noise units by which a tile's reference may be asked to go further.
_REACH = 3.0
# What the power of terms is raised by, in parts of it and besides: equations have a solution then.
_RIDGE, _LEAST_POWER = 1e-9, 1e-12
# Parts by which a quick fit may differ from a careful one: over what the terms have that is their
# own, at least, and where it says nothing any more.
_QUICK, _QUICK_LEAST, _QUICK_MOST = 1e-8, 1e-6, 1e-2


class Stand:
    """Hands tiles on as a camera that stands still would have seen them.

    Parameters
    ----------
    grid : Grid
        Where the tiles lie.
    """

    def __init__(self, grid: Grid) -> None:
        self._counted = np.flatnonzero(grid.n_px.ravel() > 0)
        self._n_px = grid.n_px.ravel()[self._counted].astype(np.float64)
        rows, cols = grid.shape
        part = np.add.outer(
            np.arange(rows) * _PARTS // rows * _PARTS, np.arange(cols) * _PARTS // cols
        )
        self._part = part.ravel()[self._counted]
        self._waiting: list[Tiles] = []
        self._mean: Doubles | None = None
        self._slopes = np.zeros((2, 0))
        self._slopes_before = self._slopes
        self._power = np.zeros(0)
        # What the shift so far has done to every tile, and the shift in pixels.
        self._moved = np.zeros(len(self._n_px))
        self._shift = np.zeros(2)
        self._share = 0.0
        self._n_seen = self._n_in_doubt = 0

    def push(self, tiles: Tiles) -> Iterator[Tiles]:
        """Take the next frame's tiles; yield those that are ready."""
        if self._mean is not None:
            yield self._steadied(tiles)
            return
        self._waiting.append(tiles)
        if len(self._waiting) == _REFERENCE:
            yield from self.finish()

    def finish(self) -> Iterator[Tiles]:
        """Yield what waits."""
        waiting, self._waiting = self._waiting, []
        if not waiting or waiting[0].across.shape != waiting[0].mean.shape:
            yield from waiting
            return
        self._begin(waiting)
        for tiles in waiting:
            yield self._steadied(tiles)

    def _begin(self, waiting: list[Tiles]) -> None:
        """Take the first frames' mean for where the camera stands."""
        flat = self._flat
        self._mean = np.mean([flat(tiles.mean) for tiles in waiting], axis=0)
        self._slopes = np.mean([self._slopes_of(tiles) for tiles in waiting], axis=0)
        squares = [flat(tiles.sq_diff) for tiles in waiting if tiles.has_previous]
        self._power = np.median(squares, axis=0) if squares else np.full(len(self._n_px), 1e-6)

    def _flat(self, grid: npt.NDArray[np.float32]) -> Doubles:
        return grid.ravel()[self._counted].astype(np.float64)

    def _slopes_of(self, tiles: Tiles) -> Doubles:
        return np.stack([self._flat(tiles.across), self._flat(tiles.down)])

    def _steadied(self, tiles: Tiles) -> Tiles:
        """The frame without the shift of the whole picture, if there is one.

        The way there is gone in small steps, each by the slopes where it is gone: over some
        pixels the slopes change.
        """
        assert self._mean is not None
        self._n_seen += 1
        before = self._slopes_before if self._moved.any() else self._slopes
        n = len(self._n_px)
        now, terms, away, noise = np.empty((2, n)), np.empty((4, n)), np.empty(n), np.empty(n)
        grids = tiles.mean.ravel(), tiles.across.ravel(), tiles.down.ravel()
        n_within = departures(
            *(*grids, self._counted, self._n_px, self._mean, before, self._power),
            *(now, terms, away, noise, _REACH),
        )
        if not self._share and self._surely_stands(away, terms):
            is_calm = is_median_among(n_within, np.abs(away), _REACH)
            self._follow(away, now, tiles, noise, is_calm)
            self._slopes_before = now
            return tiles
        slopes = 0.5 * (before + now)
        away = self._flat(tiles.mean) - self._mean
        step, light, trust = self._fitted((away - self._moved) / noise, terms, noise)
        middle = 0.5 * (self._slopes + now) / noise
        if self._agree(self._shift + step, (away - light) / noise, middle, trust, noise):
            self._n_in_doubt = 0
            self._moved = self._moved + step @ slopes
            self._shift = self._shift + step
            size = float(np.sqrt(np.mean(np.square(self._moved / noise))))
            turn = min(_TURN, _EASE / max(size, 1e-12)) if self._n_seen > _REFERENCE else 1.0
            self._share += turn * (self._surety(middle, trust) - self._share)
        else:  # the camera is where it was, as far as anybody can tell
            self._n_in_doubt += 1
            self._share *= 1.0 - _FORGET
        if self._share < _LEAST_SHARE:
            self._moved, self._shift, self._share = np.zeros(n), np.zeros(2), 0.0
        self._slopes_before = now
        moved = self._share * self._moved
        away = (away - moved) / noise
        self._follow(away, now, tiles, noise, is_median_below(np.abs(away), _REACH))
        if not self._share:
            return tiles
        steady = tiles.mean.copy()
        steady.ravel()[self._counted] -= moved.astype(np.float32)
        right, down = (self._share * self._shift).tolist()
        return replace(tiles, mean=steady, shift=(right, down))

    def _surely_stands(self, away: Doubles, terms: Doubles) -> bool:
        """Whether there is no doubt that the camera, which stood, still does."""
        if not self._may_sway(away, terms):
            return True
        if self._may_agree(away, terms):
            return False
        self._n_in_doubt += 1
        return True

    def _may_sway(self, away: Doubles, terms: Doubles) -> bool:
        """Whether a shift would explain enough for parts of the picture to tell it: a first look.

        As `_fitted` with every tile trusted, and what it explains in noise units squared.
        """
        clearly = _LEAST_AGREE * _AT_FIRST**2
        answer = shift_explains(terms, away, _RIDGE, _LEAST_POWER, clearly)
        if answer != UNSURE:
            return answer != NO
        with_light, light = _explained(terms, away), _explained(terms[2:], away)
        return with_light - light > clearly

    def _may_agree(self, away: Doubles, terms: Doubles) -> bool:
        """Whether `_agree` may say so of a camera that stood: a quicker look.

        What `_fitted` and `_agree` do, but for the order in which sums are rounded; where it says
        no, that is so.
        """
        found, trust, rest = np.empty(4), np.empty(len(away)), np.zeros(len(away))
        reach = math.inf
        for _ in range(_FITS):
            own = fit(terms, away, reach, _RIDGE, _LEAST_POWER, trust, found, rest)
            reach = _OWN * max(1.0, 1.4826 * middle_size(rest))
            slack = max(_QUICK / own, _QUICK_LEAST)
            if not slack < _QUICK_MOST:
                return True
        size = math.hypot(*found[:2].tolist())
        if not 0.0 < size < _MOST_PX * (1.0 + slack):
            return not size > 0.0
        each, error = np.empty(_PARTS**2), np.empty(_PARTS**2)
        shifts_of_parts(
            *(terms, away, found, rest, reach, self._part, _SLOPE_NOISE, _MOST_SCATTER),
            *(each, error),
        )
        return _enough_may_agree(size, each.tolist(), error.tolist(), slack)

    def _fitted(
        self, away: Doubles, terms: Doubles, noise: Doubles
    ) -> tuple[Doubles, Doubles, Doubles]:
        """Shift in pixels, the light that is shared, and how far each tile is to be trusted.

        ``terms`` are what every tile does, in its noise, for a pixel's shift each way and for
        light that is shared, see `flashpan.kernels.sway.departures`.
        """
        trust = np.ones(len(away))
        for _ in range(_FITS):
            weighted = terms * trust
            found = _solved(weighted @ terms.T, weighted @ away)
            rest = np.abs(away - found @ terms)
            reach = _OWN * max(1.0, 1.4826 * middle_size(rest))
            trust = np.square(np.minimum(1.0, reach / np.maximum(rest, 1e-12)))
        return found[:2], (found[2:] @ terms[2:]) * noise, trust

    def _agree(
        self, shift: Doubles, away: Doubles, slopes: Doubles, trust: Doubles, noise: Doubles
    ) -> bool:
        """Whether parts of the picture, each for itself, went the same way."""
        size = float(np.hypot(*shift))
        if not 0.0 < size < _MOST_PX:
            return False
        along, away = self._beside_light(noise, trust, (shift / size) @ slopes, away)
        # Noise alone gives slopes too: they tell nothing.
        power = trust * (along * along - _SLOPE_NOISE)
        weight = np.maximum(np.bincount(self._part, power, _PARTS**2), 1e-30)
        each = np.bincount(self._part, trust * along * away, _PARTS**2) / weight
        # What passes through the picture, like snow, adds to the noise that pixels have; much
        # more of it is no noise any more, and speaks against sway.
        rest = np.square(away - each[self._part] * along)
        n_trusted = np.maximum(np.bincount(self._part, trust, _PARTS**2), 1.0)
        scatter = np.sqrt(np.bincount(self._part, trust * rest, _PARTS**2) / n_trusted)
        error = np.clip(scatter, 1.0, _MOST_SCATTER) / np.sqrt(weight)
        if np.square(1.0 / error).sum() < max(_SURE_PX, _SURE_SHARE * size) ** -2:
            return False
        sways = self._share > _SWAYS and self._n_in_doubt < _IN_DOUBT
        tells = error < min(size / (_AGREE if sways else _AT_FIRST), _TELLS_PX)
        reach = np.minimum(_AGREE * error + _SLOPE_ERROR * size, 0.5 * size)
        agrees = tells & (np.abs(each - size) < reach)
        n_agree, n_tell = int(np.count_nonzero(agrees)), int(np.count_nonzero(tells))
        if sways:
            return n_agree > 0 and n_agree >= _STILL_AGREE * n_tell
        return n_agree >= max(_LEAST_AGREE, _MOST_AGREE * n_tell) and _spans(agrees)

    def _beside_light(self, noise: Doubles, trust: Doubles, *values: Doubles) -> list[Doubles]:
        """What tiles do beside what a change of light does to their part of the picture.

        Where a part is no more than a slope, its shift and a change of light look alike.
        """
        assert self._mean is not None
        added, times = 1.0 / noise, self._mean / noise
        times = self._without(added, trust, times)
        return [self._without(times, trust, self._without(added, trust, v)) for v in values]

    def _without(self, term: Doubles, trust: Doubles, values: Doubles) -> Doubles:
        """Part by part, what is left of values when the term has explained what it can."""
        left = np.empty(len(values))
        without(term, trust, values, self._part, np.zeros((2, _PARTS**2)), left)
        return left

    def _surety(self, slopes: Doubles, trust: Doubles) -> float:
        """What share of a shift is taken out: hardly any of what noise may have made."""
        size = float(np.hypot(*self._shift))
        along = (self._shift / max(size, 1e-12)) @ slopes
        units = size * float(np.sqrt((trust * along * along).sum()))
        return 1.0 / (1.0 + (_LEAST_SHIFT / max(units, 1e-12)) ** 2)

    def _follow(
        self, away: Doubles, slopes: Doubles, tiles: Tiles, noise: Doubles, is_calm: bool
    ) -> None:
        """Let the reference go with the scene, by steps that no event can hurry."""
        assert self._mean is not None
        squares = tiles.sq_diff.ravel()
        follow(
            *(away, noise, slopes, squares, self._counted, _REACH, _FOLLOW, is_calm),
            *(self._mean, self._slopes, self._power),
        )


def _solved(normal: Doubles, right: Doubles) -> Doubles:
    """The least-squares solution; terms that are not there count for nothing."""
    diagonal = np.diag_indices(len(normal))
    normal[diagonal] = normal[diagonal] * (1.0 + _RIDGE) + _LEAST_POWER
    solution: Doubles = np.linalg.solve(normal, right).astype(np.float64, copy=False)
    return solution


def _explained(terms: Doubles, away: Doubles) -> float:
    """Sum of squares that a fit of the terms takes away."""
    right = terms @ away
    return float(right @ _solved(terms @ terms.T, right))


def _enough_may_agree(
    size: float, each: Sequence[float], error: Sequence[float], slack: float
) -> bool:
    """Whether parts of the picture may agree for the first time, all numbers erring by a share."""
    sure = sum(err**-2 for err in error) * (1.0 + slack) ** 2
    if sure < max(_SURE_PX, _SURE_SHARE * size) ** -2 * (1.0 - slack) ** 2:
        return False
    least = min(size / _AT_FIRST, _TELLS_PX)
    n_tell = n_agree = 0
    for shift, err in zip(each, error, strict=True):
        n_tell += err * (1.0 + slack) < least * (1.0 - slack)
        reach = min(_AGREE * err + _SLOPE_ERROR * size, 0.5 * size) + slack * size
        may_tell = err * (1.0 - slack) < least * (1.0 + slack)
        n_agree += may_tell and abs(shift - size) < reach + slack * (abs(shift) + reach)
    return n_agree >= max(_LEAST_AGREE, _MOST_AGREE * n_tell)


def _spans(parts: npt.NDArray[np.bool_]) -> bool:
    """Whether parts reach from one side of the picture to the other, in more than one row.

    Waves that run along the lower edge are no sway.
    """
    rows, cols = (set(at.tolist()) for at in np.nonzero(parts.reshape(_PARTS, _PARTS)))
    across = any({0, _PARTS - 1} <= sides for sides in (rows, cols))
    return across and min(len(rows), len(cols)) > 1
