"""A tile's light against that of the tiles around it: what a cloud's shadow does not change.

The slow beginning of an event and the soft edge of a shadow rise alike in one tile.  But a
shadow dims the tiles around it by as large a part, and what moves there has edges.  Every
tile's light is divided by what it was at first; the median of that ratio over five by five
tiles is what they share.
"""

from __future__ import annotations

import cv2
import numpy as np

from flashpan.detectors.noise import Flags, Floats, Indices
from flashpan.detectors.places import Places
from flashpan.kernels.surroundings import beyond_border, unshared, widened_ratio

_AROUND = 5
_REACH = _AROUND // 2
# Share of the tiles around a place that must count for their median to.
_SOME = 1.0 / 3.0
# Light added to every tile's, in full scales: in the black a ratio means nothing.
_DARK = 0.002
# How many times as bright as the tiles around it a tile may be to change by all of their ratio:
# a lamp in the night would else show their noise, times as much.
_BRIGHTER = 8.0


class Surroundings:
    """Takes out of every place what its tiles share with those around them.

    Parameters
    ----------
    places : Places
        Where.
    level : ndarray, shape (places,)
        Light of every place at first.

    Attributes
    ----------
    has_any : bool
        False in pictures of fewer than five by five tiles.
    """

    def __init__(self, places: Places, level: Floats) -> None:
        self._places = places
        self._n_tiles = places.sizes[0].stop
        self._level = level[: self._n_tiles] + np.float32(_DARK)
        self._offset = np.zeros(places.n, np.float32)
        self._counted = places.on_grid(np.ones(places.n, bool))
        self._all_count = bool(self._counted.all())
        self.has_any = min(self._counted.shape) >= _AROUND
        self._trust = self._trusted(self._level)

    def step(self, step: Floats, light: Floats, counts: Flags) -> Floats:
        """Step that every place takes if it changes by as large a part as the tiles around it.

        Parameters
        ----------
        step, light : ndarray, shape (places,)
            What every place changed by, and its light; those of tiles matter.
        counts : ndarray of bool, shape (places,)
            Tiles that say something of their surroundings.

        Returns
        -------
        ndarray, shape (places,), float32
            For tiles the median over five by five of them, for larger places the mean of their
            tiles'; NaN where fewer than a third of the tiles count.  Pictures of fewer than five
            by five tiles have no surroundings, and get 0.
        """
        if not self.has_any:
            return np.zeros_like(step)
        tiles = slice(0, self._n_tiles)
        light = light[tiles] + np.float32(_DARK)
        part = step[tiles] / light
        trusted = light * self._trusted(light)
        if counts[tiles].all():
            return self._places.gather(self._grid(trusted * self._share(part)))
        part = _median_of_some(self._grid(part), self._places.on_grid(counts))[self._counted]
        known = np.isfinite(part)
        weight = self._places.gather(self._grid(known.astype(np.float32)))
        shared = self._places.gather(self._grid(np.where(known, trusted * part, np.float32(0.0))))
        with np.errstate(invalid="ignore", divide="ignore"):
            found = np.where(weight > _SOME, shared / weight, np.float32(np.nan))
        return found.astype(np.float32)

    def without_shared(self, sample: Floats, told: Floats | None = None) -> Floats:
        """What every place departs by from its first light as its surroundings have it now.

        Parameters
        ----------
        sample : ndarray, shape (places,)
            Light of every place.
        told : ndarray, shape (places,), optional
            Light that every place tells those around it, where that is another: what an event
            does to a tile is no light that is shared.

        Returns
        -------
        ndarray, shape (places,), float32
            0 where a place changes as its surroundings do.
        """
        if self.has_any and self._all_count:
            return self._without_shared(sample, sample if told is None else told)
        light = sample[: self._n_tiles] + np.float32(_DARK)
        shown = light if told is None else told[: self._n_tiles] + np.float32(_DARK)
        change = (self._share(shown / self._level) - np.float32(1.0)) * self._trust
        rest = light - self._level - self._level * change
        return self._places.gather(self._grid(rest)) - self._offset

    def _without_shared(self, sample: Floats, told: Floats) -> Floats:
        """The same where all tiles count and have surroundings, which is the usual case."""
        rows, cols = self._counted.shape
        wide = np.empty((rows + 2 * _REACH, cols + 2 * _REACH), np.float32)
        rest, dark = np.empty((rows, cols), np.float32), np.float32(_DARK)
        widened_ratio(told, dark, self._level, _REACH, wide)
        around = np.asarray(cv2.medianBlur(wide, _AROUND), np.float32)
        unshared(sample, dark, self._level, around, _REACH, self._trust, rest)
        return self._places.gather(rest) - self._offset

    def _trusted(self, light: Floats) -> Floats:
        """Part of the ratio around every tile by which it may be said to change, 0 … 1."""
        if not self.has_any:
            return np.ones_like(light)
        around = np.float32(_BRIGHTER) * self._share(light)
        trusted: Floats = np.clip(around / light, np.float32(0.0), np.float32(1.0))
        return trusted

    def _share(self, ratio: Floats) -> Floats:
        """The median ratio around every tile; beyond the border light goes on as it does within."""
        if not self.has_any:
            return np.ones_like(ratio)
        grid = self._grid(ratio)
        if not self._all_count:
            grid[~self._counted] = np.median(ratio)
        middle = cv2.medianBlur(_beyond_border(grid), _AROUND)[_REACH:-_REACH, _REACH:-_REACH]
        return np.asarray(middle.ravel() if self._all_count else middle[self._counted])

    def _grid(self, values: Floats) -> Floats:
        if self._all_count:
            return values.astype(np.float32, copy=False).reshape(self._counted.shape)
        grid = np.zeros(self._counted.shape, np.float32)
        grid[self._counted] = values
        return grid

    def renew(self, places: Indices, light: Floats, told: Floats) -> None:
        """Take the present light of some places for normal; no other place is to notice.

        Parameters
        ----------
        places : ndarray of int
            Which.
        light, told : ndarray, shape (places,)
            Light of every place, and what each told those around it until now.
        """
        before = self.without_shared(light, told)
        tiles = places[places < self._n_tiles]
        now = light[: self._n_tiles] + np.float32(_DARK)
        others = np.delete(now / self._level, tiles)
        self._level[tiles] = now[tiles] / np.float32(np.median(others) if len(others) else 1.0)
        self._trust = self._trusted(self._level)
        self._offset += self.without_shared(light) - before
        self._offset[places] += before[places]


def _beyond_border(grid: Floats) -> Floats:
    """The grid and what lies beyond it, where light goes on as it does within.

    `numpy.pad` with ``mode="reflect", reflect_type="odd"`` gives the same.
    """
    rows, cols = grid.shape
    wide = np.empty((rows + 2 * _REACH, cols + 2 * _REACH), np.float32)
    wide[_REACH:-_REACH, _REACH:-_REACH] = grid
    beyond_border(wide, _REACH)
    return wide


def _median_of_some(grid: Floats, counts: Flags) -> Floats:
    """Median of five by five tiles, of those that count; NaN where too few do."""
    known = np.where(counts, grid, np.float32(np.nan))
    around = np.lib.stride_tricks.sliding_window_view(
        np.pad(known, _REACH, mode="reflect"), (_AROUND, _AROUND)
    ).reshape(*grid.shape, -1)
    n_known = np.isfinite(around).sum(axis=-1)
    ordered = np.sort(around, axis=-1)  # what does not count comes last
    middle = np.maximum(n_known - 1, 0) // 2
    found = np.take_along_axis(ordered, middle[..., None], axis=-1)[..., 0]
    return np.where(n_known > _SOME * _AROUND**2, found, np.float32(np.nan))
