"""Medians of one frame's numbers, without what `numpy.median` does for any shape and type."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flashpan.kernels.ranks import middle


def median(values: npt.NDArray[np.float32]) -> float:
    """Median as `numpy.median` has it.

    Parameters
    ----------
    values : ndarray, any shape, float32
        At least one, none of them NaN.

    Returns
    -------
    float
        The middle one; of an even number the mean of the middle two, rounded to float32.
    """
    return middle(np.ravel(values))


def is_median_below(values: npt.NDArray[np.float64], limit: float) -> bool:
    """Whether ``numpy.median(values) < limit``; counted, which is quicker than to find it."""
    return is_median_among(int(np.count_nonzero(values < limit)), values, limit)


def is_median_among(n_below: int, values: npt.NDArray[np.float64], limit: float) -> bool:
    """The same where it is known how many of the values are below the limit."""
    if 2 * n_below != values.size:
        return 2 * n_below > values.size
    return bool(np.median(values) < limit)  # of the middle two, one is below
