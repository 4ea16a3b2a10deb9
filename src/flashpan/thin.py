"""Long series drawn in few columns, without hiding a single value that stands out.

A screen has some two thousand columns and a take up to millions of frames.  Each column gets the
least and the greatest of its frames, so that a spike of one frame is as high as it was, whatever
lies around it; means, or every so many frames, would lose it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns:
    """A series in columns; arrays of shape (n,), or (..., n) where the values have more axes.

    Attributes
    ----------
    first, last : ndarray of int64
        Frames that a column stands for, inclusive.
    low, high : ndarray
        Least and greatest value among them.
    """

    first: npt.NDArray[np.int64]
    last: npt.NDArray[np.int64]
    low: npt.NDArray[Any]
    high: npt.NDArray[Any]


def in_columns(
    frames: npt.NDArray[np.int64], values: npt.NDArray[Any], most_columns: int
) -> Columns:
    """Draw a series together to so many columns at most, each of about as many frames.

    Parameters
    ----------
    frames : ndarray, shape (n,)
        Ascending.
    values : ndarray, shape (..., n)
        What is not finite counts for nothing, where a column has anything else.
    most_columns : int
        At least 1.

    Raises
    ------
    ValueError
        ``most_columns`` is below 1.
    """
    if most_columns < 1:
        raise ValueError(f"most_columns is {most_columns}; a series needs 1 or more")
    n = len(frames)
    if not n:
        empty = values[..., :0]
        return Columns(first=frames, last=frames, low=empty, high=empty)
    starts = np.unique(np.arange(min(most_columns, n), dtype=np.int64) * n // min(most_columns, n))
    stops = np.append(starts[1:], n)
    return Columns(
        first=frames[starts],
        last=frames[stops - 1],
        low=np.fmin.reduceat(values, starts, axis=-1),
        high=np.fmax.reduceat(values, starts, axis=-1),
    )
