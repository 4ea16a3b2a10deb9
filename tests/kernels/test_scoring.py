"""Loops over tiles and places against the same in NumPy, to the bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashpan.detectors.places import BLOCK, Places
from flashpan.detectors.sway import _RIDGE, _explained
from flashpan.grid import lay_grid
from flashpan.kernels import forecast, motion, sway
from flashpan.kernels.outliers import clipped
from flashpan.kernels.writing import changed_by_few
from flashpan.model import Region

SEEDS = st.integers(0, 2**32 - 1)


def normal(random, *shape, size=1.0):
    return (size * random.standard_normal(shape)).astype(np.float32)


def positive(random, *shape):
    return random.uniform(0.1, 2.0, shape).astype(np.float32)


def gathered(tiles, grid):
    """Means over every place as NumPy makes them."""
    weights = grid.n_px.astype(np.float64)

    def blocks(values):
        rows = np.add.reduceat(values, np.arange(0, values.shape[0], BLOCK), axis=0)
        return np.add.reduceat(rows, np.arange(0, values.shape[1], BLOCK), axis=1)

    weighted = tiles * weights
    parts = [tiles.ravel()]
    with np.errstate(invalid="ignore"):
        if 1 < blocks(weights).size < weights.size:
            parts.append((blocks(weighted) / blocks(weights)).ravel())
        if weights.size > 1:
            parts.append((weighted.sum(keepdims=True) / weights.sum()).ravel())
    px = [grid.n_px.ravel(), blocks(grid.n_px).ravel(), [grid.n_px.sum()]]
    counted = np.concatenate(px if len(parts) == 3 else [px[0], px[2]][: len(parts)]) > 0
    return np.concatenate(parts).astype(np.float32)[counted]


@settings(max_examples=60, deadline=None)
@given(
    shape=st.tuples(st.integers(1, 700), st.integers(1, 700)),
    ignored=st.tuples(st.integers(1, 60), st.integers(1, 300)),
    seed=SEEDS,
)
def test_means_over_places(shape, ignored, seed):
    random = np.random.default_rng(seed)
    ignore = (Region(0, 0, *ignored),) if ignored[0] < shape[0] else ()
    grid = lay_grid(shape, (), ignore)
    tiles = normal(random, *grid.shape, size=10.0 ** random.integers(-6, 3))
    np.testing.assert_array_equal(Places(grid).gather(tiles), gathered(tiles, grid))


def told(n):
    return [np.full(n, np.nan, np.float32) for _ in range(4)]


@settings(max_examples=30, deadline=None)
@given(n=st.integers(1, 50), seed=SEEDS)
def test_departures_from_the_forecast(n, seed):
    random = np.random.default_rng(seed)
    sample, mean, trend, bias, earlier, home, last = (normal(random, n) for _ in range(7))
    spread, wander = positive(random, n), positive(random, n)
    error, deviation, z, noise = told(n)
    forecast.departures(sample, (mean, trend, bias), spread, error, deviation, z)
    np.testing.assert_array_equal(error, sample - mean - trend)
    np.testing.assert_array_equal(deviation, error - bias)
    np.testing.assert_array_equal(z, deviation / spread)

    away_for = random.integers(0, 3, n).astype(np.int32)
    forecast.departures_while_away(
        *(sample, (mean, trend, bias), spread, error, deviation, z),
        *((earlier, home, last, wander, away_for), np.float32(16), np.float32(0.5), noise),
    )
    nearest, back = sample - mean - trend - bias, sample - earlier - bias
    is_away = away_for > 0
    nearest = np.where(is_away & (np.abs(back) < np.abs(nearest)), back, nearest)
    back = sample - home - bias
    near = np.float32(0.5) * spread
    is_home = (np.abs(back) < np.minimum(np.abs(nearest), near)) & (np.abs(sample - last) < near)
    nearest = np.where(is_away & is_home, back, nearest)
    np.testing.assert_array_equal(deviation, nearest)
    age = away_for.astype(np.float32) / 16
    np.testing.assert_array_equal(noise, np.sqrt(spread**2 + wander * age))
    np.testing.assert_array_equal(z, deviation / noise)


@pytest.mark.parametrize("lag_is_known", [True, False])
@pytest.mark.parametrize("n", [1, 9, 700])
def test_motion(n, lag_is_known):
    random = np.random.default_rng(n)
    changes, usual, least = normal(random, 3, n), positive(random, 3, n), positive(random, n)
    if not lag_is_known:
        changes[2] = np.nan
    squares = np.empty_like(changes)
    motion.squared(changes, usual, least, squares)
    np.testing.assert_array_equal(squares, np.square(changes / np.maximum(usual, least)))

    means = np.empty(3, np.float32)
    motion.pooled(squares, np.float32(2.5), means)
    upright = np.ascontiguousarray(np.minimum(squares, 2.5).T)
    np.testing.assert_array_equal(means, upright.mean(axis=0))

    larger = np.abs(changes) > np.float32(0.67) * usual
    steps = np.float32(1.01), np.float32(0.99)
    expected = np.maximum(usual * np.where(larger, *steps), np.float32(1.0))
    motion.learn_usual(changes, usual, np.float32(0.67), *steps, np.float32(1.0))
    np.testing.assert_array_equal(usual, expected)


@settings(max_examples=30, deadline=None)
@given(places=st.integers(1, 20), n=st.integers(1, 20), seed=SEEDS)
def test_samples_are_cut(places, n, seed):
    random = np.random.default_rng(seed)
    samples, middle = normal(random, places, n), normal(random, places)
    reach = random.uniform(0.0, 1.5, places)
    expected = np.clip((samples - middle[:, None]).astype(float), -reach[:, None], reach[:, None])
    np.testing.assert_array_equal(clipped(samples, middle, reach), expected.astype(np.float32))


def test_tiles_that_few_pixels_changed():
    random = np.random.default_rng(5)
    size, square = positive(random, 40, 50), positive(random, 40, 50)
    few = np.empty(size.shape, np.bool_)
    assert changed_by_few(size, square, np.float32(0.4), np.float32(0.5), few)
    expected = (np.square(size) < np.float32(0.4) * square) & (square > np.float32(0.5))
    np.testing.assert_array_equal(few, expected)
    assert not changed_by_few(size, square, np.float32(0.4), np.float32(3.0), few)
    assert not few.any()


class Standing:
    """Tiles of a camera that stands, for the loops of sway."""

    def __init__(self, seed, n=120, kept=97):
        random = np.random.default_rng(seed)
        self.tiles = np.sort(random.permutation(n)[:kept])
        self.grids = tuple(normal(random, n) for _ in range(3))
        self.squares = positive(random, n)
        self.n_px = random.integers(1, 200, kept).astype(float)
        self.reference = random.standard_normal(kept)
        self.before = random.standard_normal((2, kept))
        self.power = random.uniform(0.0, 2.0, kept)
        self.now, self.terms = np.empty((2, kept)), np.empty((4, kept))
        self.away, self.noise = np.empty(kept), np.empty(kept)
        sway.departures(
            *(self.grids, self.tiles, self.n_px, self.reference, self.before, self.power),
            *(self.now, self.terms, self.away, self.noise),
        )


@pytest.mark.parametrize("seed", range(3))
def test_departures_from_where_the_camera_stands(seed):
    one = Standing(seed)
    mean, across, down = (grid[one.tiles].astype(float) for grid in one.grids)
    noise = np.sqrt(np.maximum(0.5 * one.power / one.n_px, 1e-12))
    now = np.stack([across, down])
    np.testing.assert_array_equal(one.noise, noise)
    np.testing.assert_array_equal(one.now, now)
    np.testing.assert_array_equal(one.away, (mean - one.reference) / noise)
    slopes = 0.5 * (one.before + now) / noise
    terms = np.concatenate([slopes, (one.reference / noise)[None], (1.0 / noise)[None]])
    np.testing.assert_array_equal(one.terms, terms)


@pytest.mark.parametrize("is_calm", [True, False])
def test_the_reference_follows(is_calm):
    one = Standing(4)
    squares = one.squares[one.tiles].astype(float)
    reference = one.reference + np.clip(one.away, -3.0, 3.0) * one.noise / 256.0
    power = one.power + (np.minimum(squares, 4.0 * one.power) - one.power) / 256.0
    slopes = one.before + ((one.now - one.before) / 256.0 if is_calm else 0.0)
    sway.follow(
        *(one.away, one.noise, one.now, one.squares, one.tiles, 3.0, 256.0, is_calm),
        *(one.reference, one.before, one.power),
    )
    np.testing.assert_array_equal(one.reference, reference)
    np.testing.assert_array_equal(one.before, slopes)
    np.testing.assert_array_equal(one.power, power)


def test_what_a_term_leaves_of_every_part():
    random = np.random.default_rng(6)
    term, values, trust = random.standard_normal((3, 200))
    trust, parts = np.abs(trust), random.integers(0, 8, 200)
    left = np.empty(200)
    sway.without(term, trust, values, parts, np.zeros((2, 9)), left)
    power = np.bincount(parts, trust * term * term, 9)
    shared = np.bincount(parts, trust * term * values, 9)
    expected = values - (shared / np.maximum(power, 1e-30))[parts] * term
    np.testing.assert_array_equal(left, expected)


@settings(max_examples=60, deadline=None)
@given(seed=SEEDS, shift=st.floats(0.0, 3.0), alike=st.floats(0.0, 1.0))
def test_a_first_look_never_says_no_where_a_shift_explains_enough(seed, shift, alike):
    random = np.random.default_rng(seed)
    terms = random.standard_normal((4, 300))
    terms[2] = terms[3] + alike**8 * terms[2]  # nearly the same, down to hardly any difference
    away = random.standard_normal(300) + shift * terms[0]
    gain = _explained(terms, away) - _explained(terms[2:], away)
    for most in (gain * 0.5, gain * 0.999, gain * 1.001, gain * 2.0):
        may = sway.shift_may_explain(terms, away, _RIDGE, 1e-12, most)
        assert may or gain <= most
    assert not sway.shift_may_explain(terms, away, _RIDGE, 1e-12, gain + 0.01 * away @ away)
