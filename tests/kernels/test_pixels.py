"""Loops over pixels against NumPy's, number for number."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashpan.grid import lay_grid
from flashpan.strips import Strips

KINDS = ("any", "quiet", "still", "extreme", "blinking")


def pictures(seed, shape, bit_depth, kind):
    """Two pictures, one after the other."""
    random = np.random.default_rng(seed)
    top = (1 << bit_depth) - 1
    if kind == "any":
        luma = random.integers(0, top + 1, (2, *shape))
    elif kind == "still":
        luma = np.repeat(random.integers(0, top + 1, (1, *shape)), 2, axis=0)
    elif kind == "extreme":
        luma = random.integers(0, 2, (2, *shape)) * top
    else:
        luma = top * (0.4 + 0.01 * random.standard_normal((2, *shape)))
        if kind == "blinking":
            luma += (random.random(luma.shape) < 0.02) * random.uniform(-0.5, 0.5, luma.shape) * top
    return np.rint(luma).clip(0, top).astype(np.uint8 if bit_depth <= 8 else np.uint16)


def in_tiles(way, pixels, grid):
    """Join the pixels of every tile."""
    rows = way.reduceat(pixels, grid.row_edges[:-1], axis=0)
    return way.reduceat(rows, grid.col_edges[:-1], axis=1)


def borders(luma, edges):
    """Sums of the rows on both sides of every edge; those inside count twice at the border."""
    return luma[np.maximum(edges - 1, 0)] + luma[np.minimum(edges, len(luma) - 1)]


def plain_boxes(now, before, cap):
    """Sums of 3 by 3 pixels' capped changes, in levels."""
    change = np.pad(np.clip(now.astype(np.float64) - before, -cap, cap), 1)
    windows = np.lib.stride_tricks.sliding_window_view(change, (3, 3))
    return windows.sum(axis=(2, 3))  # exact: caps have 24 bits


def assert_as_numpy(grid, before, now, cap):
    strips = Strips(grid, now.dtype)
    for picture in (before, now):  # what is left of an earlier picture must not matter
        strips.add(picture, before)
        strips.find(picture, before, cap)
    luma = now.astype(np.int64)
    difference = np.abs(luma - before)
    expected = [in_tiles(np.add, kind, grid) for kind in (luma, difference, difference**2)]
    np.testing.assert_array_equal(strips.sums, np.stack(expected))
    across = np.add.reduceat(borders(luma.T, grid.col_edges).T, grid.row_edges[:-1], axis=0)
    np.testing.assert_array_equal(strips.across, across)
    down = np.add.reduceat(borders(luma, grid.row_edges), grid.col_edges[:-1], axis=1)
    np.testing.assert_array_equal(strips.down, down)
    boxes = plain_boxes(now, before, np.float32(cap) if now.itemsize > 1 else int(cap))
    np.testing.assert_array_equal(strips.largest * strips.unit, in_tiles(np.maximum, boxes, grid))
    np.testing.assert_array_equal(strips.smallest * strips.unit, in_tiles(np.minimum, boxes, grid))


@settings(max_examples=60, deadline=None)
@given(
    shape=st.tuples(st.integers(1, 70), st.integers(1, 70)),
    tile_px=st.integers(1, 30),
    bit_depth=st.integers(1, 16),
    kind=st.sampled_from(KINDS),
    cap=st.floats(3.0, 400_000.0),
    seed=st.integers(0, 2**32 - 1),
)
def test_tiles_of_any_pictures(shape, tile_px, bit_depth, kind, cap, seed):
    before, now = pictures(seed, shape, bit_depth, kind)
    # Six times the usual difference is never more than six full scales.
    most = 6.0 * ((1 << bit_depth) - 1)
    assert_as_numpy(lay_grid(shape, tile_px=tile_px), before, now, min(cap, max(3.0, most)))


@pytest.mark.parametrize("cap", [3.0, 3.3, 17.77, 4095.5, 65535.0, 65535.7, 393_210.0])
@pytest.mark.parametrize("bit_depth", [8, 16])
def test_caps_on_the_highest_values(bit_depth, cap):
    before, now = pictures(1, (40, 50), bit_depth, "extreme")
    assert_as_numpy(
        lay_grid(now.shape), before, now, min(cap, 6.0 * 255) if bit_depth == 8 else cap
    )


@pytest.mark.parametrize("bit_depth", [8, 16])
@pytest.mark.parametrize(
    ("shape", "tile_px"), [((1000, 7), 600), ((700, 40), 300), ((5, 900), 900)]
)
def test_large_tiles_of_the_highest_values(shape, tile_px, bit_depth):
    grid = lay_grid(shape, tile_px=tile_px)
    top = (1 << bit_depth) - 1
    white = np.full(shape, top, np.uint8 if bit_depth == 8 else np.uint16)
    assert_as_numpy(grid, np.zeros_like(white), white, 3.0)
    assert_as_numpy(grid, *pictures(2, shape, bit_depth, "any"), 25.5)
