"""Loops over tiles and places against the same in NumPy, to the bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashpan.detectors.places import BLOCK, Places
from flashpan.detectors.sway import _FITS, _OWN, _RIDGE, Stand, _explained
from flashpan.grid import lay_grid
from flashpan.kernels import forecast, motion, specks, surroundings, sway
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
    return [np.full(n, np.nan, np.float32) for _ in range(3)]


def sized(z, two_sided):
    return np.abs(z) if two_sided else np.maximum(z, 0)


@settings(max_examples=30, deadline=None)
@given(n=st.integers(1, 50), two_sided=st.booleans(), seed=SEEDS)
def test_departures_from_the_forecast(n, two_sided, seed):
    random = np.random.default_rng(seed)
    sample, mean, trend, bias, earlier, home, last = (normal(random, n) for _ in range(7))
    spread, wander, gate = positive(random, n), positive(random, n), np.float32(0.5)
    error, deviation, z = told(n)
    departed = np.zeros(n, np.bool_)
    judged = (
        *(sample, mean, trend, bias, spread, gate, two_sided),
        *(error, deviation, z, departed),
    )
    place, any_departed = forecast.departures(*judged)
    np.testing.assert_array_equal(error, sample - mean - trend)
    np.testing.assert_array_equal(deviation, error - bias)
    np.testing.assert_array_equal(z, deviation / spread)
    np.testing.assert_array_equal(departed, sized(deviation, two_sided) > gate * spread)
    assert (place, any_departed) == (sized(z, two_sided).argmax(), departed.any())

    away_for, noise = random.integers(0, 3, n).astype(np.int32), np.empty(n, np.float32)
    home[random.random(n) < 0.1] = np.nan  # nobody knows
    place, any_departed = forecast.departures_while_away(
        *judged, *(earlier, home, last, wander, away_for), np.float32(16), noise
    )
    nearest, back = sample - mean - trend - bias, sample - earlier - bias
    is_away = away_for > 0
    nearest = np.where(is_away & (np.abs(back) < np.abs(nearest)), back, nearest)
    back = sample - home - bias
    near = gate * spread
    is_home = (np.abs(back) < np.minimum(np.abs(nearest), near)) & (np.abs(sample - last) < near)
    nearest = np.where(is_away & is_home, back, nearest)
    np.testing.assert_array_equal(deviation, nearest)
    age = away_for.astype(np.float32) / 16
    np.testing.assert_array_equal(noise, np.sqrt(spread**2 + wander * age))
    np.testing.assert_array_equal(z, deviation / noise)
    np.testing.assert_array_equal(departed, sized(deviation, two_sided) > gate * spread)
    assert (place, any_departed) == (sized(z, two_sided).argmax(), departed.any())


@pytest.mark.parametrize("two_sided", [True, False])
def test_a_departure_that_is_no_number_is_the_largest(two_sided):
    sample = np.array([1, 5, np.nan, 9], np.float32)
    nought, one = np.zeros(4, np.float32), np.ones(4, np.float32)
    place, _ = forecast.departures(
        *(sample, nought, nought, nought, one, np.float32(5), two_sided),
        *(*told(4), np.zeros(4, np.bool_)),
    )
    assert place == np.argmax(sample) == 2


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
        self.n_within = sway.departures(
            *(*self.grids, self.tiles, self.n_px, self.reference, self.before, self.power),
            *(self.now, self.terms, self.away, self.noise, 3.0),
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
    assert one.n_within == np.count_nonzero(np.abs(one.away) < 3.0)


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


def looked_at(seed, n, shift, alike):
    """Terms of which two are nearly the same, down to hardly any difference, and departures."""
    random = np.random.default_rng(seed)
    terms = random.standard_normal((4, n))
    terms[2] = terms[3] + alike**8 * terms[2]
    return terms, random.standard_normal(n) + shift * terms[0]


@settings(max_examples=60, deadline=None)
@given(seed=SEEDS, n=st.integers(250, 303), shift=st.floats(0.0, 3.0), alike=st.floats(0.0, 1.0))
def test_a_first_look_is_right_or_not_sure(seed, n, shift, alike):
    terms, away = looked_at(seed, n, shift, alike)
    gain = _explained(terms, away) - _explained(terms[2:], away)
    for part in (0.5, 0.999, 1.001, 2.0):
        answer = sway.shift_explains(terms, away, _RIDGE, 1e-12, gain * part)
        assert answer == sway.UNSURE or (answer == sway.YES) == (part < 1.0)
        if alike > 0.9 and part in (0.5, 2.0):  # terms that are not alike, and a clear answer
            assert answer != sway.UNSURE
    doubt = 0.01 * away @ away
    assert sway.shift_explains(terms, away, _RIDGE, 1e-12, gain + doubt) == sway.NO


def fitted_quickly(terms, away):
    """As `Stand._may_agree` does it."""
    found, trust, rest = np.empty(4), np.empty(len(away)), np.zeros(len(away))
    reach = np.inf
    for _ in range(_FITS):
        own = sway.fit(terms, away, reach, _RIDGE, 1e-12, trust, found, rest)
        reach = _OWN * max(1.0, 1.4826 * np.median(rest))
    return found, rest, reach, own


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS, n=st.integers(250, 303), shift=st.floats(0.0, 3.0), alike=st.floats(0.3, 1.0))
def test_a_quick_fit_is_the_careful_one_but_for_rounding(seed, n, shift, alike):
    terms, away = looked_at(seed, n, shift, alike)
    away[::7] += 30.0  # what moves by itself
    noise = np.ones(n)
    found, rest, reach, own = fitted_quickly(terms, away)
    step, light, trust = Stand(lay_grid((24, 12 * n)))._fitted(away, terms, noise)
    error = 1e-11 / own
    np.testing.assert_allclose(found[:2], step, rtol=error, atol=error)
    np.testing.assert_allclose(found[2:] @ terms[2:], light, rtol=error, atol=error)
    np.testing.assert_allclose(
        np.square(np.minimum(1.0, reach / np.maximum(rest, 1e-12))), trust, rtol=error, atol=error
    )


@settings(max_examples=60, deadline=None)
@given(
    seed=SEEDS, px=st.floats(0.0, 8.0), scatter=st.floats(0.0, 4.0), slope=st.floats(0.2, 20.0),
    split=st.sampled_from([0.0, 0.3, 1.0, 2.0]),
)  # fmt: skip
def test_parts_that_agree_are_never_overlooked(seed, px, scatter, slope, split):
    random = np.random.default_rng(seed)
    stand = Stand(lay_grid((180, 240)))
    n = 15 * 20
    stand._mean = random.uniform(0.1, 0.9, n)
    noise = random.uniform(0.5e-3, 2e-3, n)
    slopes = random.normal(0.0, slope, (2, n)) * noise
    terms = np.stack([*(slopes / noise), stand._mean / noise, 1.0 / noise])
    each = px * (1.0 + split * random.standard_normal(9))[stand._part]
    away = each * terms[0] + scatter * random.standard_normal(n) + 0.01 * terms[2]
    step, light, trust = stand._fitted(away, terms, noise)
    agrees = stand._agree(step, (away * noise - light) / noise, terms[:2], trust, noise)
    assert stand._may_agree(away, terms) or not agrees


def test_a_quick_look_spares_most_careful_ones():
    random = np.random.default_rng(3)
    stand = Stand(lay_grid((180, 240)))
    stand._mean, n = random.uniform(0.1, 0.9, 300), 300
    spared = 0
    for _ in range(20):
        terms = np.stack([*random.normal(0, 2, (2, n)), 1e3 * stand._mean, np.full(n, 1e3)])
        spared += not stand._may_agree(3.0 * random.standard_normal(n), terms)
    assert spared > 15


@pytest.mark.parametrize("shape", [(1, 1), (5, 7), (60, 107)])
def test_specks_are_judged(shape):
    random = np.random.default_rng(shape[0])
    speck, sigma, usual = (positive(random, *shape) for _ in range(3))
    near, loud, counted = positive(random, *shape), positive(random, *shape), random.random(shape)
    near, counted = near * (near > 1.5), counted > 0.1
    white, clearly = np.float32(0.9), np.float32(0.9 * 1.12)
    noise, z = np.empty_like(speck), np.empty_like(speck)
    best = specks.judge(speck, sigma, usual, near, counted, white, clearly, noise, z)
    beyond = np.where(usual > clearly, usual / white, np.float32(1.0))
    np.testing.assert_array_equal(noise, np.maximum(sigma * beyond, near / white))
    np.testing.assert_array_equal(z, np.where(counted, speck / noise, np.float32(0.0)))
    assert best == np.unravel_index(z.argmax(), shape)

    gain, up, down = np.float32(0.1), np.float32(1.02), np.float32(0.98)
    size = speck / sigma
    louder = np.where(size > np.float32(1.8), loud + (size - loud) * gain, loud)
    usually = np.maximum(usual * np.where(speck > usual * sigma, up, down), np.float32(0.5))
    specks.learn(speck, sigma, usual, loud, np.float32(1.8), gain, up, down, np.float32(0.5))
    np.testing.assert_array_equal(loud, louder)
    np.testing.assert_array_equal(usual, usually)


@pytest.mark.parametrize("shape", [(5, 5), (5, 9), (60, 107)])
def test_light_beside_that_around_it(shape):
    random = np.random.default_rng(shape[1])
    light, level, dark = positive(random, 5 + shape[0] * shape[1]), positive(random, *shape), 0.002
    tiles, level, dark = light[: level.size], level.ravel(), np.float32(dark)
    wide = np.empty((shape[0] + 4, shape[1] + 4), np.float32)
    surroundings.widened_ratio(light, dark, level, 2, wide)
    ratio = ((tiles + dark) / level).reshape(shape)
    expected = np.pad(ratio, 2, mode="reflect", reflect_type="odd")
    np.testing.assert_array_equal(wide, expected)
    wide[:2] = wide[-2:] = wide[:, :2] = wide[:, -2:] = np.nan
    surroundings.beyond_border(wide, 2)
    np.testing.assert_array_equal(wide, expected)

    trust, rest = random.random(level.size).astype(np.float32), np.empty(shape, np.float32)
    surroundings.unshared(light, dark, level, wide, 2, trust, rest)
    change = (ratio.ravel() - np.float32(1.0)) * trust
    np.testing.assert_array_equal(rest.ravel(), tiles + dark - level - level * change)
