"""Sums and extremes of the pixels of every tile, by compiled loops.

All sums are exact.  Whatever room the loops need is taken once for a take: new memory would
cost as much as the work.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from flashpan.grid import Grid
from flashpan.kernels.pixels import add_tiles, find_extremes

Pixels = npt.NDArray[Any]

# What holds a line of sums of pixels, of their absolute and of their squared differences.
_LINES: dict[Any, tuple[type, type, type]] = {
    np.dtype(np.uint8): (np.uint16, np.uint16, np.uint32),
    np.dtype(np.uint16): (np.uint32, np.uint32, np.uint64),
}
# Bits of the fraction of a level, and of the largest change that is told in them.
_FRACTION_BITS = 24
_NO_CAP = float(1 << 16)


class Strips:
    """Looks at the pixels of every tile; the results are overwritten by the next picture's.

    Parameters
    ----------
    grid : Grid
        Where the tiles lie.
    dtype : dtype
        Of the pixels: uint8 or uint16.

    Attributes
    ----------
    sums : ndarray, shape (3, tile_rows, tile_cols), uint64
        Sums of pixels, and of absolute and squared differences from the picture before.
    across, down : ndarray, shapes (tile_rows, tile_cols + 1) and (tile_rows + 1, tile_cols), uint64
        Sums of the pixels on both sides of the tiles' borders.
    largest, smallest : ndarray, shape (tile_rows, tile_cols), int16 or int32
        Extreme sums of 3 by 3 pixels' changes, in ``unit`` levels.
    unit : float
    """

    def __init__(self, grid: Grid, dtype: npt.DTypeLike) -> None:
        self._edges = grid.row_edges, grid.col_edges
        (rows, cols), width = grid.shape, int(grid.col_edges[-1])
        first, second, third = _LINES[np.dtype(dtype)]
        self._lines: tuple[Pixels, Pixels, Pixels] = (
            np.empty(width, first),
            np.empty(width, second),
            np.empty(width, third),
        )
        self.sums = np.zeros((3, rows, cols), np.uint64)
        self.across = np.zeros((rows, cols + 1), np.uint64)
        self.down = np.zeros((rows + 1, cols), np.uint64)
        # Of 8-bit pixels only whole levels count, so that 16 bits hold nine changes.
        self._is_deep = np.dtype(dtype) != np.uint8
        wide = np.int32 if self._is_deep else np.int16
        self._room = np.zeros((7, width + 2), wide)
        self.largest, self.smallest = np.zeros((rows, cols), wide), np.zeros((rows, cols), wide)
        self.unit = 1.0

    def add(self, luma: Pixels, before: Pixels) -> None:
        """Renew the sums; both arrays of the window's shape, contiguous."""
        add_tiles(luma, before, *self._edges, self._lines, self.sums, self.across, self.down)

    def find(self, luma: Pixels, before: Pixels, cap: float) -> None:
        """Renew the extremes, with single pixels' changes capped at so many levels."""
        limits = self._limits(cap)
        find_extremes(luma, before, *self._edges, limits, self._room, self.largest, self.smallest)

    def _limits(self, cap: float) -> Pixels:
        """How changes are cut, see `find_extremes`; sets the unit.

        A cap is a fraction of 24 bits at most; in units of its last bit nine of them fit into
        32 bits.
        """
        if not self._is_deep:
            return np.array([-int(cap), int(cap), 1, -int(cap), int(cap)], np.int16)
        cap = min(float(np.float32(cap)), _NO_CAP)
        bits = _FRACTION_BITS - math.frexp(cap)[1]
        self.unit = 2.0**-bits
        most, levels = int(cap * 2.0**bits), math.ceil(cap)
        return np.array([-levels, levels, 1 << bits, -most, most], np.int32)
