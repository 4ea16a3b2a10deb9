"""How the tail learns; its values against theory are in outside/test_extremes.py."""

import math

import numpy as np
import pytest

from flashpan.chance import MaxLaw, Tail, gumbel_chance, gumbel_y

LAW = MaxLaw(n=100, sides=2)


def quiet(n_frames, seed=0, factor=1.0):
    fields = np.random.default_rng(seed).standard_normal((n_frames, 100))
    return (factor * np.abs(fields).max(axis=1)).tolist()


@pytest.mark.parametrize("chance", [0.5, 0.01, 1e-6, 1e-12, 1e-15])
def test_reduced_variate_and_chance_are_inverse(chance):
    assert gumbel_chance(gumbel_y(chance)) == pytest.approx(chance, rel=1e-9)


def test_chance_of_a_huge_variate_is_not_zero():
    assert gumbel_chance(600.0) > 0.0


@pytest.mark.parametrize("y", [-2.0, 0.0, 3.0, 13.8, 40.0])
def test_value_at_is_the_inverse_of_reduced(y):
    assert float(LAW.reduced(LAW.value_at(y))) == pytest.approx(y, abs=1e-3)


def test_reduced_takes_arrays_and_zero():
    y = LAW.reduced(np.array([0.0, 3.0, 1000.0]))
    assert np.isfinite(y).all()
    assert (np.diff(y) > 0).all()


def test_new_tail_is_the_theory():
    tail = Tail()
    assert (tail.location, tail.scale, tail.count) == (0.0, 1.0, 0)
    assert tail.threshold(1e-6, LAW) == pytest.approx(LAW.value_at(gumbel_y(1e-6)))


def test_few_frames_change_little():
    tail = Tail()
    for value in quiet(16, factor=1.0):
        tail.push(value, LAW)
    assert tail.threshold(1e-6, LAW) < 1.6 * LAW.value_at(gumbel_y(1e-6))


def test_push_says_when_the_fit_was_renewed():
    tail = Tail(refit_every=64)
    renewed = [i + 1 for i, value in enumerate(quiet(200)) if tail.push(value, LAW)]
    assert renewed == [16, 32, 64, 128, 192]


def test_memory_is_bounded_and_old_frames_are_forgotten():
    tail = Tail(memory=256)
    for value in quiet(256, factor=3.0):
        tail.push(value, LAW)
    loud = tail.threshold(1e-6, LAW)
    for value in quiet(256, seed=1):
        tail.push(value, LAW)
    tail.fit(LAW)
    assert tail.count == 512
    assert tail.threshold(1e-6, LAW) < 0.6 * loud


def test_rare_events_in_the_quiet_frames_do_not_raise_the_threshold_much():
    values = quiet(2000, seed=2)
    clean, stained = Tail(), Tail()
    for index, value in enumerate(values):
        clean.push(value, LAW)
        stained.push(80.0 if index % 400 == 0 else value, LAW)
    clean.fit(LAW)
    stained.fit(LAW)
    assert stained.threshold(1e-6, LAW) < 1.15 * clean.threshold(1e-6, LAW)


def test_order_of_the_frames_does_not_matter():
    values = quiet(500, seed=3)
    one, other = Tail(), Tail()
    for forward, backward in zip(values, reversed(values), strict=True):
        one.push(forward, LAW)
        other.push(backward, LAW)
    one.fit(LAW)
    other.fit(LAW)
    assert (one.location, one.scale) == (other.location, other.scale)


@pytest.mark.parametrize("n_before", [40, 250, 700])  # 256 are remembered
def test_what_was_forgotten_leaves_no_trace(n_before):
    values = quiet(n_before, seed=4)
    stained, clean = Tail(memory=256), Tail(memory=256)
    for value in values + [30.0] * 20:
        stained.push(value, LAW)
    stained.forget_last(20)
    for value in values[-236:]:
        clean.push(value, LAW)
    for tail in (stained, clean):
        tail.fit(LAW)
    assert (stained.location, stained.scale) == (clean.location, clean.scale)
    assert stained.threshold(1e-6, LAW) == clean.threshold(1e-6, LAW)


def test_no_more_is_forgotten_than_was_remembered():
    tail = Tail(memory=64)
    for value in quiet(10):
        tail.push(value, LAW)
    tail.forget_last(500)
    tail.fit(LAW)
    assert (tail.location, tail.scale, tail.count) == (0.0, 1.0, 10)


@pytest.mark.parametrize("n", [256, 400, 512, 1024])
def test_a_short_look_at_normal_noise_shows_no_heavy_tail(n):
    """A mean over four frames that is held for four makes runs of high scores."""
    law = MaxLaw(n=580, sides=2, dof=500.0)
    raised = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        frames = np.abs(rng.standard_normal((n, 290))).max(axis=1)
        held = np.repeat(np.abs(rng.standard_normal((n // 4, 290))).max(axis=1), 4)
        tail = Tail(memory=2048)
        for value in np.maximum(frames, held):
            tail.push(float(value), law)
        tail.fit(law)
        raised.append(tail.threshold(1e-6, law) > 1.25 * law.value_at(gumbel_y(1e-6)))
    assert sum(raised) <= 2


def test_a_heavy_tail_is_heard_in_a_short_look():
    """Student's t with five degrees of freedom, scaled to unit spread (textbook)."""
    law = MaxLaw(n=290, sides=2, dof=500.0)
    for seed in range(20):
        rng = np.random.default_rng(seed)
        scores = np.abs(rng.standard_t(5, (512, 290))).max(axis=1) / math.sqrt(5 / 3)
        tail = Tail(memory=2048)
        for value in scores:
            tail.push(float(value), law)
        tail.fit(law)
        assert tail.threshold(1e-6, law) > 2.0 * law.value_at(gumbel_y(1e-6))
