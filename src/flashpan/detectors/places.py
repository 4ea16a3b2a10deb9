"""Places: tiles, blocks of four by four tiles, and the whole window, in one flat vector.

A three-pixel projectile stands out in one tile, a faint glow over half the sky only in
the mean of many; judging all sizes at once finds both.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from flashpan.grid import Grid
from flashpan.kernels.gathering import gather
from flashpan.model import Extent

BLOCK = 4
NEAR = (2, 5)
"""Rows and columns of tiles on each side that are near: burnt-in text runs across."""
# Answers that are kept for those who ask the same of a frame.
_REMEMBERED = 4

T = TypeVar("T")


class Places:
    """The flat vector of places over a grid; empty (masked) tiles are left out.

    Attributes
    ----------
    n : int
        Places, of any size.
    n_px : ndarray, shape (n,), float64
        Pixels that count in each.
    sizes : tuple of slice
        Tiles, blocks (where there are several) and the window in the vector.
    """

    def __init__(self, grid: Grid) -> None:
        rows, cols = grid.shape
        self._tile_rows, self._tile_cols = rows, cols
        counts = grid.n_px.astype(np.float64)
        self._weights = counts
        self._row_starts = np.arange(0, rows, BLOCK)
        self._col_starts = np.arange(0, cols, BLOCK)
        blocks = self._block_sums(counts)
        self._sized = [counts]
        if blocks.size > 1 and blocks.size < counts.size:
            self._sized.append(blocks)
        if counts.size > 1:
            self._sized.append(counts.sum(keepdims=True))
        flat = np.concatenate([part.ravel() for part in self._sized])
        self._kept = np.flatnonzero(flat)
        self.n_px = flat[self._kept]
        self.n, self._n_flat = len(self._kept), len(flat)
        self._n_tiles = int(np.count_nonzero(counts))
        counts_kept = [int(np.count_nonzero(part)) for part in self._sized]
        stops = np.cumsum(counts_kept)
        self.sizes = tuple(
            slice(int(stop) - n, int(stop)) for stop, n in zip(stops, counts_kept, strict=True)
        )
        self._extents = self._all_extents()[self._kept]
        self._block_px = self._sized[1] if len(self._sized) == 3 else np.zeros((0, 0))
        self._all_kept = len(self._kept) == len(flat)
        self._asked: list[tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]] = []
        self._once: tuple[npt.NDArray[np.float32], Any, Any] | None = None

    def _block_sums(self, grid: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        rows = np.add.reduceat(grid, self._row_starts, axis=0)
        return np.add.reduceat(rows, self._col_starts, axis=1)

    def gather(self, tiles: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Mean of a tile statistic over every place, shape (n,), float32."""
        flat = np.empty(self._n_flat, np.float32)
        gather(tiles, self._weights, BLOCK, self._block_px, flat)
        return flat if self._all_kept else flat[self._kept]

    def of_frame(self, tiles: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """`gather` of a statistic of the present frame, which several detectors ask for.

        The last few answers are remembered, and are read-only.
        """
        for asked, answer in self._asked:
            if asked is tiles:
                return answer
        answer = self.gather(tiles)
        answer.setflags(write=False)
        self._asked = [(tiles, answer), *self._asked[: _REMEMBERED - 1]]
        return answer

    def once(self, tiles: npt.NDArray[np.float32], key: Any, answer: Callable[[], T]) -> T:
        """What several detectors work out of a statistic of the present frame, worked out once.

        ``key`` tells apart what is asked; what is answered must not be written to.
        """
        if self._once is None or self._once[0] is not tiles or self._once[1] != key:
            self._once = tiles, key, answer()
        found: T = self._once[2]
        return found

    def tiles_near(self, grid: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Largest value of the tiles near every tile; a grid of tiles."""
        height, width = (2 * reach + 1 for reach in NEAR)
        around = np.ones((height, width), np.uint8)
        border = cv2.BORDER_CONSTANT | cv2.BORDER_ISOLATED
        near = cv2.dilate(grid, around, borderType=border, borderValue=(0.0,))
        return np.asarray(near, np.float32)

    def on_grid(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Values of tiles, of one per place, as a grid; 0 where a tile was left out."""
        grid = np.zeros(self._tile_rows * self._tile_cols, values.dtype)
        grid[self._kept[: self._n_tiles]] = values[: self._n_tiles]
        return grid.reshape(self._tile_rows, self._tile_cols)

    def largest_near(
        self, values: npt.NDArray[np.float32], power: float = 1.0
    ) -> npt.NDArray[np.float32]:
        """Largest value of the tiles near every place, as it would show there; shape (n,).

        ``values`` has one number per place, of which those of tiles count.  In the mean of a
        block or the window one tile's change shows by its share of the pixels, in a root mean
        square by the root of that: ``power`` 1 and 0.5.
        """
        near = self.tiles_near(self.on_grid(values))
        parts = [near.ravel()]
        if len(self._sized) == 3:
            rows = np.maximum.reduceat(near, self._row_starts, axis=0)
            parts.append(np.maximum.reduceat(rows, self._col_starts, axis=1).ravel())
        if len(self._sized) > 1:
            parts.append(near.max(keepdims=True).ravel())
        flat: npt.NDArray[np.float32] = np.concatenate(parts)[self._kept]
        share = self.n_px[: self._n_tiles].max(initial=1.0) / self.n_px
        shown: npt.NDArray[np.float32] = (flat * np.minimum(share, 1.0) ** power).astype(np.float32)
        return shown

    def _all_extents(self) -> npt.NDArray[np.intp]:
        rows, cols = self._tile_rows, self._tile_cols
        extents = [_cells(np.arange(rows), np.arange(cols), 1, rows, cols)]
        if len(self._sized) == 3:
            extents.append(_cells(self._row_starts, self._col_starts, BLOCK, rows, cols))
        if len(self._sized) > 1:
            extents.append(np.array([[0, 0, rows, cols]]))
        return np.concatenate(extents)

    def extent(self, places: npt.NDArray[np.intp]) -> Extent | None:
        """Smallest tile rectangle over those places that are single tiles, if any."""
        tiles = places[places < self._n_tiles]
        return self.around(tiles) if len(tiles) else None

    def around(self, places: npt.NDArray[np.intp]) -> Extent:
        """Smallest tile rectangle over some places of any size."""
        top, left = self._extents[places, :2].min(axis=0)
        bottom, right = self._extents[places, 2:].max(axis=0)
        return int(top), int(left), int(bottom), int(right)

    def size(self, place: int) -> str:
        """``tile``, ``block`` or ``window``."""
        names = ("tile", "block", "window") if len(self.sizes) == 3 else ("tile", "window")
        return next(n for n, part in zip(names, self.sizes, strict=False) if place < part.stop)

    def extent_of(self, place: int) -> Extent:
        """Tiles of one place."""
        top, left, bottom, right = self._extents[place].tolist()
        return top, left, bottom, right

    def tile(self, place: int) -> tuple[int, int]:
        """Row and column of a place's top left tile."""
        top, left = self._extents[place][:2]
        return int(top), int(left)


def _cells(
    tops: npt.NDArray[np.intp], lefts: npt.NDArray[np.intp], size: int, rows: int, cols: int
) -> npt.NDArray[np.intp]:
    top, left = (part.ravel() for part in np.meshgrid(tops, lefts, indexing="ij"))
    bottom, right = np.minimum(top + size, rows), np.minimum(left + size, cols)
    return np.stack([top, left, bottom, right], axis=1)
