"""A tile statistic as means over tiles, blocks and the whole window, added as NumPy adds.

Sums of floating-point numbers depend on their order.  This one is NumPy's: ``reduceat`` adds the
rest of a run to its first number, and ``sum`` halves what is longer than 128 numbers and adds the
shorter runs eight at a time.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel, part

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

_MOST_AT_ONCE = 128


@kernel
def gather(tiles: Floats, weights: Doubles, block: int, block_px: Doubles, flat: Floats) -> None:
    """Means of a statistic over places of every size.

    Parameters
    ----------
    tiles : ndarray, shape (tile_rows, tile_cols), float32
        The statistic.
    weights : ndarray, shape (tile_rows, tile_cols), float64
        Pixels that count in each tile.
    block : int
        Rows and columns of tiles in a block.
    block_px : ndarray, shape (blocks down, blocks across), float64
        Pixels that count in each block; of shape (0, 0) where there are no blocks.
    flat : ndarray, shape (places,), float32
        Gets tiles, means over blocks, and, where it is longer than that, over the window, with
        which it then ends.  NaN where nothing counts.
    """
    n_tiles = tiles.size
    weighted = np.empty(n_tiles)
    n_px = 0.0
    at = 0
    for row in range(tiles.shape[0]):
        for col in range(tiles.shape[1]):
            flat[at] = tiles[row, col]
            weighted[at] = np.float64(tiles[row, col]) * weights[row, col]
            n_px += weights[row, col]
            at += 1
    _gather_blocks(weighted.reshape(tiles.shape), block, block_px, flat[n_tiles:])
    if len(flat) > n_tiles + block_px.size:
        flat[len(flat) - 1] = _sum(weighted) / n_px


@part
def _gather_blocks(weighted: Doubles, block: int, block_px: Doubles, flat: Floats) -> None:
    rows, cols = weighted.shape
    line = np.empty(cols)
    at = 0
    for row in range(block_px.shape[0]):
        first, stop = row * block, min((row + 1) * block, rows)
        for col in range(cols):
            rest = -0.0
            for r in range(first + 1, stop):
                rest += weighted[r, col]
            line[col] = weighted[first, col] + rest
        for col in range(block_px.shape[1]):
            left = col * block
            rest = -0.0
            for c in range(left + 1, min(left + block, cols)):
                rest += line[c]
            flat[at] = (line[left] + rest) / block_px[row, col]
            at += 1


@part
def _sum(values: Doubles) -> float:
    n = len(values)
    if n <= _MOST_AT_ONCE:
        return _short_sum(values)
    half = n // 2
    half -= half % 8
    return float(_sum(values[:half]) + _sum(values[half:]))


@part
def _short_sum(values: Doubles) -> float:
    n = len(values)
    total, begun = -0.0, 0
    if n >= 8:
        eight = values[:8].copy()
        for first in range(8, n - n % 8, 8):
            for i in range(8):
                eight[i] += values[first + i]
        total = ((eight[0] + eight[1]) + (eight[2] + eight[3])) + (
            (eight[4] + eight[5]) + (eight[6] + eight[7])
        )
        begun = n - n % 8
    for i in range(begun, n):
        total += values[i]
    return total
