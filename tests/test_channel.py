"""One detector's thresholds, and what they forget when an event opens."""

import numpy as np
import pytest

from flashpan.chance import MaxLaw
from flashpan.extremes import GUARD_FRAMES
from flashpan.picker import Channel

LAW = MaxLaw(n=100, sides=2)


def quiet(n_frames, seed):
    fields = np.random.default_rng(seed).standard_normal((n_frames, 100))
    return np.abs(fields).max(axis=1).tolist()


def fed(values):
    channel = Channel(LAW, 1e-6)
    for value in values:
        channel.learn_quiet((value,))
    return channel


@pytest.mark.parametrize("n", [200, 600])
def test_thresholds_forget_the_frames_before_an_event(n):
    # Something slowly rises, unseen at first, until it opens an event.
    values = quiet(n, seed=1)
    rise = [max(value, 4.0 + 0.1 * i) for i, value in enumerate(quiet(GUARD_FRAMES, seed=2))]
    risen, calm = fed(values + rise), fed(values)
    risen.interrupt()
    calm._tail.fit(LAW)
    calm._set_thresholds()
    assert risen.thresholds(False) == pytest.approx(calm.thresholds(False), rel=0.02)


def test_a_threshold_that_the_rise_had_raised_comes_down_at_once():
    risen = fed(quiet(200, seed=3) + [8.0] * 24)
    risen._tail.fit(LAW)
    risen._set_thresholds()
    before = risen.thresholds(False)
    risen.interrupt()
    after = risen.thresholds(False)
    assert after[0] < 0.9 * before[0]
    assert after[1] < before[1]


def test_interrupting_again_and_again_forgets_no_more():
    once, often = fed(quiet(400, seed=4)), fed(quiet(400, seed=4))
    once.interrupt()
    for _ in range(20):
        often.interrupt()
    assert once.thresholds(False) == often.thresholds(False)
