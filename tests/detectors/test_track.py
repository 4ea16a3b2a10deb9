"""One series per place: what it takes for normal, for its own drift and for its neighbours'."""

import numpy as np
import pytest

from flashpan.detectors.places import Places
from flashpan.detectors.surroundings import Surroundings
from flashpan.detectors.track import GATE, Track
from flashpan.grid import lay_grid

N_PLACES, SIGMA = 4, 0.001


def track(rng, settle_after):
    return Track(
        rng.normal(0.3, SIGMA, (N_PLACES, 32)).astype(np.float32),
        np.full(N_PLACES, SIGMA, np.float32),
        sides=2,
        window=128,
        hold_after=3,
        settle_after=settle_after,
        sizes=(slice(0, N_PLACES),),
    )


def test_new_normal_is_the_plateau_whatever_crept_into_the_forecast_before():
    # It rises slowly, the forecast with it, and then falls below where it was: there the
    # forecast and what the place was some time ago differ.
    rng = np.random.default_rng(4)
    followed = track(rng, settle_after=80)
    lift = 8 * SIGMA * np.clip((np.arange(400) - 100) / 60.0, 0.0, 1.0)
    lift[160:] = -30 * SIGMA
    for height in lift:
        sample = rng.normal(0.3 + height, SIGMA, N_PLACES).astype(np.float32)
        followed.judge(sample)
        places = followed.learn(sample)
        if len(places):
            followed.settle(places, np.full(N_PLACES, SIGMA, np.float32))
            np.testing.assert_allclose(followed.level[places], 0.3 + lift[-1], atol=SIGMA)
            return
    raise AssertionError("it never settled")


GRID = lay_grid((96, 132))
PLACES = Places(GRID)
NOISE = 0.0005  # of a tile's mean
FLOOR = (NOISE / np.sqrt(PLACES.n_px / 144.0)).astype(np.float32)


def lit(lift, seed):
    """Means of every place, shape (places, frames).

    Tiles between a fifth and three fifths of full scale grow brighter, by a part of their light;
    ``lift`` has the shape (frames,) or (frames, tile rows, tile columns).
    """
    random = np.random.default_rng(seed)
    light = random.uniform(0.2, 0.6, GRID.shape)
    lift = lift if lift.ndim == 3 else lift[:, None, None]
    tiles = light * (1.0 + lift) + NOISE * random.standard_normal((len(lift), *GRID.shape))
    return np.stack([PLACES.gather(tile.astype(np.float32)) for tile in tiles], axis=1)


def started(samples, **options):
    options = {"window": 128, "settle_after": 256, **options}
    first = samples[:, :32]
    return Track(first, FLOOR, sides=2, hold_after=3, sizes=PLACES.sizes, **options)


def take(followed, sample):
    """Judge and learn one sample; return the departures."""
    z = followed.judge(sample).copy()
    places = followed.learn(sample)
    if len(places):
        followed.settle(places, FLOOR)
    if followed.refresh_due:
        followed.refresh(FLOOR)
    return z


def departures(samples, **options):
    followed = started(samples, near=PLACES.largest_near, **options)
    return np.abs([take(followed, sample) for sample in samples.T])


def around(samples):
    """Surroundings as they are at first."""
    return Surroundings(PLACES, np.median(samples[:, :32], axis=1))


def beginning_drift(per_frame, n_frames=360, begins=40, takes=150):
    """Lift of light that begins to drift gently, and then goes on drifting."""
    pace = np.clip((np.arange(n_frames) - begins) / takes, 0.0, 1.0)
    return per_frame * np.cumsum(pace)


@pytest.mark.parametrize("seed", [1, 3, 5])
def test_a_drift_of_the_light_that_all_places_share_is_no_departure(seed):
    samples = lit(beginning_drift(0.0002), seed)
    assert departures(samples).max() > GATE
    assert departures(samples, light=around(samples)).max() < GATE


def island(lift):
    """The same lift in nine tiles out of eighty-eight, and none elsewhere."""
    tiles = np.zeros((len(lift), *GRID.shape))
    tiles[:, 3:6, 4:7] = lift[:, None, None]
    return tiles


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_drift_that_surroundings_do_not_share_is_a_departure(seed):
    samples = lit(island(beginning_drift(0.0016, takes=100)), seed)
    tiles = PLACES.sizes[0]
    assert departures(samples)[:, tiles].max() > 4 * GATE
    found = departures(samples, light=around(samples))
    assert found[:, tiles].max() > 4 * GATE


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_drifts_alone_departs_no_later_for_knowing_its_surroundings(seed):
    # So fast that it departs before its drift can be learned.
    samples = lit(island(0.004 * np.maximum(0.0, np.arange(160) - 100.0)), seed)
    tiles = PLACES.sizes[0]
    alone = departures(samples)[:, tiles].max(axis=1) > 2 * GATE
    known = departures(samples, light=around(samples))[:, tiles].max(axis=1) > 2 * GATE
    assert 100 < alone.argmax() < 116
    np.testing.assert_array_equal(known, alone)


def after_samples_set_aside(off, aside):
    """Level before and after eight samples, ``off`` noise units high and set aside in places.

    No refresh of bias and spread is due between.
    """
    samples = lit(np.zeros(120), seed=4)
    followed = started(samples)
    for sample in samples[:, :98].T:
        take(followed, sample)
    before = followed.level.copy()
    for sample in samples[:, 98:106].T:
        followed.judge(sample + off * FLOOR)
        assert not followed.departed[aside].any()  # it would be held for that alone
        followed.learn(sample + off * FLOOR, aside)
        assert not followed.refresh_due
    return before, followed.level


def test_samples_set_aside_leave_the_forecast_as_it_is():
    aside = np.arange(PLACES.n) % 3 == 0
    before, plain = after_samples_set_aside(0.0, aside)
    _, high = after_samples_set_aside(1.5, aside)
    np.testing.assert_array_equal(high[aside], plain[aside])
    # The mean of sixteen, of which eight are 1.5 higher than they were.
    rise = (high - plain)[~aside] / FLOOR[~aside]
    np.testing.assert_allclose(rise, 0.75, atol=0.01)
    # Old samples stand in: the mean stays as near as their noise allows, five sigma of it.
    moved = (high - before)[aside] / FLOOR[aside]
    assert np.abs(moved).max() < 5.0 * np.sqrt(2 / 16)


ROW, COL = 4, 3
CELL = ROW * GRID.shape[1] + COL


def stirred(change):
    """White noise, and in one tile a change of the mean besides, in noise units per frame."""
    tiles = np.zeros((len(change), *GRID.shape))
    tiles[:, ROW, COL] = change
    random = np.random.default_rng(6)
    tiles = 0.4 + NOISE * (tiles + random.standard_normal(tiles.shape))
    return np.stack([PLACES.gather(tile.astype(np.float32)) for tile in tiles], axis=1)


def tile_spreads(followed):
    """Spreads of the tiles, in units of their floor, on their grid."""
    return PLACES.on_grid(followed.spread / FLOOR)


def near_and_far():
    """Tiles within two rows and five columns of the stirred one, without it; and the others."""
    rows, cols = np.ogrid[: GRID.shape[0], : GRID.shape[1]]
    near = (np.abs(rows - ROW) <= 2) & (np.abs(cols - COL) <= 5)
    far = ~near
    near[ROW, COL] = False
    return near, far


def test_a_restless_tile_makes_those_near_it_doubtful():
    samples = stirred(10.0 * np.random.default_rng(9).standard_normal(120))
    near, far = near_and_far()
    doubting = started(samples, near=PLACES.largest_near)
    trusting = started(samples)
    for sample in samples.T:
        take(doubting, sample)
        take(trusting, sample)
        spreads = tile_spreads(doubting)
        assert 6.0 < spreads[ROW, COL] < 25.0  # ten, as far as some dozens of samples tell
        np.testing.assert_array_equal(spreads[near], spreads[ROW, COL])
        assert np.all(spreads[far] < 2.0)
    assert np.all(tile_spreads(trusting)[near] < 2.0)


def test_a_tile_stirred_by_an_event_does_not_until_it_shows_a_habit():
    # It becomes bright at once, stays so, and is noisy there; bright is its normal by frame 84.
    begins, window, settles = 60, 64, 24
    change = 60.0 + 10.0 * np.random.default_rng(9).standard_normal(200)
    change[:begins] = 0.0
    samples = stirred(change)
    near, _ = near_and_far()
    followed = started(samples, near=PLACES.largest_near, window=window, settle_after=settles)
    for frame, sample in enumerate(samples.T):
        take(followed, sample)
        spreads = tile_spreads(followed)
        if begins + settles <= frame < begins + settles + window:
            assert spreads[ROW, COL] > 6.0
            assert np.all(spreads[near] < 2.0)
    assert spreads[ROW, COL] > 6.0
    np.testing.assert_array_equal(spreads[near], spreads[ROW, COL])


@pytest.mark.parametrize("dark", [0.0, 0.004, 0.1])
@pytest.mark.parametrize("seed", range(6))
def test_a_lamp_in_the_night_comes_back_to_what_it_was(dark, seed):
    # The noise of black tiles is a large part of their light, and says nothing of the lamp's.
    random = np.random.default_rng(seed)
    tiles = dark + NOISE * random.standard_normal((260, *GRID.shape))
    tiles[:, ROW, COL] += 0.5
    tiles[150:190, ROW, COL] += 0.1
    samples = np.stack([PLACES.gather(tile.astype(np.float32)) for tile in tiles], axis=1)
    found = departures(samples, light=around(samples))[:, CELL]
    assert np.all(found[150:190] > 20 * GATE)
    assert np.sum(found[190:] > GATE) <= 1


BEGINS, FRAMES = 200, 420


def under_a_drift(per_frame, seed, event=0.0, n=0, where=np.s_[:, :]):
    """Light that drifts, and some tiles that are brighter by a part of it for ``n`` frames."""
    lift = np.zeros((FRAMES, *GRID.shape))
    lift += beginning_drift(per_frame, FRAMES, takes=100)[:, None, None]
    lift[BEGINS : BEGINS + n][:, *where] += event
    return lit(lift, seed)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("per_frame", [0.0001, -0.0001, 0.0002, 0.0004, -0.0004])
@pytest.mark.parametrize("n", [17, 40, 120])
def test_a_place_that_was_away_comes_back_to_the_light_as_it_is_by_then(n, per_frame, seed):
    samples = under_a_drift(per_frame, seed, 0.3, n, np.s_[ROW, COL])
    found = departures(samples, light=around(samples))[:, CELL]
    ends = BEGINS + n
    assert np.all(found[BEGINS:ends] > 4 * GATE)
    assert found[ends:].max() < GATE


@pytest.mark.parametrize("seed", [2, 3, 4])
@pytest.mark.parametrize("per_frame", [0.00005, 0.0001, -0.0001])
@pytest.mark.parametrize("n", [1, 40])
def test_an_event_of_the_whole_scene_ends_when_it_ends_under_a_drift(n, per_frame, seed):
    samples = under_a_drift(per_frame, seed, 0.3, n)
    found = departures(samples, light=around(samples))
    ends = BEGINS + n
    assert np.all(found[BEGINS:ends].min(axis=1) > 4 * GATE)
    assert found[ends:].max() < GATE


def left_of_the_drift(per_frame, n, where, place, *, knows_light):
    """Share of its surroundings' drift that the forecast of a departed place did not make."""
    samples, undisturbed = under_a_drift(per_frame, 1, 0.3, n, where), under_a_drift(per_frame, 1)
    light = around(samples) if knows_light else None
    followed = started(samples, near=PLACES.largest_near, light=light)
    for sample in samples[:, :BEGINS].T:
        take(followed, sample)
    before = followed.level[place].copy()
    ends = BEGINS + n
    for sample in samples[:, BEGINS:ends].T:
        take(followed, sample)
    drift = undisturbed[place, ends - 8 : ends + 8].mean() - before
    return 1.0 - (followed.level[place] - before) / drift


@pytest.mark.parametrize("per_frame", [0.0004, -0.0004])
def test_the_forecast_of_a_departed_place_goes_with_the_light_around_it(per_frame):
    case = per_frame, 40, np.s_[ROW, COL], CELL
    assert abs(left_of_the_drift(*case, knows_light=True)) < 0.15
    assert left_of_the_drift(*case, knows_light=False) > 0.8


@pytest.mark.parametrize("per_frame", [0.0001, -0.0001, 0.0002])
def test_the_drift_goes_on_where_the_surroundings_have_departed_too(per_frame):
    # It fades, by a tenth every sixteen samples, in case that it does not go on.
    case = per_frame, 40, np.s_[:, :], PLACES.n - 1
    assert abs(left_of_the_drift(*case, knows_light=True)) < 0.15
    assert left_of_the_drift(*case, knows_light=False) > 0.8
