"""False alarms against those asked for, where the truth is known; and the laws that say so.

Counts are judged by exact binomial or Poisson tails at one in ten thousand.
"""

import math

import numpy as np
import pytest
from scipy import stats

from flashpan.chance import MaxLaw, gumbel_y
from flashpan.picker import Channel

LAW = MaxLaw(n=200, sides=2, dof=500.0)
RARE = 1e-4


def poisson_interval(expected):
    """Counts that a Poisson law leaves with more than one chance in ten thousand."""
    return stats.poisson.ppf(RARE / 2, expected), stats.poisson.isf(RARE / 2, expected)


def learned_channel(values, chance):
    channel, at = Channel(LAW, chance), 0
    while at < len(values):
        n = min(channel.until_due, len(values) - at)
        channel.learn_quiet(values[at : at + n].tolist())
        at += n
    return channel


def inverse(law, y):
    grid = np.concatenate([np.arange(0.0, 60.0, 0.002), np.geomspace(60.0, 1e6, 20_000)])
    return np.interp(y, law(grid), grid)


def normal(scores):
    return LAW.reduced(scores)


def laplace(scores):
    # P(|x| > s) = exp(-sqrt(2) s) for unit variance (textbook); the largest of 200.
    none = 200 * np.log1p(-np.minimum(np.exp(-math.sqrt(2.0) * scores), 1.0 - 1e-12))
    return -np.log(np.maximum(-none, 1e-300))


def student(scores):
    one = 2.0 * stats.t.sf(scores * math.sqrt(2.0), 4)
    return -np.log(np.maximum(-200 * np.log1p(-np.minimum(one, 1.0 - 1e-12)), 1e-300))


def true_chance(law, score):
    return -math.expm1(-math.exp(-float(law(np.array([score]))[0])))


# One in ten million of a curved tail needs more frames than a quick test has.
RATES = [
    (normal, 1e-7),
    *((law, asked) for law in (normal, laplace) for asked in (1e-6, 1e-5, 1e-4)),
]


@pytest.mark.parametrize(("law", "asked"), RATES)
def test_threshold_after_a_long_run_is_exceeded_within_twice_or_half_as_often(law, asked):
    random = np.random.default_rng(3)
    chances = []
    for _ in range(4):
        values = inverse(law, random.gumbel(size=150_000))
        channel = learned_channel(values[values < inverse(law, gumbel_y(asked))], asked)
        chances.append(true_chance(law, channel.thresholds(False)[0]))
    assert asked / 2 < np.mean(chances) < 2 * asked


def test_power_law_is_continued_where_an_exponential_would_fall_short():
    values = inverse(student, np.random.default_rng(5).gumbel(size=300_000))
    channel = learned_channel(values, 1e-6)
    threshold = channel.thresholds(False)[0]
    assert 1e-7 < true_chance(student, threshold) < 1e-5
    # The memoryless tail that fits between one in 16 and one in 1024 frames, continued.
    low, high = inverse(student, gumbel_y(1 / 16)), inverse(student, gumbel_y(1 / 1024))
    memoryless = high + (high - low) * math.log(1e6 / 1024) / math.log(1024 / 16)
    assert true_chance(student, memoryless) > 1e-5


@pytest.mark.parametrize("law", [normal, laplace], ids=["normal", "laplace"])
def test_fresh_noise_exceeds_a_learned_threshold_as_often_as_promised(law):
    asked, n_fresh = 1e-4, 1_000_000
    random = np.random.default_rng(6)
    values = inverse(law, random.gumbel(size=200_000))
    threshold = learned_channel(values, asked).thresholds(False)[0]
    count = int((inverse(law, random.gumbel(size=n_fresh)) > threshold).sum())
    low, high = poisson_interval(asked / 2 * n_fresh)[0], poisson_interval(asked * 2 * n_fresh)[1]
    assert low <= count <= high
    # The known law and the count agree, whatever the threshold.
    low, high = poisson_interval(true_chance(law, threshold) * n_fresh)
    assert low <= count <= high


def test_departures_in_runs_count_once():
    # Every score stands for eight frames: an eighth as many events as frames that exceed.
    asked = 1e-5
    values = np.repeat(inverse(normal, np.random.default_rng(7).gumbel(size=60_000)), 8)
    held = learned_channel(values, asked).thresholds(False)[0]
    theory = LAW.value_at(gumbel_y(asked))
    lowest = LAW.value_at(gumbel_y(asked) - 1.2)
    assert lowest - 1e-3 <= held < theory


def test_early_thresholds_of_normal_noise_are_close_to_theory():
    theory = LAW.value_at(gumbel_y(1e-6))
    for seed in range(5):
        values = inverse(normal, np.random.default_rng(seed).gumbel(size=4096))
        assert learned_channel(values, 1e-6).thresholds(False)[0] < 1.1 * theory


def test_largest_of_a_stretch_follows_gumbels_stability():
    # The largest of m Gumbel variates is a Gumbel variate shifted by log m (Gumbel 1958, from
    # memory): what lets stretches of different lengths share one curve.
    y = np.random.default_rng(8).gumbel(size=(4000, 64)).max(axis=1) - math.log(64)
    assert stats.kstest(y, stats.gumbel_r.cdf).pvalue > RARE


def test_median_of_stretches_errs_as_its_formula_says():
    # Standard error of a sample median: 1 / (2 f(median) sqrt(n)) (textbook); for Gumbel's law
    # f(median) = log(2) / 2.
    medians = np.median(np.random.default_rng(9).gumbel(size=(4000, 256)), axis=1)
    expected = 1.0 / (math.log(2.0) * math.sqrt(256))
    # A sample deviation of 4000 errs by 1.1 %; four of them, and one for the finite sample.
    assert medians.std() == pytest.approx(expected, rel=0.055)


def test_chance_of_the_threshold_is_the_one_asked_for():
    values = inverse(normal, np.random.default_rng(10).gumbel(size=50_000))
    channel = learned_channel(values, 1e-6)
    assert channel.chance(channel.thresholds(False)[0], False) == pytest.approx(1e-6, rel=0.05)
