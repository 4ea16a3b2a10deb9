"""The light behind a ripple: no lag under a drift, no jump by a flash, whole cycles only."""

import numpy as np
import pytest

from flashpan.detectors.steadylight import SteadyLight

N_PLACES, SIGMA = 16, 1e-3


def start(period, slope=0.0):
    level = np.full(N_PLACES, 0.4, np.float32)
    return SteadyLight(level, np.full(N_PLACES, slope, np.float32), period)


def follow(steady, lights):
    """What was expected of every frame, shape (frames, places)."""
    expected = []
    for light in lights:
        expected.append(steady.level.copy())
        steady.push(light.astype(np.float32))
    return np.stack(expected)


def noisy(seed, light):
    rng = np.random.default_rng(seed)
    return light[:, None] + SIGMA * rng.standard_normal((len(light), N_PLACES))


@pytest.mark.parametrize("period", [5.0, 8.33, 50.0, 200.0])
@pytest.mark.parametrize("per_frame", [0.0, 2e-4, -2e-4])
def test_follows_a_drift_without_lag(period, per_frame):
    light = 0.4 + per_frame * np.arange(1, 1200)
    off = follow(start(period, per_frame), noisy(1, light)) - light[:, None]
    # Under a steep drift a median is the mean of its two middle values, which are as noisy.
    assert abs(off.mean()) < 0.1 * SIGMA
    assert off.std() < SIGMA


def test_catches_up_with_a_drift_that_it_was_not_told_of():
    light = 0.4 + 2e-4 * np.arange(1, 600)
    expected = follow(start(50.0), noisy(2, light))
    assert abs((expected - light[:, None])[200:].mean()) < 0.1 * SIGMA


def test_a_flash_does_not_move_it():
    light = np.full(600, 0.4)
    light[300:310] = 0.9
    expected = follow(start(50.0), noisy(3, light))
    assert np.abs(expected - 0.4).max() < 2 * SIGMA


def test_a_new_light_is_believed_after_two_cycles():
    light = np.where(np.arange(600) < 300, 0.4, 0.5)
    expected = follow(start(50.0), noisy(4, light))
    assert np.abs(expected - 0.5)[420:].max() < 2 * SIGMA


@pytest.mark.parametrize("period", [8.33, 50.0, 120.5])
def test_what_is_left_of_the_ripple_cancels_over_whole_cycles(period):
    t = np.arange(1000)
    light = 0.4 + 5e-3 * np.sin(2 * np.pi * t / period)
    expected = follow(start(period), noisy(5, light))
    # A median of sixteen means over whole cycles of a sine lies near its middle.
    assert np.abs(expected.mean(axis=1) - 0.4).max() < 1.5e-3
