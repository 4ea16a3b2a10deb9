"""Changes of tiles at several lags, in units of what each usually changes by, and their pool."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel

Floats = npt.NDArray[np.float32]


@kernel
def squared(changes: Floats, usual: Floats, least: Floats, squares: Floats) -> None:
    """Squares of changes in units of their own.

    Parameters
    ----------
    changes, usual : ndarray, shape (lags, tiles), float32
        Changes, and what is usual.
    least : ndarray, shape (tiles,), float32
        What a tile's unit is at least.
    squares : ndarray, shape (lags, tiles), float32
        Gets the squares; NaN where a change is.
    """
    for lag in range(changes.shape[0]):
        for tile in range(changes.shape[1]):
            part = changes[lag, tile] / max(usual[lag, tile], least[tile])
            squares[lag, tile] = part * part


@kernel
def pooled(squares: Floats, cap: np.float32, means: Floats) -> None:
    """Means over all tiles of their squares, each of them capped, added in order.

    Parameters
    ----------
    squares : ndarray, shape (lags, tiles), float32
    cap : float32
        What a square counts at most.
    means : ndarray, shape (lags,), float32
        Gets the means; NaN where a square is.
    """
    n = squares.shape[1]
    for lag in range(squares.shape[0]):
        total = np.float32(0.0)
        for tile in range(n):
            square = squares[lag, tile]
            total += cap if square > cap else square
        means[lag] = total / np.float32(n)


@kernel
def learn_usual(
    changes: Floats,
    usual: Floats,
    sigma: np.float32,
    up: np.float32,
    down: np.float32,
    least: np.float32,
) -> None:
    """Follow the median of the sizes of changes by small steps, in place.

    Parameters
    ----------
    changes, usual : ndarray, shape (lags, tiles), float32
    sigma : float32
        The median size in units of ``usual``.
    up, down : float32
        Factors by which ``usual`` grows and shrinks.
    least : float32
        What it is at least.
    """
    for lag in range(changes.shape[0]):
        for tile in range(changes.shape[1]):
            is_larger = abs(changes[lag, tile]) > sigma * usual[lag, tile]
            usual[lag, tile] = max(usual[lag, tile] * (up if is_larger else down), least)
