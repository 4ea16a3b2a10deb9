"""Tiles whose change comes from few of their pixels."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel

Floats = npt.NDArray[np.float32]


@kernel
def changed_by_few(
    abs_diff: Floats,
    sq_diff: Floats,
    share: np.float32,
    clear: np.float32,
    few: npt.NDArray[np.bool_],
) -> bool:
    """Mark tiles whose mean absolute difference is small beside the root mean square one.

    Parameters
    ----------
    abs_diff, sq_diff : ndarray, shape (tile_rows, tile_cols), float32
        Mean absolute and mean squared difference.
    share : float32
        Square of the one, in parts of the other, below which few pixels make the difference.
    clear : float32
        Mean squared difference from which that says anything.
    few : ndarray of bool, shape (tile_rows, tile_cols)
        Gets the marks.

    Returns
    -------
    bool
        Whether there are any.
    """
    n = 0
    for row in range(few.shape[0]):
        for col in range(few.shape[1]):
            size, square = abs_diff[row, col], sq_diff[row, col]
            is_few = size * size < share * square and square > clear
            few[row, col] = is_few
            n += is_few
    return n > 0
