"""Which multiples of a lamp's frequency so many frames can tell from each other."""

from itertools import combinations

import numpy as np
import pytest

from flashpan.detectors.ripple import alternating, basis, distinct_harmonics, most_harmonics

FREQUENCIES = [0.5, 1 / 3, 0.25, 0.2503, 0.2, 0.12, 0.1, 0.05, 0.024, 0.02, 0.0021]


def seen_as(frequency):
    """Frequency below half a cycle per frame whose samples are the same, by the samples."""
    turns = np.exp(2j * np.pi * frequency)
    return abs(np.angle(turns)) / (2 * np.pi)


@pytest.mark.parametrize("n", [128, 512, 1024])
@pytest.mark.parametrize("frequency", FREQUENCIES)
def test_harmonics_are_apart_and_none_is_seen_as_a_slow_change(frequency, n):
    found = distinct_harmonics(frequency, n)
    assert found[0] == 1
    assert found[-1] <= most_harmonics(n) <= 64
    seen = [seen_as(m * frequency) for m in found]
    assert all(one * n >= 3.0 for one in seen[1:])
    assert all(abs(one - other) > 0.5 / n for one, other in combinations(seen, 2))
    assert len(found) == 1 or max(seen) < 0.5 - 0.5 / n


@pytest.mark.parametrize("n", [128, 512, 1024])
@pytest.mark.parametrize("frequency", FREQUENCIES)
def test_every_harmonic_left_out_is_seen_as_another_or_as_slow_or_alternates(frequency, n):
    found = distinct_harmonics(frequency, n)
    taken = [seen_as(m * frequency) for m in found]
    for multiple in set(range(1, most_harmonics(n) + 1)) - set(found):
        seen = seen_as(multiple * frequency)
        is_told = any(abs(seen - other) < 0.501 / n for other in taken)
        assert is_told or seen * n < 3.0 or 0.5 - seen < 0.501 / n


def test_four_frames_a_period_have_one_harmonic_and_one_that_alternates():
    # The fourth of nearly four frames a period is seen as a light that hardly changes.
    for frequency in (0.25, 0.2503):
        assert distinct_harmonics(frequency, 1024).tolist()[:1] == [1]
        assert 4 not in distinct_harmonics(frequency, 1024)
    assert distinct_harmonics(0.25, 1024).tolist() == [1]
    assert alternating(0.25, 1024) == 2


@pytest.mark.parametrize(("period", "multiple"), [(2, 1), (20, 10), (50, 25), (25, None)])
def test_the_harmonic_that_alternates(period, multiple):
    assert alternating(1.0 / period, 512) == multiple
    if multiple is not None:
        phase = 2.0 * np.pi * np.arange(512) / period
        cosine, sine = basis(phase, np.array([multiple]))
        np.testing.assert_allclose(cosine, np.resize([1.0, -1.0], 512), atol=1e-9)
        np.testing.assert_allclose(sine, 0.0, atol=1e-9)
