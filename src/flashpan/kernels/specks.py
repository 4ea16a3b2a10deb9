"""Tiles' largest changes in units of what each may do, and how that is learned."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel

Flags = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float32]


@kernel
def judge(
    speck: Floats,
    sigma: Floats,
    usual: Floats,
    near: Floats,
    counted: Flags,
    white: np.float32,
    clearly: np.float32,
    noise: Floats,
    z: Floats,
) -> tuple[int, int]:
    """Changes in noise units; all arrays have shape (tile_rows, tile_cols), float32.

    Parameters
    ----------
    speck, sigma : ndarray
        Largest change in every tile, and the noise of it.
    usual : ndarray
        What the largest usually is, in units of ``sigma``.
    near : ndarray
        What may happen beside tiles that do much.
    counted : ndarray of bool
        Tiles with pixels that count.
    white, clearly : float32
        What is usual of white noise, and from where a tile's own counts.
    noise, z : ndarray
        Get the noise units, and the change in them; 0 where nothing counts.

    Returns
    -------
    row, col : int
        Where the largest is, the first of several.
    """
    for row in range(speck.shape[0]):
        for col in range(speck.shape[1]):
            own = usual[row, col]
            beyond = own / white if own > clearly else np.float32(1.0)
            noise[row, col] = max(sigma[row, col] * beyond, near[row, col] / white)
            z[row, col] = speck[row, col] / noise[row, col]
            if not counted[row, col]:
                z[row, col] = np.float32(0.0)
    best = 0, 0
    for row in range(speck.shape[0]):
        for col in range(speck.shape[1]):
            if z[row, col] > z[best]:
                best = row, col
    return best


@kernel
def learn(
    speck: Floats,
    sigma: Floats,
    usual: Floats,
    loud: Floats,
    restless: np.float32,
    gain: np.float32,
    up: np.float32,
    down: np.float32,
    least: np.float32,
) -> None:
    """Follow by small steps what is usual, and what those that do much do, in place.

    Parameters
    ----------
    speck, sigma, usual : ndarray, shape (tile_rows, tile_cols), float32
        As for `judge`.
    loud : ndarray, shape (tile_rows, tile_cols), float32
        What a tile does where it does much, in units of ``sigma``.
    restless, gain : float32
        From where it is much, and the share of ``loud`` that a frame has.
    up, down, least : float32
        Factors by which ``usual`` grows and shrinks, and what it is at least.
    """
    for row in range(speck.shape[0]):
        for col in range(speck.shape[1]):
            size = speck[row, col] / sigma[row, col]
            if size > restless:
                loud[row, col] += (size - loud[row, col]) * gain
            own = usual[row, col]
            factor = up if speck[row, col] > own * sigma[row, col] else down
            usual[row, col] = max(own * factor, least)
