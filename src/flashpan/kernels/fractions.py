"""Sums over tiles' pixels to fractions of full scale.

Every product and difference is rounded by itself, in the order in which NumPy would do it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel
from flashpan.kernels.pixels import Sums

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Flags = npt.NDArray[np.bool_]


@kernel
def tile_means(
    sums: Sums, across: Sums, down: Sums, factors: Doubles, black: float, found: tuple[Floats, ...]
) -> None:
    """Turn sums into means and slopes.

    Parameters
    ----------
    sums : ndarray, shape (3, tile_rows, tile_cols), uint64
        Of pixels, of absolute and of squared differences.
    across, down : ndarray, shapes (tile_rows, tile_cols + 1) and (tile_rows + 1, tile_cols), uint64
        Sums of the pixels on both sides of the tiles' borders.
    factors : ndarray, shape (3, tile_rows, tile_cols), float64
        One over the tile's pixels and over full scale, over the square of full scale, and the
        first again where the tile's borders are known, else 0.
    black : float
        Fraction of full scale at which black is.
    found : tuple of 5 ndarray, shape (tile_rows, tile_cols), float32
        Get mean, mean absolute and squared difference, and what a tile gains when the picture
        moves a pixel to the right, or down: what lies along its one border, less what lies along
        the other.
    """
    for row in range(sums.shape[1]):
        for col in range(sums.shape[2]):
            per_px, per_px_sq = factors[0, row, col], factors[1, row, col]
            low = black if per_px > 0.0 else 0.0
            found[0][row, col] = np.float64(sums[0, row, col]) * per_px - low
            found[1][row, col] = np.float64(sums[1, row, col]) * per_px
            found[2][row, col] = np.float64(sums[2, row, col]) * per_px_sq
            half = factors[2, row, col]
            gain = np.float64(across[row, col + 1]) - np.float64(across[row, col])
            found[3][row, col] = 0.5 * -gain * half
            gain = np.float64(down[row + 1, col]) - np.float64(down[row, col])
            found[4][row, col] = 0.5 * -gain * half


@kernel
def tile_specks(
    largest: npt.NDArray[Any],
    smallest: npt.NDArray[Any],
    unit: float,
    scale: np.float32,
    mean: Floats,
    before: Floats,
    counted: Flags,
    speck: Floats,
) -> None:
    """Turn extreme sums of nine pixels' changes into the larger departure from the tile's own.

    Parameters
    ----------
    largest, smallest : ndarray, shape (tile_rows, tile_cols), int16 or int32
    unit : float
        Levels in one unit of theirs, a power of two.
    scale : float32
        One over nine and over full scale.
    mean, before : ndarray, shape (tile_rows, tile_cols), float32
        Means of this picture's tiles and of those of the one before.
    counted : ndarray of bool, shape (tile_rows, tile_cols)
        Tiles with pixels that count.
    speck : ndarray, shape (tile_rows, tile_cols), float32
        Gets the departures; 0 where nothing counts.
    """
    for row in range(speck.shape[0]):
        for col in range(speck.shape[1]):
            step = mean[row, col] - before[row, col]
            up = np.float32(largest[row, col] * unit) * scale - step
            down = step - np.float32(smallest[row, col] * unit) * scale
            speck[row, col] = max(up, down) if counted[row, col] else np.float32(0.0)
