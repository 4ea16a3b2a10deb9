"""Pixels to tile statistics: the only place where pixels are touched.

Everything after this works on a few kilobytes per frame.  All sums are exact; results are
fractions of full scale, so that one scene at 8, 10, 12 and 16 bits gives the same numbers but
for quantisation.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from flashpan.grid import Grid
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
        self._strips = Strips(grid)
        self._counted = grid.n_px > 0
        self._after_predicted = False
        self._previous: npt.NDArray[Any] | None = None
        self._mean = np.zeros(grid.shape, np.float32)
        # Used again for every frame: new memory costs as much as the sums.
        self._difference = self._change = self._boxes = np.zeros((0, 0), np.uint8)
        with np.errstate(divide="ignore"):
            per_px = np.where(grid.n_px > 0, 1.0 / grid.n_px, 0.0)
        self._per_px = per_px / info.full_scale
        # Of tiles that are masked in part nobody knows what their borders are.
        area = np.outer(np.diff(grid.row_edges), np.diff(grid.col_edges))
        self._whole = np.where(grid.n_px == area, self._per_px, 0.0)
        self._per_px_sq = per_px / info.full_scale**2
        self._black = np.where(grid.n_px > 0, info.black / info.full_scale, 0.0)

    def begin(self, frame: Frame) -> None:
        """Take a frame for the one before the next, without measuring all of it."""
        self._previous = self._cut(frame.luma)
        sums = self._strips.sums(self._previous)
        self._mean = (sums * self._per_px - self._black).astype(np.float32)
        self._after_predicted = not frame.is_keyframe

    def measure(self, frame: Frame) -> Tiles:
        """Return the statistics of a frame against the one measured before it."""
        luma = self._cut(frame.luma)
        previous, self._previous = self._previous, luma
        difference = self._absolute(luma, previous)
        sums = self._strips.sums
        mean = (sums(luma) * self._per_px - self._black).astype(np.float32)
        before, self._mean = self._mean, mean
        squares = (self._strips.squares(difference) * self._per_px_sq).astype(np.float32)
        across, down = self._slopes(luma)
        return Tiles(
            index=frame.index,
            mean=mean,
            speck=self._specks(luma, previous, mean - before, squares),
            across=across,
            down=down,
            abs_diff=(sums(difference) * self._per_px).astype(np.float32),
            sq_diff=squares,
            has_previous=previous is not None,
            refreshed=self._is_refreshed(frame),
        )

    def _slopes(self, luma: npt.NDArray[Any]) -> tuple[FloatGrid, FloatGrid]:
        """What every tile's mean changes by when the picture moves one pixel right, or down.

        It gains what lies along its one border and loses what lies along the other.
        """
        rows, cols = self._grid.row_edges, self._grid.col_edges
        beside = [
            (luma[:, np.maximum(cols - 1, 0)], luma[:, np.minimum(cols, luma.shape[1] - 1)], 0),
            (luma[np.maximum(rows - 1, 0)], luma[np.minimum(rows, luma.shape[0] - 1)], 1),
        ]
        slopes = []
        for before, after, axis in beside:
            lines = before.astype(np.float32) + after
            edges = rows if axis == 0 else cols
            along = np.add.reduceat(lines, edges[:-1], axis=axis, dtype=np.float64)
            gain = -np.diff(along, axis=1 - axis)
            slopes.append((0.5 * gain * self._whole).astype(np.float32))
        return slopes[0], slopes[1]

    def _absolute(
        self, luma: npt.NDArray[Any], previous: npt.NDArray[Any] | None
    ) -> npt.NDArray[Any]:
        """Absolute difference of every pixel; nought for the first frame."""
        if self._difference.shape != luma.shape:
            wide = np.int16 if luma.dtype == np.uint8 else np.float32
            self._difference = np.zeros_like(luma)
            self._change, self._boxes = np.empty(luma.shape, wide), np.empty(luma.shape, wide)
        if previous is not None:
            cv2.absdiff(luma, previous, self._difference)
        return self._difference

    def _specks(
        self,
        luma: npt.NDArray[Any],
        previous: npt.NDArray[Any] | None,
        step: FloatGrid,
        squares: FloatGrid,
    ) -> FloatGrid:
        """Largest 3 × 3 pixel mean of the change, less the tile's own, in every tile.

        Single pixels are capped at six times the usual difference, since pixels that blink are
        no specks.
        """
        if previous is None:
            return np.zeros_like(step)
        change = self._change
        np.subtract(luma, previous, out=change, dtype=change.dtype)
        cap = change.dtype.type(self._pixel_cap(squares))
        np.clip(change, -cap, cap, out=change)
        # Beyond the border nothing changes.
        cv2.boxFilter(
            change,
            -1,
            (3, 3),
            self._boxes,
            normalize=False,
            borderType=cv2.BORDER_CONSTANT | cv2.BORDER_ISOLATED,
        )
        scale = np.float32(1.0 / (9.0 * self._info.full_scale))
        up = self._strips.largest(self._boxes) * scale - step
        down = step - self._strips.smallest(self._boxes) * scale
        return np.where(self._counted, np.maximum(up, down), np.float32(0.0))

    def _pixel_cap(self, squares: FloatGrid) -> float:
        """Six times the usual difference of a pixel, at least three levels."""
        usual = median(squares[self._counted])
        return max(3.0, 6.0 * math.sqrt(usual) * self._info.full_scale)

    def _is_refreshed(self, frame: Frame) -> bool:
        """True for a keyframe among predicted frames of a lossy stream."""
        after_predicted, self._after_predicted = self._after_predicted, not frame.is_keyframe
        return frame.is_keyframe and after_predicted and self._info.predicts_with_loss

    def _cut(self, luma: npt.NDArray[Any]) -> npt.NDArray[Any]:
        window = self._grid.window
        part = luma[window.top : window.bottom, window.left : window.right]
        if self._grid.mask is not None:
            return part * self._grid.mask
        return part if part.flags.c_contiguous else np.ascontiguousarray(part)


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
