"""Places and what is near them, against loops over tiles; with tiles that were left out."""

import numpy as np
import pytest
from layouts import LAYOUTS, as_grid, boxes

from flashpan.detectors.places import NEAR, Places
from flashpan.grid import lay_grid


@pytest.fixture(params=LAYOUTS)
def layout(request):
    shape, ignore = LAYOUTS[request.param]
    grid = lay_grid(shape, (), ignore)
    return grid, Places(grid)


def drawn(places, seed=1):
    return np.random.default_rng(seed).gamma(1.0, 1.0, places.n).astype(np.float32)


def near_twin(tiles, row, col):
    """Largest of the tiles within reach of one, nothing being less than 0."""
    largest = 0.0
    for r in range(tiles.shape[0]):
        for c in range(tiles.shape[1]):
            if abs(r - row) <= NEAR[0] and abs(c - col) <= NEAR[1]:
                largest = max(largest, tiles[r, c])
    return largest


def test_places_are_the_boxes_that_loops_find(layout):
    grid, places = layout
    found = boxes(grid)
    assert [places.extent_of(i) for i in range(places.n)] == found
    n_px = [grid.n_px[t:b, left:r].sum() for t, left, b, r in found]
    np.testing.assert_array_equal(places.n_px, n_px)


@pytest.mark.parametrize("dtype", [np.float32, np.bool_])
def test_values_of_tiles_lie_on_the_grid_where_their_tiles_do(layout, dtype):
    grid, places = layout
    values = drawn(places) if dtype == np.float32 else drawn(places) > 0.5
    found = places.on_grid(values)
    assert found.dtype == dtype
    np.testing.assert_array_equal(found, as_grid(grid, values))


def test_gathering_a_grid_undoes_laying_values_on_it(layout):
    _, places = layout
    tiles = places.sizes[0]
    values = drawn(places)
    np.testing.assert_array_equal(places.gather(places.on_grid(values))[tiles], values[tiles])


def test_the_largest_of_the_tiles_near(layout):
    grid, places = layout
    values = as_grid(grid, drawn(places))
    found = places.tiles_near(values)
    for row, col in np.ndindex(grid.shape):
        assert found[row, col] == near_twin(values, row, col)


@pytest.mark.parametrize("power", [1.0, 0.5])
def test_the_largest_near_shows_by_its_share_of_the_pixels(layout, power):
    grid, places = layout
    values = drawn(places)
    found = places.largest_near(values, power)
    tiles = as_grid(grid, values)
    tile_px = max(grid.n_px.flat)
    assert found.shape == (places.n,)
    for value, (top, left, bottom, right) in zip(found, boxes(grid), strict=True):
        cells = [(r, c) for r in range(top, bottom) for c in range(left, right)]
        n_px = sum(grid.n_px[cell] for cell in cells)
        largest = max(near_twin(tiles, *cell) for cell in cells)
        share = min(1.0, tile_px / n_px)
        assert value == pytest.approx(largest * share**power, rel=1e-6)


def test_the_largest_near_heeds_tiles_alone(layout):
    _, places = layout
    values = drawn(places)
    others = values.copy()
    others[places.sizes[0].stop :] = 1e6
    np.testing.assert_array_equal(places.largest_near(others), places.largest_near(values))
