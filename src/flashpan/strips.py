"""Exact sums and extremes of the pixels of every tile, in one pass over them.

Adding rows to rows is what processors are quick at: the pixels of a strip, one row of tiles,
are first joined into one row, and those few rows then by columns.  Large pictures go through
OpenCV's accumulators, row by row of all strips at once; for small ones the calls would cost more
than the work, and NumPy's reductions are used.  The results are the same to the bit: all sums
are of integers, and stay below what the type that holds them counts exactly.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from flashpan.grid import Grid

_SMALL_PX = 1 << 16
# Rows of so many 8-bit squares, and of so many 16-bit values, add up exactly in float32 (2**24).
_MOST_ROWS = 256

Pixels = npt.NDArray[Any]
Accumulate = Callable[[Pixels, Pixels], Any]


class Strips:
    """Adds up the pixels of every tile; one buffer per kind of sum.

    Parameters
    ----------
    grid : Grid
        Where the tiles lie.
    """

    def __init__(self, grid: Grid) -> None:
        *tops, last, stop = (int(edge) for edge in grid.row_edges)
        self._n_equal, self._last, self._stop = len(tops), last, stop
        self._height = last // len(tops) if tops else 0
        self._lefts = grid.col_edges[:-1]
        self._is_small = stop * int(grid.col_edges[-1]) < _SMALL_PX
        self._is_tall = max(self._height, stop - last) > _MOST_ROWS
        self._buffers: dict[Any, Pixels] = {}

    def sums(self, pixels: Pixels) -> Pixels:
        """Sum of the pixels of each tile.

        Parameters
        ----------
        pixels : ndarray, shape of the window, uint8 or uint16

        Returns
        -------
        ndarray, shape (tile_rows, tile_cols), uint64 or float64
            Exact.
        """
        if self._is_small or self._is_tall:
            return self._columns(np.add, self._reduced(np.add, pixels, np.dtype(np.uint32)))
        return self._columns(np.add, self._accumulated(cv2.accumulate, pixels, np.float32))

    def squares(self, pixels: Pixels) -> Pixels:
        """Sum of the squares of the pixels of each tile; as `sums`, and as exact."""
        is_deep = pixels.dtype != np.uint8
        if self._is_small or self._is_tall:
            squared = np.multiply(pixels, pixels, dtype=np.uint32 if is_deep else np.uint16)
            rows = self._reduced(np.add, squared, np.dtype(np.uint64 if is_deep else np.uint32))
        else:
            sums = np.float64 if is_deep else np.float32
            rows = self._accumulated(cv2.accumulateSquare, pixels, sums)
        return self._columns(np.add, rows)

    def largest(self, pixels: Pixels) -> Pixels:
        """Largest pixel of each tile, in their own type."""
        return self._columns(np.maximum, self._reduced(np.maximum, pixels, pixels.dtype))

    def smallest(self, pixels: Pixels) -> Pixels:
        """Smallest pixel of each tile, in their own type."""
        return self._columns(np.minimum, self._reduced(np.minimum, pixels, pixels.dtype))

    def _rows(self, kind: str, dtype: Any, width: int) -> Pixels:
        """A buffer for one row of numbers per strip, used again for every frame."""
        rows = self._buffers.get((kind, dtype))
        if rows is None:
            rows = self._buffers[kind, dtype] = np.empty((self._n_equal + 1, width), dtype)
        return rows

    def _reduced(self, way: np.ufunc, pixels: Pixels, dtype: np.dtype[Any]) -> Pixels:
        width = pixels.shape[1]
        rows = self._rows(way.__name__, dtype, width)
        if self._n_equal:
            equal = pixels[: self._last].reshape(self._n_equal, -1, width)
            way.reduce(equal, axis=1, out=rows[:-1], dtype=dtype)
        way.reduce(pixels[self._last : self._stop], axis=0, out=rows[-1], dtype=dtype)
        return rows

    def _accumulated(self, accumulate: Accumulate, pixels: Pixels, dtype: Any) -> Pixels:
        width = pixels.shape[1]
        rows = self._rows("accumulated", dtype, width)
        rows[:] = 0
        if self._n_equal:
            equal = pixels[: self._last].reshape(self._n_equal, -1, width)
            for line in range(self._height):
                accumulate(equal[:, line], rows[:-1])
        for line in range(self._last, self._stop):
            accumulate(pixels[line : line + 1], rows[-1:])
        return rows

    def _columns(self, way: np.ufunc, rows: Pixels) -> Pixels:
        """Join the columns of each tile; what may outgrow its type goes to a wider one."""
        wide = np.float64 if rows.dtype.kind == "f" else np.uint64
        dtype = wide if way is np.add else rows.dtype
        if self._is_small or len(self._lefts) == 1:
            joined: Pixels = way.reduceat(rows, self._lefts, axis=1, dtype=dtype)
            return joined
        upright, last = cv2.transpose(rows), int(self._lefts[-1])
        out = np.empty((len(self._lefts), len(rows)), dtype)
        equal = upright[:last].reshape(len(self._lefts) - 1, -1, len(rows))
        way.reduce(equal, axis=1, out=out[:-1], dtype=dtype)
        way.reduce(upright[last:], axis=0, out=out[-1], dtype=dtype)
        return np.ascontiguousarray(out.T)
