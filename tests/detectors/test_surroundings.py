"""What places have in common with the tiles around them, and what is left without it."""

import numpy as np
import pytest
from layouts import LAYOUTS, as_grid, boxes, counted

from flashpan.detectors.places import Places
from flashpan.detectors.surroundings import Surroundings
from flashpan.grid import lay_grid

DARK = 0.002  # the light that is added to every tile's, so that black has a ratio
BRIGHTER = 8.0  # a tile as many times as bright as those around it changes by less than they do


def mirrored(index, n):
    """The tile that stands in for one beyond the border, which itself is not repeated."""
    return -index if index < 0 else 2 * (n - 1) - index if index >= n else index


def beyond(tiles, row, col):
    """A tile, or what stands in beyond the border: light goes on there as it does within."""
    rows, cols = tiles.shape
    if not 0 <= col < cols:
        edge = 0 if col < 0 else cols - 1
        return 2.0 * beyond(tiles, row, edge) - beyond(tiles, row, mirrored(col, cols))
    if not 0 <= row < rows:
        edge = 0 if row < 0 else rows - 1
        return 2.0 * tiles[edge, col] - tiles[mirrored(row, rows), col]
    return tiles[row, col]


def around_all(tiles, row, col):
    """Median of five by five tiles."""
    near = [beyond(tiles, r, c) for r in range(row - 2, row + 3) for c in range(col - 2, col + 3)]
    return sorted(near)[12]


def around_some(tiles, counts, row, col):
    """Median of those of five by five tiles that count, None where fewer than a third do.

    Of an even number it is the lower one of the two in the middle.  Beyond the border the
    picture is mirrored.
    """
    rows, cols = tiles.shape
    near = [
        (mirrored(r, rows), mirrored(c, cols))
        for r in range(row - 2, row + 3)
        for c in range(col - 2, col + 3)
    ]
    known = sorted(tiles[cell] for cell in near if counts[cell])
    return known[(len(known) - 1) // 2] if len(known) > 25 / 3 else None


def filled(grid, values):
    """Values of tiles as a grid, with their median where a tile was left out."""
    found = np.full(grid.shape, np.median(values[: len(counted(grid))]), np.float64)
    for value, cell in zip(values, counted(grid), strict=False):
        found[cell] = value
    return found


def trusted(grid, light):
    """Part of what the tiles around a tile change by that it may be said to change by."""
    lights = filled(grid, light)
    return {
        cell: min(1.0, max(0.0, BRIGHTER * around_all(lights, *cell) / lights[cell]))
        for cell in counted(grid)
    }


def step_twin(grid, step, light, counts):
    """What `Surroundings.step` is to give, by loops over tiles."""
    n_tiles = len(counted(grid))
    light = light[:n_tiles].astype(np.float64) + DARK
    part = step[:n_tiles] / light
    parts, is_counted = as_grid(grid, part), as_grid(grid, counts[:n_tiles])
    trust, lights = trusted(grid, light), as_grid(grid, light)
    shared = {}
    for cell in counted(grid):
        if counts[:n_tiles].all():
            middle = around_all(filled(grid, part), *cell)
        else:
            middle = around_some(parts, is_counted, *cell)
        shared[cell] = None if middle is None else middle * lights[cell] * trust[cell]
    return [pooled(grid, shared, box) for box in boxes(grid)]


def pooled(grid, values, box):
    """Mean over the pixels of a place whose tiles are known, NaN where two thirds are not."""
    top, left, bottom, right = box
    cells = [cell for cell in values if top <= cell[0] < bottom and left <= cell[1] < right]
    known = [cell for cell in cells if values[cell] is not None]
    n_px = sum(grid.n_px[cell] for cell in known)
    if n_px <= sum(grid.n_px[cell] for cell in cells) / 3:
        return np.nan
    return sum(values[cell] * grid.n_px[cell] for cell in known) / n_px


@pytest.fixture(params=LAYOUTS)
def layout(request):
    shape, ignore = LAYOUTS[request.param]
    grid = lay_grid(shape, (), ignore)
    return grid, Places(grid)


@pytest.mark.parametrize("share", [1.0, 0.9, 0.6, 0.35, 0.2, 0.0])
def test_what_tiles_around_have_in_common_is_their_median(layout, share):
    grid, places = layout
    random = np.random.default_rng(2)
    light = random.uniform(0.0, 0.6, places.n).astype(np.float32)
    light[places.n // 2] = 5.0  # far brighter than those around it
    step = random.normal(0.0, 0.01, places.n).astype(np.float32)
    counts = random.random(places.n) < share
    found = Surroundings(places, light).step(step, light, counts)
    assert (found.shape, found.dtype) == ((places.n,), np.float32)
    if min(grid.shape) < 5:
        np.testing.assert_array_equal(found, 0.0)
    else:
        expected = step_twin(grid, step, light, counts)
        np.testing.assert_allclose(found, expected, rtol=2e-4, atol=2e-7)


def test_a_step_of_tiles_that_do_not_count_is_not_heard():
    random = np.random.default_rng(3)
    places, around = surrounded(random.uniform(0.1, 0.6, (9, 11)))
    light = random.uniform(0.1, 0.6, places.n).astype(np.float32)
    step = random.normal(0.0, 0.01, places.n).astype(np.float32)
    counts = random.random(places.n) < 0.7
    wild = np.where(counts, step, np.float32(np.nan))
    np.testing.assert_array_equal(
        around.step(wild, light, counts), around.step(step, light, counts)
    )


def surrounded(light):
    """Places over a grid of tiles, and surroundings that have that light at first."""
    places = Places(lay_grid((12 * light.shape[0], 12 * light.shape[1])))
    return places, Surroundings(places, places.gather(light.astype(np.float32)))


def left(places, around, light):
    """What is left of some tiles' light without what is shared: of all places, and as a grid."""
    found = around.without_shared(places.gather(light.astype(np.float32)))
    return found, places.on_grid(found)


ROWS, COLS = np.mgrid[:14, :20]


def shaded(at, depth, soft=14.0):
    """Light that a slanting shadow leaves; its edge is so many tiles wide."""
    passed = np.clip(0.5 - (COLS + 0.4 * ROWS - at) / soft, 0.0, 1.0)
    return 1.0 - depth * 0.5 * (1.0 - np.cos(np.pi * passed))


@pytest.mark.parametrize("depth", [-0.2, 0.1, 0.5])
def test_a_shadow_that_crosses_leaves_little_of_what_it_changes(depth):
    light = np.random.default_rng(1).uniform(0.1, 0.6, ROWS.shape)
    places, around = surrounded(light)
    for at in np.arange(-15.0, 40.0, 0.5):
        everywhere, tiles = left(places, around, light * shaded(at, depth))
        part = np.abs(tiles / (light * depth))
        assert part[2:-2, 2:-2].max() < 0.015
        assert part.max() < 0.03
        assert abs(everywhere[-1]) < 0.002 * abs(depth) * light.mean()


@pytest.mark.parametrize("size", [1, 2, 3])
@pytest.mark.parametrize(("row", "col"), [(5, 8), (2, 2), (9, 15), (2, 9)])
def test_an_island_keeps_its_change_whole(size, row, col):
    light = np.random.default_rng(1).uniform(0.1, 0.6, ROWS.shape)
    places, around = surrounded(light)
    change = np.zeros(ROWS.shape)
    change[row : row + size, col : col + size] = 0.05
    _, tiles = left(places, around, light + change)
    np.testing.assert_allclose(tiles, change, atol=1e-6)


@pytest.mark.parametrize(("size", "tiles_off"), [(1, 0.25), (2, 1.0), (3, 2.0)])
@pytest.mark.parametrize("depth", [0.1, 0.3])
def test_an_island_keeps_its_change_while_a_shadow_crosses(size, tiles_off, depth):
    # The tiles that changed are missing from what is around: its median moves up the slope.
    light = np.random.default_rng(1).uniform(0.1, 0.6, ROWS.shape)
    places, around = surrounded(light)
    island = np.s_[5 : 5 + size, 8 : 8 + size]
    change = np.zeros(ROWS.shape)
    change[island] = 0.05
    steepest = depth * 0.5 * np.pi / 14.0 * light[island]  # per tile
    for at in np.arange(-10.0, 30.0, 1.0):
        _, tiles = left(places, around, light * shaded(at, depth) + change)
        assert np.all(np.abs(tiles[island] - 0.05) < tiles_off * steepest)


def test_one_tile_at_the_border_keeps_its_change_whole():
    light = np.random.default_rng(1).uniform(0.1, 0.6, ROWS.shape)
    places, around = surrounded(light)
    for row, col in [(0, 0), (0, 9), (13, 19), (6, 0), (13, 5)]:
        change = np.zeros(ROWS.shape)
        change[row, col] = 0.05
        _, tiles = left(places, around, light + change)
        np.testing.assert_allclose(tiles, change, atol=1e-6)


@pytest.mark.parametrize("level", [0.0, 0.001, 0.01, 0.3])
def test_what_is_shared_adds_little_noise(level):
    noise = 0.0004
    light = np.full(ROWS.shape, level)
    places, around = surrounded(light)
    random = np.random.default_rng(4)
    frames = light + noise * random.standard_normal((300, *ROWS.shape))
    spreads = np.std([left(places, around, frame)[1] for frame in frames], axis=0)
    # A median of twenty-five has a quarter of the noise; at the border fewer tiles say it.
    assert spreads[2:-2, 2:-2].max() < 1.2 * noise
    assert spreads.max() < 1.4 * noise


@pytest.mark.parametrize("dark", [0.0, 0.004, 0.02])
def test_a_lamp_in_the_night_does_not_show_the_noise_around_it_many_times_over(dark):
    noise = 0.0004
    light = np.full((10, 14), dark)
    light[5, 6] = 0.5
    places, around = surrounded(light)
    random = np.random.default_rng(1)
    frames = (light + noise * random.standard_normal((400, *light.shape))).astype(np.float32)
    left = np.array([around.without_shared(places.gather(frame)) for frame in frames])
    counts = np.ones(places.n, bool)
    n_px = places.n_px / 144.0
    assert left.std(axis=0)[5 * 14 + 6] < 2.5 * noise
    assert left.std(axis=0)[-1] < 2.5 * noise / np.sqrt(n_px[-1])
    steps = [
        around.step(places.gather(one - other), places.gather(one), counts)
        for one, other in zip(frames[1:], frames, strict=False)
    ]
    assert np.std(steps, axis=0)[5 * 14 + 6] < 2.5 * np.sqrt(2.0) * noise


@pytest.mark.parametrize("name", ["holes", "half", "block"])
def test_tiles_left_out_say_nothing_of_a_shadow(name):
    shape, ignore = LAYOUTS[name]
    grid = lay_grid(shape, (), ignore)
    places = Places(grid)
    light = np.random.default_rng(5).uniform(0.1, 0.6, grid.shape)
    around = Surroundings(places, places.gather(light.astype(np.float32)))
    change = np.zeros(grid.shape)
    row, col = counted(grid)[len(counted(grid)) // 2]
    change[row, col] = 0.05
    lit = 0.8 * light + change
    lit[grid.n_px == 0] = 77.0
    found = around.without_shared(places.gather(lit.astype(np.float32)))
    expected = np.where(grid.n_px > 0, change, 0.0)
    # The light that is added in the dark is not shaded.
    np.testing.assert_allclose(places.on_grid(found), expected, atol=0.2 * 1.1 * DARK * 6)


@pytest.mark.parametrize("shape", [(4, 11), (11, 4), (1, 30), (1, 1)])
def test_pictures_of_fewer_than_five_tiles_have_no_surroundings(shape):
    light = np.random.default_rng(6).uniform(0.1, 0.6, shape)
    places, around = surrounded(light)
    found, tiles = left(places, around, 0.8 * light)
    np.testing.assert_allclose(tiles, -0.2 * light, atol=1e-6)
    sample = places.gather((0.8 * light).astype(np.float32))
    step = around.step(found, sample, np.ones(places.n, bool))
    np.testing.assert_array_equal(step, 0.0)
    around.renew(np.arange(places.n), sample, sample)
    np.testing.assert_allclose(left(places, around, 0.8 * light)[0], 0.0, atol=1e-6)


def test_pictures_of_five_tiles_have_surroundings():
    light = np.random.default_rng(6).uniform(0.1, 0.6, (5, 5))
    places, around = surrounded(light)
    assert np.abs(left(places, around, 0.8 * light)[0]).max() < DARK


def test_renewed_places_begin_at_nought_and_no_other_notices():
    random = np.random.default_rng(7)
    light = random.uniform(0.1, 0.6, ROWS.shape)
    places, around = surrounded(light)
    for seed in range(5):
        light *= random.uniform(0.9, 1.1, ROWS.shape)
        light[3 : 3 + seed, 4:9] += 0.1
        sample = places.gather(light.astype(np.float32))
        before = around.without_shared(sample)
        renewed = np.flatnonzero(random.random(places.n) < 0.2 * seed)
        around.renew(renewed, sample, sample)
        after = around.without_shared(sample)
        others = np.delete(np.arange(places.n), renewed)
        np.testing.assert_allclose(after[renewed], 0.0, atol=1e-6)
        np.testing.assert_allclose(after[others], before[others], atol=1e-6)


def test_renewed_places_change_as_their_surroundings_do_from_then_on():
    light = np.random.default_rng(8).uniform(0.1, 0.6, ROWS.shape)
    places, around = surrounded(light)
    changed = light.copy()
    changed[4:7, 6:9] += 0.2
    sample = places.gather(changed.astype(np.float32))
    settled = np.flatnonzero(np.abs(around.without_shared(sample)) > 0.01)
    around.renew(settled, sample, sample)
    _, tiles = left(places, around, 0.8 * changed)
    assert np.abs(tiles / changed).max() < 0.2 * 0.03
