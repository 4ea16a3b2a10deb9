"""Places and what is near them, against loops over tiles; with tiles that were left out."""

import numpy as np
import pytest

from flashpan.detectors.places import BLOCK, NEAR, Places
from flashpan.grid import lay_grid
from flashpan.model import Region

# Rows and columns of pixels, and what is ignored: whole tiles, tiles in part, a corner.
LAYOUTS = {
    "all": ((96, 132), ()),
    "holes": ((100, 130), (Region(12, 24, 24, 36), Region(60, 0, 40, 17), Region(90, 120, 6, 7))),
    "half": ((84, 120), (Region(0, 0, 84, 60),)),
    "block": ((96, 132), (Region(48, 48, 48, 48),)),  # a block of which nothing is left
    "few": ((36, 36), (Region(0, 0, 12, 12),)),
    "row": ((12, 120), ()),
    "one": ((12, 12), ()),
}


@pytest.fixture(params=LAYOUTS)
def layout(request):
    shape, ignore = LAYOUTS[request.param]
    grid = lay_grid(shape, (), ignore)
    return grid, Places(grid)


def counted(grid):
    """Cells of the tiles that are places, in order."""
    return [cell for cell in np.ndindex(grid.shape) if grid.n_px[cell]]


def boxes(grid):
    """Tiles of every place, in order, as loops would find them: ``top, left, bottom, right``."""
    rows, cols = grid.shape
    tiles = [(r, c, r + 1, c + 1) for r in range(rows) for c in range(cols)]
    blocks = [
        (r, c, min(r + BLOCK, rows), min(c + BLOCK, cols))
        for r in range(0, rows, BLOCK)
        for c in range(0, cols, BLOCK)
    ]
    found = tiles + (blocks if 1 < len(blocks) < len(tiles) else [])
    found += [(0, 0, rows, cols)] if len(tiles) > 1 else []
    return [(t, left, b, r) for t, left, b, r in found if grid.n_px[t:b, left:r].sum() > 0]


def drawn(places, seed=1):
    return np.random.default_rng(seed).gamma(1.0, 1.0, places.n).astype(np.float32)


def as_grid(grid, values):
    """Values of the tiles that are places; 0 elsewhere."""
    found = np.zeros(grid.shape, values.dtype)
    for value, cell in zip(values, counted(grid), strict=False):
        found[cell] = value
    return found


def near_twin(tiles, row, col):
    """Largest of the tiles within reach of one, nothing being less than 0."""
    largest = 0.0
    for r in range(tiles.shape[0]):
        for c in range(tiles.shape[1]):
            if abs(r - row) <= NEAR[0] and abs(c - col) <= NEAR[1]:
                largest = max(largest, tiles[r, c])
    return largest


def mirrored(index, n):
    """The tile that stands in for one beyond the border, which itself is not repeated."""
    return -index if index < 0 else 2 * (n - 1) - index if index >= n else index


def around_twin(tiles, row, col):
    """Median of 5 x 5 tiles, mirrored at the border tiles."""
    rows, cols = tiles.shape
    around = [
        tiles[mirrored(r, rows), mirrored(c, cols)]
        for r in range(row - 2, row + 3)
        for c in range(col - 2, col + 3)
    ]
    return sorted(around)[12]


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


def test_what_tiles_around_have_in_common_is_their_median(layout):
    grid, places = layout
    values = drawn(places) - 1.0
    found = places.middle_around(values)
    assert found.shape == (places.n,)
    rows, cols = grid.shape
    if min(rows, cols) < 5:
        np.testing.assert_array_equal(found, 0.0)
        return
    tiles = as_grid(grid, values)
    middles = {cell: around_twin(tiles, *cell) for cell in np.ndindex(grid.shape)}
    n_tiles = len(counted(grid))
    for place, (top, left, bottom, right) in enumerate(boxes(grid)):
        if place < n_tiles:
            expected = middles[top, left]
        elif place < places.n - 1:  # a block has that of its middle tile, or the last there is
            row, col = top + BLOCK // 2, left + BLOCK // 2
            expected = middles[min(row, rows - 1), min(col, cols - 1)]
        else:
            assert (top, left, bottom, right) == (0, 0, rows, cols)
            expected = np.median(list(middles.values()))
        assert found[place] == pytest.approx(expected, rel=1e-6)


def middle(tiles):
    """What `Places.middle_around` makes of a grid of tiles, as a grid."""
    places = Places(lay_grid((12 * tiles.shape[0], 12 * tiles.shape[1])))
    values = places.gather(tiles.astype(np.float32))
    return places.on_grid(places.middle_around(values)), places.middle_around(values)


@pytest.mark.parametrize(("down", "across"), [(1.0, 0.0), (0.0, -2.0), (3.0, 0.5), (-1.0, 4.0)])
def test_a_slope_has_itself_in_common_with_what_is_around(down, across):
    rows, cols = np.mgrid[:9, :13]
    slope = down * rows + across * cols
    found, _ = middle(slope)
    np.testing.assert_array_equal(found[2:-2, 2:-2], slope[2:-2, 2:-2])


@pytest.mark.parametrize(("height", "width"), [(1, 1), (2, 6), (3, 4), (4, 3), (12, 1), (2, 9)])
def test_an_island_has_nothing_in_common_with_what_is_around(height, width):
    # Any 5 x 5 tiles hold less than 13 of its.
    tiles = np.zeros((18, 17))
    tiles[3 : 3 + height, 4 : 4 + width] = 7.0
    found, everywhere = middle(tiles)
    np.testing.assert_array_equal(found, 0.0)
    np.testing.assert_array_equal(everywhere, 0.0)


def test_more_than_half_of_what_is_around_is_in_common():
    tiles = np.zeros((15, 15))
    tiles[4:9, 4:7] = 7.0  # fifteen of twenty-five, seen from its middle
    found, _ = middle(tiles)
    assert found[6, 5] == 7.0
    assert found[6, 9] == 0.0


@pytest.mark.parametrize("shape", [(4, 11), (11, 4), (1, 30), (1, 1)])
def test_pictures_of_fewer_than_five_tiles_have_no_surroundings(shape):
    found, everywhere = middle(np.full(shape, 7.0))
    np.testing.assert_array_equal(found, 0.0)
    np.testing.assert_array_equal(everywhere, 0.0)


def test_pictures_of_five_tiles_have_surroundings():
    _, everywhere = middle(np.full((5, 5), 7.0))
    np.testing.assert_array_equal(everywhere, 7.0)
