"""A tile's light beside that of the tiles around it, before and after their median is taken."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel, part

Floats = npt.NDArray[np.float32]


@kernel
def widened_ratio(light: Floats, dark: np.float32, level: Floats, reach: int, wide: Floats) -> None:
    """Ratio of tiles' light to its level, and what lies beyond the border.

    Parameters
    ----------
    light : ndarray, shape (tiles or more,), float32
        Light of every tile.
    dark : float32
        What is added to it.
    level : ndarray, shape (tiles,), float32
        What it is divided by.
    reach : int
        Rows and columns on every side that lie beyond the border.
    wide : ndarray, shape (tile_rows + 2 reach, tile_cols + 2 reach), float32
        Gets it all.
    """
    cols = wide.shape[1] - 2 * reach
    for row in range(wide.shape[0] - 2 * reach):
        for col in range(cols):
            at = row * cols + col
            wide[reach + row, reach + col] = (light[at] + dark) / level[at]
    _go_on(wide[:, reach:-reach], reach)
    _go_on(wide.T, reach)


@kernel
def beyond_border(wide: Floats, reach: int) -> None:
    """Let light go on beyond the border as it does within: an odd reflection, in place.

    Parameters
    ----------
    wide : ndarray, shape (rows + 2 reach, cols + 2 reach), float32
        Holds what is within.
    reach : int
    """
    _go_on(wide[:, reach:-reach], reach)
    _go_on(wide.T, reach)


@part
def _go_on(lines: Floats, reach: int) -> None:
    first, last = reach, len(lines) - 1 - reach
    for step in range(1, reach + 1):
        for i in range(lines.shape[1]):
            lines[first - step, i] = np.float32(2.0) * lines[first, i] - lines[first + step, i]
            lines[last + step, i] = np.float32(2.0) * lines[last, i] - lines[last - step, i]


@kernel
def unshared(
    light: Floats,
    dark: np.float32,
    level: Floats,
    around: Floats,
    reach: int,
    trust: Floats,
    rest: Floats,
) -> None:
    """What tiles' light departs by from its level, less what is shared.

    Parameters
    ----------
    light, dark, level, reach
        As for `widened_ratio`.
    around : ndarray, shape (tile_rows + 2 reach, tile_cols + 2 reach), float32
        Ratio around every tile.
    trust : ndarray, shape (tiles,), float32
        Part of it by which a tile may be said to change.
    rest : ndarray, shape (tile_rows, tile_cols), float32
        Gets what is left.
    """
    for row in range(rest.shape[0]):
        for col in range(rest.shape[1]):
            at = row * rest.shape[1] + col
            change = (around[reach + row, reach + col] - np.float32(1.0)) * trust[at]
            now = light[at] + dark
            rest[row, col] = now - level[at] - level[at] * change
