"""The law of the largest of N departures against tables, SciPy and simulation."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from flashpan.chance import MaxLaw, Tail, gumbel_chance, gumbel_y, upper_tail_log

# CALC with SciPy: N, E[max], median, threshold at p = 1e-3 exact, and by Gumbel's approximation
# b - a ln(-ln(1-p)) with b = PhiInv(1 - 1/N), a = 1/(N phi(b)) (formula READ-2nd, CrossValidated).
TABLE = [
    (64, 2.3437, 2.2983, 4.1640, 4.9056),
    (256, 2.8269, 2.7817, 4.4702, 4.9864),
    (1024, 3.2482, 3.2044, 4.7581, 5.1447),
    (4096, 3.6261, 3.5840, 5.0308, 5.3343),
    (16384, 3.9714, 3.9309, 5.2903, 5.5369),
    (65536, 4.2911, 4.2524, 5.5384, 5.7439),
]
SIZES = [row[0] for row in TABLE]
HALF_DIGIT = 0.5e-4
BISECTION = 1e-6  # relative; `MaxLaw.value_at` states it


def exceeds(law, value):
    """Chance that the largest of a law's departures is above a value."""
    return gumbel_chance(float(law.reduced(value)))


@pytest.mark.parametrize(("n", "mean"), [row[:2] for row in TABLE])
def test_mean_of_the_largest(n, mean):
    # The mean of what is never below 0 is the integral of its upper tail; that N departures are
    # all below 0 has a chance of 2**-N.
    found, _ = integrate.quad(lambda value: exceeds(MaxLaw(n=n), value), 0, 12, limit=200)
    assert found == pytest.approx(mean, abs=HALF_DIGIT)


@pytest.mark.parametrize(("n", "median"), [(row[0], row[2]) for row in TABLE])
def test_median_of_the_largest(n, median):
    assert MaxLaw(n=n).value_at(gumbel_y(0.5)) == pytest.approx(
        median, abs=HALF_DIGIT + median * BISECTION
    )


@pytest.mark.parametrize(("n", "threshold"), [(row[0], row[3]) for row in TABLE])
def test_threshold_for_one_false_alarm_in_a_thousand(n, threshold):
    assert MaxLaw(n=n).value_at(gumbel_y(1e-3)) == pytest.approx(
        threshold, abs=HALF_DIGIT + threshold * BISECTION
    )


@pytest.mark.parametrize("chance", [0.5, 1e-2, 1e-3, 1e-6, 1e-9])
@pytest.mark.parametrize("n", SIZES)
def test_threshold_is_exact(n, chance):
    # Exact: PhiInv((1-p)^(1/N)), here in the form that keeps its digits for small p.
    exact = stats.norm.isf(-math.expm1(math.log1p(-chance) / n))
    assert MaxLaw(n=n).value_at(gumbel_y(chance)) == pytest.approx(exact, abs=1e-5)


@pytest.mark.parametrize("row", TABLE, ids=str)
def test_gumbels_approximation_is_conservative(row):
    n, gumbel = row[0], row[4]
    b = stats.norm.isf(1 / n)
    approximated = b - math.log(-math.log1p(-1e-3)) / (n * stats.norm.pdf(b))
    assert approximated == pytest.approx(gumbel, abs=HALF_DIGIT)
    assert MaxLaw(n=n).value_at(gumbel_y(1e-3)) < approximated


@pytest.mark.parametrize("n", SIZES)
def test_bonferroni_agrees_to_four_digits(n):
    # PhiInv(1 - p/N) (CALC).
    bonferroni = stats.norm.isf(1e-3 / n)
    assert MaxLaw(n=n).value_at(gumbel_y(1e-3)) == pytest.approx(bonferroni, abs=5e-4)


def test_largest_of_ten_thousand_above_four():
    # READ, a SAS blog: P(max of 10,000 standard normals > 4) = 0.27; CALC 0.27146.
    assert exceeds(MaxLaw(n=10_000), 4.0) == pytest.approx(0.27146, abs=HALF_DIGIT)


@pytest.mark.parametrize("n", [1, 64, 4096])
def test_two_sides_are_twice_as_many_departures(n):
    one, two = MaxLaw(n=2 * n), MaxLaw(n=n, sides=2)
    # Exactly so in the tail, where the two sides of one place cannot both be exceeded.
    for value in (3.5, 5.0, 8.0):
        assert exceeds(two, value) == pytest.approx(exceeds(one, value), rel=1e-3)


@pytest.mark.parametrize("dof", [3, 10, 30, 500, 1e9])
def test_students_tail_equals_scipys(dof):
    z = np.linspace(0, 30, 61)
    expected = stats.t.logsf(z, dof) if dof < 1e6 else stats.norm.logsf(z)
    # dof 1e9 stands for normal noise: there the logs differ by z^4 / (4 dof) (CALC), and the
    # argument of the beta function has lost all but seven digits to rounding.
    allowed = 1e-6 + 1.1 * z**4 / (4 * dof) if dof > 1e6 else 1e-9 * np.abs(expected)
    apart = np.abs(upper_tail_log(z, dof) - expected)
    assert (apart <= allowed).all()


def log_tail_by_integral(z, dof):
    """Log of the tail as log density plus the log of an integral that cannot underflow."""
    at = stats.t.logpdf(z, dof) if dof < 1e6 else stats.norm.logpdf(z)
    density = stats.t.logpdf if dof < 1e6 else (lambda x, _: stats.norm.logpdf(x))
    ratio, _ = integrate.quad(
        lambda s: math.exp(density(z * (1 + s), dof) - at) * z, 0, math.inf, limit=400
    )
    return at + math.log(ratio)


@pytest.mark.parametrize("z", [50.0, 85.0, 90.0, 200.0, 1e4])
def test_students_tail_where_plain_arithmetic_underflows(z):
    # 500 degrees of freedom leave float64 at about z = 86; the tail must go on without a step.
    assert float(upper_tail_log(z, 500.0)) == pytest.approx(log_tail_by_integral(z, 500.0), abs=0.1)


@pytest.mark.parametrize("z", [30.0, 37.0, 39.0, 60.0])
def test_normal_tail_where_plain_arithmetic_underflows(z):
    assert float(upper_tail_log(z, 1e9)) == pytest.approx(stats.norm.logsf(z), abs=0.1)


@pytest.mark.parametrize("dof", [4.0, 500.0])
def test_students_tail_falls_by_its_power_law(dof):
    # Far out the tail of Student's t is proportional to z**-dof (textbook).
    near, far = upper_tail_log(np.array([1e6, 1e7]), dof)
    assert near - far == pytest.approx(dof * math.log(10), rel=1e-6)


@pytest.mark.parametrize("dof", [500.0, 1e9])
def test_chance_never_rises_with_the_score(dof):
    values = np.concatenate([np.linspace(0, 120, 2401), np.geomspace(121, 1e6, 400)])
    y = MaxLaw(n=1000, sides=2, dof=dof).reduced(values)
    assert np.isfinite(y).all()
    assert (np.diff(y) >= -1e-9).all()


@pytest.mark.parametrize(("n", "sides", "chance"), [(64, 1, 1e-2), (256, 2, 1e-2), (64, 2, 2e-3)])
def test_noise_only_fields_trigger_as_often_as_promised(n, sides, chance):
    n_frames = 30_000
    fields = np.random.default_rng(n + sides).standard_normal((n_frames, n))
    largest = (np.abs(fields) if sides == 2 else fields).max(axis=1)
    threshold = MaxLaw(n=n, sides=sides).value_at(gumbel_y(chance))
    expected = chance * n_frames
    assert abs((largest > threshold).sum() - expected) < 3 * math.sqrt(expected)


def scores_with(law, y):
    """Scores whose reduced variate is ``y``."""
    grid = np.linspace(0, 60, 12_001)
    return np.interp(y, law.reduced(grid), grid)


def learned(law, values, memory=4096):
    tail = Tail(memory=memory)
    for value in values:
        tail.push(float(value), law)
    tail.fit(law)
    return tail


@pytest.mark.parametrize(("location", "scale"), [(0.0, 1.0), (1.5, 1.0), (0.5, 2.0), (3.0, 3.0)])
def test_fit_recovers_a_gumbel_law(location, scale):
    law = MaxLaw(n=300, sides=2)
    y = stats.gumbel_r.rvs(location, scale, size=4096, random_state=11)
    tail = learned(law, scores_with(law, y))
    # Standard errors for n = 4096 from the quantiles' densities (CALC): 0.066 of the scale for
    # the slope between the 90 % and 99 % quantiles, 0.04 of it for the location.
    assert tail.scale == pytest.approx(scale, abs=3 * 0.066 * scale)
    assert tail.location == pytest.approx(location, abs=3 * 0.04 * scale)


def test_fit_is_never_below_theory():
    law = MaxLaw(n=300, sides=2)
    values = 0.5 * np.abs(np.random.default_rng(3).standard_normal((2000, 300))).max(axis=1)
    tail = learned(law, values)
    assert tail.scale >= 1.0
    assert tail.location >= 0.0
    assert tail.threshold(1e-6, law) >= law.value_at(gumbel_y(1e-6)) - 1e-5


def test_heavy_tails_raise_the_threshold():
    law = MaxLaw(n=300, sides=2)
    random = np.random.default_rng(4)
    heavy = np.abs(random.standard_t(4, (4000, 300))).max(axis=1)
    tail = learned(law, heavy)
    chance = 1e-3
    theory = law.value_at(gumbel_y(chance))
    assert tail.threshold(chance, law) > 1.5 * theory
    # And by enough: fresh frames of the same noise exceed it about as often as promised.
    fresh = np.abs(random.standard_t(4, (10_000, 300))).max(axis=1)
    assert (fresh > theory).mean() > 100 * chance
    assert (fresh > tail.threshold(chance, law)).mean() < 5 * chance


def test_threshold_and_chance_are_inverse():
    law = MaxLaw(n=500, sides=2, dof=500)
    tail = learned(law, scores_with(law, stats.gumbel_r.rvs(1, 2, size=1000, random_state=5)))
    for chance in (1e-2, 1e-6, 1e-9):
        assert tail.chance(tail.threshold(chance, law), law) == pytest.approx(chance, rel=1e-3)
