"""Pixels to tile statistics: the only place where pixels are touched.

Everything after this works on a few kilobytes per frame.  All sums are exact; results are
fractions of full scale, so that one scene at 8, 10, 12 and 16 bits gives the same numbers but
for quantisation.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from flashpan.grid import Grid
from flashpan.kernels.fractions import tile_means, tile_specks
from flashpan.medians import median
from flashpan.model import FloatGrid, Frame, TakeInfo, Tiles
from flashpan.strips import Strips

# Pictures that may wait: the longest run of B pictures that encoders write, and the next one
# (common practice, no source).
_MOST_LEADING = 17


class Measurer:
    """Measures frames in order; remembers one frame.

    Parameters
    ----------
    info : TakeInfo
        Gives depth, black and full scale.
    grid : Grid
        Where the tiles lie.
    """

    def __init__(self, info: TakeInfo, grid: Grid) -> None:
        self._info = info
        self._grid = grid
        self._counted = grid.n_px > 0
        self._after_predicted = False
        self._previous: npt.NDArray[Any] | None = None
        self._mean = np.zeros(grid.shape, np.float32)
        self._strips: Strips | None = None
        with np.errstate(divide="ignore"):
            per_px = np.where(self._counted, 1.0 / grid.n_px, 0.0)
        scaled = per_px / info.full_scale
        # Of tiles that are masked in part nobody knows what their borders are.
        area = np.outer(np.diff(grid.row_edges), np.diff(grid.col_edges))
        whole = np.where(grid.n_px == area, scaled, 0.0)
        self._factors = np.stack([scaled, per_px / info.full_scale**2, whole])
        self._black = info.black / info.full_scale
        self._ninth = np.float32(1.0 / (9.0 * info.full_scale))

    def begin(self, frame: Frame) -> None:
        """Take a frame for the one before the next, without telling of it."""
        luma = self._cut(frame.luma)
        self._mean = self._statistics(luma, luma)[0]
        self._previous = luma
        self._after_predicted = not frame.is_keyframe

    def measure(self, frame: Frame) -> Tiles:
        """Return the statistics of a frame against the one measured before it."""
        luma = self._cut(frame.luma)
        previous, self._previous = self._previous, luma
        # Before the first frame, all was as in it.
        mean, abs_diff, squares, across, down = self._statistics(
            luma, luma if previous is None else previous
        )
        before, self._mean = self._mean, mean
        return Tiles(
            index=frame.index,
            mean=mean,
            speck=self._specks(luma, previous, before, squares),
            across=across,
            down=down,
            abs_diff=abs_diff,
            sq_diff=squares,
            has_previous=previous is not None,
            refreshed=self._is_refreshed(frame),
        )

    def _statistics(self, luma: npt.NDArray[Any], previous: npt.NDArray[Any]) -> list[FloatGrid]:
        """Mean, mean absolute and squared difference, and slopes across and down."""
        strips = self._strips = self._strips or Strips(self._grid, luma.dtype)
        strips.add(luma, previous)
        found = [np.empty(self._grid.shape, np.float32) for _ in range(5)]
        tile_means(
            strips.sums, strips.across, strips.down, self._factors, self._black, tuple(found)
        )
        return found

    def _specks(
        self,
        luma: npt.NDArray[Any],
        previous: npt.NDArray[Any] | None,
        before: FloatGrid,
        squares: FloatGrid,
    ) -> FloatGrid:
        """Largest 3 × 3 pixel mean of the change, less the tile's own, in every tile.

        Single pixels are capped at six times the usual difference, since pixels that blink are
        no specks.
        """
        specks = np.zeros(self._grid.shape, np.float32)
        strips = self._strips
        if previous is None or strips is None:
            return specks
        strips.find(luma, previous, self._pixel_cap(squares))
        step = self._mean, before
        extremes = strips.largest, strips.smallest
        tile_specks(*extremes, strips.unit, self._ninth, *step, self._counted, specks)
        return specks

    def _pixel_cap(self, squares: FloatGrid) -> float:
        """Six times the usual difference of a pixel, at least three levels."""
        usual = median(squares[self._counted])
        return max(3.0, 6.0 * math.sqrt(usual) * self._info.full_scale)

    def _is_refreshed(self, frame: Frame) -> bool:
        """True for a keyframe among predicted frames of a lossy stream."""
        after_predicted, self._after_predicted = self._after_predicted, not frame.is_keyframe
        return frame.is_keyframe and after_predicted and self._info.predicts_with_loss

    def _cut(self, luma: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """The part of a picture that is looked at; contiguous, and not to be written to."""
        window = self._grid.window
        part = luma[window.top : window.bottom, window.left : window.right]
        if self._grid.mask is not None:
            part = part * self._grid.mask
        elif not part.flags.c_contiguous:
            part = np.ascontiguousarray(part)
        part.flags.writeable = False
        return part


class LeadingPictures:
    """Marks the pictures that lead a keyframe: shown before it and predicted from it.

    They carry its fresh coding error already.  A decoder says which pictures are predicted
    from both sides (``B``); they wait for the next one that is not, at most a few frames.
    """

    def __init__(self) -> None:
        self._waiting: list[Tiles] = []

    def push(self, tiles: Tiles, picture_type: str) -> list[Tiles]:
        """Take the next frame's tiles; return those that are complete, in order."""
        self._waiting.append(tiles)
        if picture_type == "B" and len(self._waiting) < _MOST_LEADING:
            return []
        return self.finish()

    def finish(self) -> list[Tiles]:
        """Return what waits."""
        waiting, self._waiting = self._waiting, []
        if waiting and waiting[-1].refreshed:
            return [replace(tiles, refreshed=True) for tiles in waiting]
        return waiting
