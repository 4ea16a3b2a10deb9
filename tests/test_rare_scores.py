"""The curve through the largest scores of longer and longer stretches."""

import math

import numpy as np
import pytest

from flashpan.chance import MaxLaw, gumbel_y
from flashpan.extremes import BLOCK_FRAMES, READY_FRAMES, Extremes

LAW = MaxLaw(n=100, sides=2)
CHANCE = 1e-6


def learned(values, chance=CHANCE, law=LAW):
    extremes = Extremes(law, chance)
    extremes.push(values)
    recent = np.array(values[-2048:])
    extremes.fit(float(np.median(recent)), float(len(recent)))
    return extremes


def scores(y, law=LAW):
    grid = np.linspace(0.0, 60.0, 12_001)
    return np.interp(y, law.reduced(grid), grid).tolist()


@pytest.fixture(scope="module")
def normal():
    return learned(scores(np.random.default_rng(1).gumbel(size=40_000)))


def test_nothing_is_said_of_a_short_run():
    values = scores(np.random.default_rng(2).gumbel(size=READY_FRAMES // 2))
    assert learned(values).curve is None


def test_normal_noise_leaves_theory_as_it_is(normal):
    theory = LAW.value_at(gumbel_y(CHANCE))
    assert normal.curve.score_at(-math.log(CHANCE)) == pytest.approx(theory, rel=0.02)


def test_rarity_is_the_inverse_of_score(normal):
    for rarity in (3.0, 8.0, 14.0, 25.0):
        found = normal.curve.rarity_of(normal.curve.score_at(rarity))
        assert found == pytest.approx(rarity, abs=1e-3)


def test_rarer_scores_are_higher(normal):
    at = [normal.curve.score_at(rarity) for rarity in np.linspace(1.0, 500.0, 100)]
    assert (np.diff(at) > 0).all()


def test_pieces_are_as_good_as_the_whole(normal):
    values = scores(np.random.default_rng(1).gumbel(size=40_000))
    pieces = Extremes(LAW, CHANCE)
    for start in range(0, len(values), 777):
        pieces.push(values[start : start + 777])
    pieces.fit(float(np.median(values[-2048:])), 2048.0)
    assert pieces.curve.score_at(14.0) == normal.curve.score_at(14.0)


def test_a_silent_scene_is_not_trusted_beyond_theory():
    curve = learned([0.0] * 20_000).curve
    theory = LAW.value_at(gumbel_y(CHANCE))
    assert curve.score_at(-math.log(CHANCE)) == pytest.approx(theory, rel=0.02)


def test_weak_events_in_few_stretches_change_little(normal):
    values = scores(np.random.default_rng(1).gumbel(size=40_000))
    values[5000::8000] = [40.0] * len(values[5000::8000])
    stained = learned(values).curve.score_at(14.0)
    assert stained == pytest.approx(normal.curve.score_at(14.0), rel=0.1)


def test_frames_just_before_an_event_are_forgotten():
    quiet = scores(np.random.default_rng(3).gumbel(size=20_000))
    extremes, untouched = Extremes(LAW, CHANCE), Extremes(LAW, CHANCE)
    for start in range(0, len(quiet), BLOCK_FRAMES * 4):
        piece = quiet[start : start + BLOCK_FRAMES * 4]
        extremes.push(piece)
        extremes.interrupt()
        extremes.push([30.0] * BLOCK_FRAMES)  # a slow rise, below the threshold
        extremes.interrupt()
        untouched.push(piece)
        untouched.interrupt()
    for one in (extremes, untouched):
        one._next_fit = 0
        one.fit(3.0, 2048.0)
    assert extremes.curve.score_at(14.0) == untouched.curve.score_at(14.0)


def test_memory_is_bounded():
    extremes = Extremes(MaxLaw(n=3), CHANCE)
    for _ in range(40):
        extremes.push(np.ones(5_000).tolist())
    assert len(extremes._pending) < 64
    assert extremes._largest.nbytes < 20_000
