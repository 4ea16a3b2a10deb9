"""Where the method is a control chart: run lengths, and robust level and spread.

A place judged against its known normal is a Shewhart chart: one independent decision per
sample.  Its average run lengths are 1 / P(|z| > 3), tabulated in every text.
"""

import numpy as np
import pytest
from scipy import stats
from statsmodels.robust import scale as robust_scale

from flashpan.chance import MaxLaw, gumbel_chance, gumbel_y
from flashpan.detectors.noise import level_and_spread
from flashpan.model import Score
from flashpan.picker import Channel, Picker

# CALC, two tails: shift in sigmas and average run length of the 3-sigma chart.  The in-control
# value 370.4 and 43.89 at one sigma are in every text on control charts (MEM).
RUN_LENGTHS = [
    (0.0, 370.40),
    (0.5, 155.22),
    (1.0, 43.89),
    (1.5, 14.97),
    (2.0, 6.30),
    (3.0, 2.00),
    (4.0, 1.19),
]
LAW = MaxLaw(n=1, sides=2)
NO_FLOOR = np.zeros(1, np.float32)


def test_law_of_one_place_gives_the_run_length_in_control():
    assert 1 / gumbel_chance(float(LAW.reduced(3.0))) == pytest.approx(370.40, abs=0.005)


def test_law_of_one_side_runs_twice_as_long():
    one_sided = MaxLaw(n=1, sides=1)
    assert 1 / gumbel_chance(float(one_sided.reduced(3.0))) == pytest.approx(740.80, abs=0.01)


def test_threshold_for_that_run_length_is_three_sigma():
    assert LAW.value_at(gumbel_y(1 / 370.398)) == pytest.approx(3.0, abs=1e-5)


def first_event(z):
    """Samples until the picker opens an event, or None."""
    picker = Picker({"chart": LAW}, false_alarms=1e6 / 370.398, merge_gap_frames=0)
    for index, value in enumerate(z):
        size = abs(float(value))
        score = Score(index=index, value=size, since=index, until=index, moving=size)
        for pick in picker.push(index, {"chart": score}):
            return pick.onset + 1
    return next((pick.onset + 1 for pick in picker.finish()), None)


@pytest.mark.parametrize(("shift", "expected"), RUN_LENGTHS)
def test_average_run_length(monkeypatch, shift, expected):
    threshold = LAW.value_at(gumbel_y(1 / 370.398))
    monkeypatch.setattr(Channel, "thresholds", lambda *_: (threshold, threshold))
    random = np.random.default_rng(int(100 * shift) + 3)
    n_runs = 300
    longest = int(20 * expected) + 5
    runs = [first_event(random.normal(shift, 1, longest)) for _ in range(n_runs)]
    assert None not in runs
    # Run lengths are geometric: their standard deviation is sqrt(1-p)/p.
    p = 1 / expected
    standard_error = np.sqrt(1 - p) / p / np.sqrt(n_runs)
    assert abs(np.mean(runs) - expected) < 3 * standard_error


def level_and_spread_of(sample, floor=0.0):
    sample = np.asarray(sample, np.float32)[None, :]
    level, spread = level_and_spread(sample, np.full(1, floor, np.float32))
    return float(level[0]), float(spread[0])


@pytest.mark.parametrize("sigma", [1e-4, 0.01, 3.0])
def test_spread_of_normal_noise_agrees_with_the_median_absolute_deviation(sigma):
    # READ: statsmodels robust.scale.mad = MAD / 0.67449; scipy's with scale="normal" the same.
    n = 20_000
    sample = np.random.default_rng(1).normal(0.3, sigma, n).astype(np.float32)
    mad = float(robust_scale.mad(sample))
    assert mad == pytest.approx(float(stats.median_abs_deviation(sample, scale="normal")), rel=1e-5)
    level, spread = level_and_spread_of(sample)
    # The MAD has 37 % efficiency (textbook): standard error of sigma 1.17 / sqrt(n).
    assert spread == pytest.approx(mad, rel=3 * 1.3 / np.sqrt(n))
    assert level == pytest.approx(float(np.median(sample)), abs=3 * 1.6 * sigma / np.sqrt(n))


def test_spread_is_unbiased_on_windows_as_long_as_those_in_use():
    samples = np.random.default_rng(2).standard_normal((20_000, 128)).astype(np.float32)
    _, spread = level_and_spread(samples, np.zeros(len(samples), np.float32))
    assert float(spread.mean()) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("outlier", [8.0, 50.0, 1e4])
def test_few_outliers_move_level_and_spread_no_more_than_they_move_the_mad(outlier):
    # Two in a hundred: below the one in forty that counts as a habit of the place.
    sample = np.random.default_rng(3).standard_normal(400)
    sample[::50] = outlier
    level, spread = level_and_spread_of(sample)
    assert spread == pytest.approx(float(robust_scale.mad(sample)), rel=0.15)
    assert level == pytest.approx(float(np.median(sample)), abs=0.1)


def modified_z(sample):
    # Iglewicz & Hoaglin 1993: M = 0.6745 (x - median) / MAD (READ, NIST e-Handbook 1.3.5.17).
    median = np.median(sample)
    return stats.norm.ppf(0.75) * (sample - median) / np.median(np.abs(sample - median))


def test_flags_the_same_outliers_as_iglewicz_and_hoaglin():
    sample = np.random.default_rng(6).uniform(-1.5, 1.5, 300)
    sample[[17, 120, 250]] = [9.0, -12.0, 30.0]
    level, spread = level_and_spread_of(sample)
    flagged = np.flatnonzero(np.abs(sample - level) / spread > 3.5)
    # |M| > 3.5 flags an outlier (READ, same page).
    np.testing.assert_array_equal(flagged, np.flatnonzero(np.abs(modified_z(sample)) > 3.5))
    np.testing.assert_array_equal(flagged, [17, 120, 250])


def test_is_not_held_down_by_its_own_outlier():
    # READ, same page: an ordinary z of n samples never exceeds (n - 1) / sqrt(n).
    sample = np.random.default_rng(7).standard_normal(12)
    sample[5] = 1000.0
    bound = 11 / np.sqrt(12)
    assert stats.zscore(sample, ddof=1).max() <= bound
    level, spread = level_and_spread_of(sample)
    assert (sample[5] - level) / spread > 20 * bound


def test_zero_spread_without_warning():
    with np.errstate(all="raise"):
        assert level_and_spread_of(np.full(64, 0.25)) == (0.25, 0.0)
