"""Pixels to exact sums and extremes of tiles, row by row.

Adding rows to rows is what processors are quick at: the pixels of a strip, one row of tiles,
are joined into one line, and the line then into tiles.  What is done to a row is done in loops
over columns that do one thing each, between arrays of narrow types, since compilers turn those
into vector instructions.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel, part

Pixels = npt.NDArray[Any]
Edges = npt.NDArray[np.intp]
Sums = npt.NDArray[np.uint64]

# Rows of 8-bit values that 16 bits, and of 16-bit values that 32 bits, hold the sum of.
_MOST_ROWS = 256


@kernel
def add_tiles(
    luma: Pixels,
    before: Pixels,
    row_edges: Edges,
    col_edges: Edges,
    lines: tuple[Pixels, Pixels, Pixels],
    sums: Sums,
    across: Sums,
    down: Sums,
) -> None:
    """Add up every tile's pixels, their absolute and squared differences, and its borders.

    Parameters
    ----------
    luma, before : ndarray, shape (rows, cols), uint8 or uint16
        This picture and the one before; contiguous.
    row_edges, col_edges : ndarray of int
        Borders of the tiles; all but the last row and column of tiles are of one size.
    lines : tuple of ndarray, shape (cols,)
        Room for a line of each sum: uint16, uint16 and uint32 for 8-bit pixels, uint32, uint32
        and uint64 for 16-bit ones.
    sums : ndarray, shape (3, tile_rows, tile_cols), uint64
        Gets the sums of pixels, of absolute and of squared differences.
    across : ndarray, shape (tile_rows, tile_cols + 1), uint64
        Gets the sums of the two columns of pixels at every upright border of tiles, one on each
        side; on the picture's own border both are the one inside.
    down : ndarray, shape (tile_rows + 1, tile_cols), uint64
        The same of the two rows of pixels at every level border.
    """
    sums[:] = 0
    across[:] = 0
    down[:] = 0
    line, diffs, squares = lines
    for strip in range(len(row_edges) - 1):
        for first in range(row_edges[strip], row_edges[strip + 1], _MOST_ROWS):
            stop = min(first + _MOST_ROWS, row_edges[strip + 1])
            _add_rows(luma[first:stop], before[first:stop], line, diffs, squares)
            _add_columns(line, col_edges, sums[0, strip])
            _add_columns(diffs, col_edges, sums[1, strip])
            _add_columns(squares, col_edges, sums[2, strip])
            _add_borders(line, col_edges, across[strip])
    for border in range(len(row_edges)):
        row = row_edges[border]
        _add_two(luma[max(row - 1, 0)], luma[min(row, len(luma) - 1)], line)
        _add_columns(line, col_edges, down[border])


@part
def _add_rows(luma: Pixels, before: Pixels, line: Pixels, diffs: Pixels, squares: Pixels) -> None:
    line[:] = 0
    diffs[:] = 0
    squares[:] = 0
    for row in range(len(luma)):
        now, then = luma[row], before[row]
        for col in range(len(now)):
            difference = max(now[col], then[col]) - min(now[col], then[col])
            line[col] += now[col]
            diffs[col] += difference
            squares[col] += np.uint32(difference) * np.uint32(difference)


@part
def _add_two(above: Pixels, below: Pixels, line: Pixels) -> None:
    for col in range(len(line)):
        line[col] = above[col]
        line[col] += below[col]


@part
def _add_columns(line: Pixels, edges: Edges, tiles: Sums) -> None:
    """Add a line's columns to their tiles."""
    last = len(tiles) - 1
    width = edges[1] - edges[0]
    for column in range(width if last else 0):
        for tile in range(last):
            tiles[tile] += line[tile * width + column]
    for col in range(edges[last], edges[last + 1]):
        tiles[last] += line[col]


@part
def _add_borders(line: Pixels, edges: Edges, borders: Sums) -> None:
    for border in range(len(edges)):
        col = edges[border]
        borders[border] += np.uint64(line[max(col - 1, 0)])
        borders[border] += np.uint64(line[min(col, len(line) - 1)])


@kernel
def find_extremes(
    luma: Pixels,
    before: Pixels,
    row_edges: Edges,
    col_edges: Edges,
    limits: Pixels,
    room: Pixels,
    largest: Pixels,
    smallest: Pixels,
) -> None:
    """Find every tile's extreme sums of 3 by 3 pixels' changes, where those are capped.

    Beyond the picture's border nothing changes.

    Parameters
    ----------
    luma, before : ndarray, shape (rows, cols), uint8 or uint16
        This picture and the one before; contiguous.
    row_edges, col_edges : ndarray of int
        Borders of the tiles; all but the last row and column of tiles are of one size.
    limits : ndarray, shape (5,), int16 or int32
        Least and most whole levels that a change is cut to, units in a level, and least and most
        units that it is then cut to.  Nine times those must fit into the type.
    room : ndarray, shape (7, cols + 2), the type of ``limits``
        Room for lines; zeros when it is first used.
    largest, smallest : ndarray, shape (tile_rows, tile_cols), the type of ``limits``
        Get the extremes, in units.
    """
    changes, three = room[:3], room[3]
    boxes, high, low = room[4, 1:-1], room[5, 1:-1], room[6, 1:-1]
    changes[2] = 0
    _change(luma[0], before[0], limits, changes[0, 1:-1])
    for strip in range(len(row_edges) - 1):
        for row in range(row_edges[strip], row_edges[strip + 1]):
            following = changes[(row + 1) % 3]
            if row + 1 < len(luma):
                _change(luma[row + 1], before[row + 1], limits, following[1:-1])
            else:
                following[:] = 0
            _add_three(changes[0], changes[1], changes[2], three)
            _add_three(three[:-2], three[1:-1], three[2:], boxes)
            _widen(boxes, high, low, row == row_edges[strip])
        _join_largest(high, col_edges, largest[strip])
        _join_smallest(low, col_edges, smallest[strip])


@part
def _change(now: Pixels, before: Pixels, limits: Pixels, change: Pixels) -> None:
    least, most, units = limits[0], limits[1], limits[2]
    for col in range(len(change)):
        change[col] = now[col] - before[col]
    for col in range(len(change)):
        change[col] = max(least, min(most, change[col]))
    if units == 1:
        return
    least, most = limits[3], limits[4]
    for col in range(len(change)):
        change[col] *= units
    for col in range(len(change)):
        change[col] = max(least, min(most, change[col]))


@part
def _add_three(one: Pixels, two: Pixels, three: Pixels, total: Pixels) -> None:
    for col in range(len(total)):
        total[col] = one[col] + two[col] + three[col]


@part
def _widen(boxes: Pixels, high: Pixels, low: Pixels, is_first: bool) -> None:
    if is_first:
        for col in range(len(boxes)):
            high[col] = boxes[col]
            low[col] = boxes[col]
        return
    for col in range(len(boxes)):
        high[col] = max(high[col], boxes[col])
        low[col] = min(low[col], boxes[col])


@part
def _join_largest(line: Pixels, edges: Edges, tiles: Pixels) -> None:
    """Largest column of every tile."""
    last = len(tiles) - 1
    width = edges[1] - edges[0]
    for tile in range(last + 1):
        tiles[tile] = line[edges[tile]]
    for column in range(1, width if last else 0):
        for tile in range(last):
            tiles[tile] = max(tiles[tile], line[tile * width + column])
    for col in range(edges[last], edges[last + 1]):
        tiles[last] = max(tiles[last], line[col])


@part
def _join_smallest(line: Pixels, edges: Edges, tiles: Pixels) -> None:
    """Smallest column of every tile."""
    last = len(tiles) - 1
    width = edges[1] - edges[0]
    for tile in range(last + 1):
        tiles[tile] = line[edges[tile]]
    for column in range(1, width if last else 0):
        for tile in range(last):
            tiles[tile] = min(tiles[tile], line[tile * width + column])
    for col in range(edges[last], edges[last + 1]):
        tiles[last] = min(tiles[last], line[col])
