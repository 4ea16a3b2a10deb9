"""When a change began: against brute force, and on series and tiles whose onset is known."""

import numpy as np
import pytest

from flashpan.grid import lay_grid
from flashpan.model import Tiles
from flashpan.onset import _CERTAIN, _SIGNIFICANT, LookBack, _gains, change_point

SHAPE = (96, 96)
GRID = lay_grid(SHAPE, (), ())
NOISE = 0.002  # of a pixel, fraction of full scale
STEP = 1 / 4095


def rise(n, onset, power, height, seed):
    """Unit noise; from ``onset`` on it rises by a power to ``height`` in the last entry."""
    since = np.clip(np.arange(n) - onset + 1.0, 0.0, None)
    shape = np.where(since > 0, since**power, 0.0)
    return np.random.default_rng(seed).normal(size=n) + height * shape / shape[-1]


def lapse(series, onset, power):
    """Gain of a constant and a rise over a constant alone, by two plain least-squares fits."""
    n = len(series)
    since = np.clip(np.arange(n) - onset + 1.0, 0.0, None)
    columns = np.stack([np.ones(n), np.where(since > 0, since**power, 0.0)], axis=1)
    left = np.linalg.lstsq(columns, series, rcond=None)[0]
    alone = np.square(series - series.mean()).sum()
    gain = 0.5 * (alone - np.square(series - columns @ left).sum())
    return gain if left[1] > 0 else 0.0


def test_gains_equal_least_squares_frame_by_frame():
    series = rise(40, 25, 1, 6.0, seed=1)
    gains, _ = _gains(series, 0, (0.0, 0.0), 1.0)
    for power in (0, 1, 2):
        slow = [0.0] + [lapse(series, onset, power) for onset in range(1, 40)]
        np.testing.assert_allclose(gains[power], slow, atol=1e-6)


@pytest.mark.parametrize("seed", range(10))
def test_sharp_change_is_told_to_the_frame(seed):
    found = change_point(rise(100, 90, 0, 20.0, seed), calm=70)
    assert found.frame == 90


@pytest.mark.parametrize("power", [1, 2])
def test_slow_change_is_told_within_what_its_noise_hides(power):
    # The frames in which the rise itself is below three noise units may hold its onset.
    n, onset, height = 128, 100, 15.0
    since = np.clip(np.arange(n) - onset + 1.0, 0.0, None)
    plain = height * np.where(since > 0, since**power, 0.0) / (n - onset) ** power
    seen = int(np.flatnonzero(plain > 3.0)[0])
    found = [change_point(rise(n, onset, power, height, seed), calm=70) for seed in range(100)]
    inside = [onset - 1 <= one.frame <= seen + 1 for one in found]
    assert np.mean(inside) >= 0.9


def test_noise_alone_is_never_significant():
    rng = np.random.default_rng(5)
    found = [change_point(rng.normal(size=128), calm=80) for _ in range(300)]
    assert max(one.evidence for one in found if one is not None) < 0.7 * _SIGNIFICANT


def test_swaying_before_is_no_onset():
    t = np.arange(128)
    sway = 4.0 * np.sin(2 * np.pi * t / 90.0)
    for seed in range(10):
        series = rise(128, 122, 1, 40.0, seed) + sway
        assert abs(change_point(series, calm=85).frame - 122) <= 2


def test_too_short_a_series_says_nothing():
    assert change_point(np.array([0.0, 30.0])) is None


def test_what_follows_once_it_is_certain_does_not_matter():
    series = rise(60, 50, 0, 3 * _CERTAIN, seed=2)
    assert change_point(series[:51], 30).frame == change_point(series, 30).frame == 50


def tiles(index, lift, rng):
    """Tiles of white pixel noise; some are lifted."""
    mean = 0.3 + rng.normal(0.0, NOISE / 12.0, GRID.shape) + lift
    square = np.full(GRID.shape, 2.0 * NOISE**2, np.float32)
    return Tiles(
        index=index, mean=mean.astype(np.float32), abs_diff=square, sq_diff=square,
        has_previous=index > 0,
    )  # fmt: skip


def looked_back(lifts, *, first=0, guess, extent=(2, 2, 5, 5), seed=3, refreshed=None, **how):
    rng = np.random.default_rng(seed)
    past = LookBack(GRID, STEP, **how)
    for index, lift in enumerate(lifts):
        one = tiles(index, lift, rng)
        if index == refreshed:
            one = Tiles(
                index=index, mean=one.mean, abs_diff=one.abs_diff, sq_diff=one.sq_diff,
                refreshed=True,
            )  # fmt: skip
        past.push(one)
    return past.began(first, guess, extent)


def ramp(n, onset, per_frame):
    """Nine tiles that brighten steadily, in units of a tile's noise per frame."""
    lifts = np.zeros((n, *GRID.shape))
    steps = np.clip(np.arange(n) - onset + 1, 0, None) * per_frame * NOISE / 12.0
    lifts[:, 2:5, 2:5] = steps[:, None, None]
    return lifts


@pytest.mark.parametrize("seed", range(5))
def test_many_tiles_show_what_none_of_them_shows_alone(seed):
    # One tile passes five of its noise units 17 frames after the onset, nine at three times that.
    found = looked_back(ramp(150, 120, 0.3), guess=138, seed=seed)
    assert abs(found.frame - 120) <= 4


def test_quiet_frames_tell_no_onset():
    assert looked_back(ramp(150, 150, 0.0), guess=138) is None


def test_one_frame_is_told_to_the_frame():
    lifts = np.zeros((150, *GRID.shape))
    lifts[140, 3, 3] = 10 * NOISE / 12
    assert looked_back(lifts, guess=140).frame == 140


def test_frames_of_the_event_before_are_not_looked_at():
    lifts = ramp(150, 120, 0.3)
    lifts[60:90, 2:5, 2:5] = 50 * NOISE / 12
    assert looked_back(lifts, first=90, guess=138).frame > 90


def test_a_guess_too_early_is_put_right_by_the_frames():
    lifts = np.zeros((40, *GRID.shape))
    lifts[5:, 2:5, 2:5] = 20 * NOISE / 12
    assert looked_back(lifts, guess=0).frame == 5


def test_under_way_from_the_first_frame_on_has_no_onset():
    lifts = ramp(40, -1, 10.0)
    assert looked_back(lifts, guess=0) is None


def test_a_picture_coded_afresh_hides_what_was_before():
    lifts = ramp(150, 120, 0.3)
    assert looked_back(lifts, guess=138, refreshed=136) is None
    assert looked_back(lifts, guess=138, refreshed=100).frame > 100


def test_few_frames_of_a_predicted_stream_tell_nothing():
    lifts = np.zeros((14, *GRID.shape))
    lifts[10:, 3, 3] = 30 * NOISE / 12
    assert looked_back(lifts, guess=10).frame == 10
    assert looked_back(lifts, guess=10, predicted=True) is None


def test_calm_of_which_hardly_anything_is_left_foretells_nothing():
    """What was over before the event is zero (`_since_rest`): here all calm frames but four."""
    rng = np.random.default_rng(5)
    for _ in range(40):
        series = np.zeros(140)
        series[85:] = rng.normal(size=55)
        series[128:] += 60.0
        assert change_point(series, calm=89).frame == 128
