"""Loops over followed places against the same in NumPy, to the bit."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from flashpan.kernels import tracks
from flashpan.kernels.tracks import strongest


@settings(max_examples=150, deadline=None)
@given(
    size=arrays(np.float32, st.integers(1, 40), elements=st.integers(0, 12).map(float)),
    n=st.integers(1, 6),
)
def test_the_strongest_are_those_of_a_sort_or_not_clear(size, n):
    n = min(n, len(size))
    random = np.random.default_rng(len(size))
    spread = random.uniform(0.5, 2.0, len(size)).astype(np.float32)
    own = random.uniform(0.5, 2.0, len(size)).astype(np.float32)
    found = np.zeros((2, n), np.float32)
    largest = strongest(size, spread, own, found)
    order = np.argsort(-size, kind="stable")
    is_clear = len(size) == n or size[order[n - 1]] > size[order[n]]
    assert math.isnan(largest) != is_clear
    if is_clear:
        top = order[:n]
        assert largest == size.max()
        assert sorted(zip(*found, strict=True)) == sorted(
            zip(size[top] * spread[top], own[top], strict=True)
        )


class Followed:
    """The state of some places, drawn so that every branch is taken."""

    def __init__(self, seed, n, stirs):
        random = np.random.default_rng(seed)
        self.error, self.bias = (
            random.standard_normal((2, n)).astype(np.float32) * (2.0 if stirs else 0.2)
        ).astype(np.float32)
        self.deviation = self.error - self.bias
        self.deviation[random.random(n) < 0.1] *= np.float32(0.1)  # come back to an earlier state
        self.spread, self.own = random.uniform(0.5, 2.0, (2, n)).astype(np.float32)
        away = random.random(n) < (0.4 if stirs else 0.0)
        self.away_for = np.where(away, random.integers(1, 40, n), 0).astype(np.int32)
        self.stirred_for = np.where(away, random.integers(0, 9, n), 0).astype(np.int32)
        self.habit = np.where(away, random.random(n) * 0.3, 0.0).astype(np.float32)
        self.aside = random.random(n) < 0.2


@pytest.mark.parametrize("two_sided", [True, False])
@pytest.mark.parametrize("stirs", [True, False])
@pytest.mark.parametrize("sizes", [(3,), (8, 1), (400, 30, 1)])
def test_what_is_remembered_of_a_sample(sizes, stirs, two_sided):
    n, stops = sum(sizes), np.cumsum(sizes)
    one = Followed(n, n, stirs)
    kept, fresh = np.empty(n, np.float32), np.empty(n, np.float32)
    largest, found = np.empty(len(sizes)), np.empty((len(sizes), 2, 6), np.float32)
    tracks.weigh(
        *(one.error, one.bias, one.deviation, one.spread, one.own, one.away_for, 3, two_sided),
        *(np.float32(1024.0), stops, kept, fresh, largest, found),
    )
    np.testing.assert_array_equal(kept, (one.error - one.bias) * np.float32(1024.0))
    size = np.abs(one.deviation) if two_sided else np.maximum(one.deviation, 0)
    expected = np.where(one.away_for > 3, np.float32(0.0), size / one.spread)
    np.testing.assert_array_equal(fresh, expected)
    for number, (stop, count) in enumerate(zip(stops, sizes, strict=True)):
        part, few = slice(stop - count, stop), min(6, count)
        told = np.empty((2, few), np.float32)
        most = strongest(fresh[part], one.spread[part], one.own[part], told)
        np.testing.assert_array_equal(largest[number], most)
        np.testing.assert_array_equal(found[number, :, :few], told)


@pytest.mark.parametrize("two_sided", [True, False])
@pytest.mark.parametrize("stirs", [True, False])
@pytest.mark.parametrize("has_aside", [True, False])
@pytest.mark.parametrize("seed", range(4))
def test_departures_are_counted(seed, has_aside, stirs, two_sided):
    one, gate, gain, often = Followed(seed, 60, stirs), *map(np.float32, (1.5, 0.1, 0.15))
    brief, window, settle_after = 12, 128, 38
    aside = one.aside if has_aside else np.zeros(0, np.bool_)
    size = np.abs(one.deviation) if two_sided else np.maximum(one.deviation, 0)
    departed = size > gate * one.spread
    away_for = np.maximum(one.away_for + np.where(departed, 1, -2), 0)
    left = np.maximum(one.stirred_for - 1, 0)
    stirred_for = np.where(away_for > brief, window, left)
    habit = one.habit + ((departed & (away_for <= brief)) - one.habit) * gain
    far = np.abs(one.error - one.bias) > gate * one.spread

    hold, stays = np.empty(60, np.bool_), np.empty(60, np.bool_)
    what = tracks.count(
        *(one.error, one.bias, one.deviation, one.spread, gate, two_sided, aside),
        *(one.away_for, one.stirred_for, one.habit),
        *(np.array([brief, window, settle_after], np.int32), gain, often, hold, stays),
    )
    np.testing.assert_array_equal(one.away_for, away_for)
    np.testing.assert_array_equal(one.stirred_for, stirred_for)
    np.testing.assert_array_equal(one.habit, habit)
    np.testing.assert_array_equal(hold, departed & ~(habit > often))
    np.testing.assert_array_equal(stays, departed | aside if has_aside else departed)
    told = {
        tracks.DEPARTS: departed.any(),
        tracks.AWAY: away_for.any(),
        tracks.STAYS: stays.any(),
        tracks.FAR: far.any(),
        tracks.SETTLES: (away_for >= settle_after).any(),
    }
    assert what == sum(bit for bit, is_so in told.items() if is_so)


def test_a_share_that_fades_is_none_in_the_end():
    habit, nought = np.array([1e-19, 1.0], np.float32), np.zeros(2, np.float32)
    for _ in range(2000):
        tracks.count(
            *(nought, nought, nought, nought + 1, np.float32(5), True, np.zeros(0, np.bool_)),
            *(np.zeros(2, np.int32), np.zeros(2, np.int32), habit),
            *(np.array([12, 128, 256], np.int32), np.float32(0.1), np.float32(0.15)),
            *(np.empty(2, np.bool_), np.empty(2, np.bool_)),
        )
    assert not habit.any()
