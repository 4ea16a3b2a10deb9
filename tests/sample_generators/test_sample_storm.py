"""Flashes follow the published figures; four standard errors are allowed, n is stated."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from sample_generators import TakeSettings, make_take
from sample_generators.night import DEMO_FRAMES, demo
from sample_generators.scenarios.storm import STROKE_S, draw_strokes

N_FLASHES = 4000


@pytest.fixture(scope="module")
def flashes():
    rng = np.random.default_rng(20)
    return [draw_strokes(rng) for _ in range(N_FLASHES)]


@pytest.fixture(scope="module")
def intervals(flashes):
    return np.concatenate([np.diff([s.start_s for s in flash]) for flash in flashes])


def test_strokes_per_flash(flashes):
    """Mean 3.67, a third single-stroke: Poelman et al. 2021, NHESS 21, 1909 (READ)."""
    counts = np.array([len(flash) for flash in flashes])
    assert counts.mean() == pytest.approx(3.67, abs=4 * counts.std() / np.sqrt(N_FLASHES))
    error = np.sqrt(1 / 3 * 2 / 3 / N_FLASHES)
    assert np.mean(counts == 1) == pytest.approx(1 / 3, abs=4 * error)


def test_interstroke_intervals(intervals):
    """Geometric mean 69 ms, log10 SD .32 decade: Thomson et al. 1984 (READ).

    Others: 57 ms (Thottappillil 1992, READ), 62 ms about log-normal (Zhu 2015, READ).
    """
    decades = np.log10(intervals)
    n = decades.size
    assert n > 9_000
    assert decades.mean() == pytest.approx(np.log10(0.069), abs=4 * 0.32 / np.sqrt(n))
    assert decades.std() == pytest.approx(0.32, abs=4 * 0.32 / np.sqrt(2 * n))


def test_intervals_are_log_normal(intervals):
    """95 % lie within 1.96 SD on either side (CALC); skewness of the logarithms is 0."""
    z = (np.log10(intervals) - np.log10(0.069)) / 0.32
    assert np.mean(np.abs(z) < 1.96) == pytest.approx(0.95, abs=4 * np.sqrt(0.0475 / z.size))
    assert np.mean(z**3) == pytest.approx(0, abs=4 * np.sqrt(15 / z.size))


def test_first_to_last_stroke_of_multi_stroke_flashes(flashes):
    """Mean duration 371 ms: Poelman 2021 (READ).  Not put in: it follows from the rest."""
    spans = np.array([f[-1].start_s - f[0].start_s for f in flashes if len(f) > 1])
    assert spans.mean() == pytest.approx(0.371, abs=4 * spans.std() / np.sqrt(spans.size))


def test_continuing_currents(flashes):
    """4 to 542 ms: Saba et al. 2006 (READ); 30 % of flashes above 40 ms: Saba 2010 (READ)."""
    currents = np.array([s.current_s for flash in flashes for s in flash if s.current_s])
    assert currents.min() >= 0.004
    assert currents.max() <= 0.542
    assert currents.max() > 0.5
    long = np.mean([any(s.current_s > 0.040 for s in flash) for flash in flashes])
    assert long == pytest.approx(0.3, abs=4 * np.sqrt(0.21 / N_FLASHES))
    assert np.mean(currents < 0.010) > 0.3
    assert np.mean((currents >= 0.010) & (currents <= 0.040)) > 0.1


def test_currents_end_before_the_next_stroke(flashes):
    for flash in flashes:
        for this, following in pairwise(flash):
            assert this.start_s + this.current_s < following.start_s - following.leader_s


def test_leaders(flashes):
    """5 km at 2·10⁵ m/s is 25 ms (CALC; .9 to 2.0·10⁵ m/s: Kong et al. 2009, READ);
    later leaders geometric mean 1.8 ms (Thottappillil 1992, READ).
    """
    stepped = np.array([flash[0].leader_s for flash in flashes])
    assert stepped.mean() == pytest.approx(0.025, rel=0.01)
    assert 0.0225 <= stepped.min() < stepped.max() <= 0.0275
    darts = np.array([s.leader_s for flash in flashes for s in flash[1:]])
    # Cut to 0.3 of short intervals, which takes off a little.
    assert 10 ** np.log10(darts).mean() == pytest.approx(0.0018, rel=0.02)


@pytest.fixture(scope="module")
def take():
    return make_take("storm", TakeSettings(n_frames=1500, seed=11, event_frames=(100,)))


def test_leader_grows_faintly_for_25_ms_before_the_bright_frame(take):
    """250 frames at 10,000 frames/s; the stroke is one bright frame with a fast decay."""
    event = take.truth.events[0]
    parts = {part.name: part for part in reversed(event.parts)}
    leader, stroke = parts["stepped leader"], parts["stroke"]
    assert leader.first == 100
    assert 225 <= stroke.first - leader.first <= 276
    dark = take.picture(0)
    light = [float((take.picture(t) - dark).sum()) for t in range(stroke.first + 20)]
    before = np.array(light[100 : stroke.first - 1])
    assert np.all(np.diff(before) > -0.02 * before.max())
    assert light[stroke.first] > 100 * before.max()
    assert light[stroke.first + 8] < 0.2 * light[stroke.first]


def test_leader_tip_comes_down_at_a_steady_speed(take):
    dark = take.picture(0)
    tips = []
    for t in range(110, 330, 10):
        rows = np.flatnonzero((take.picture(t) - dark > 1e-3).any(axis=1))
        tips.append(rows[-1])
    tips = np.array(tips)
    assert np.all(np.diff(tips) >= 0)
    slope = np.polyfit(np.arange(tips.size), tips, 1)
    assert np.abs(np.polyval(slope, np.arange(tips.size)) - tips).max() < 25


def test_between_leaders_strokes_and_currents_the_sky_is_dark():
    take = demo(3)
    lit = np.zeros(len(take), bool)
    for event in take.truth.events:
        for part in event.parts:
            lit[part.first : part.last + 1] = True
    dark = np.flatnonzero(~lit)
    assert any(event.onset < t < event.end for event in take.truth.events for t in dark)
    for t in dark:
        np.testing.assert_array_equal(take.picture(int(t)), take.picture(0))


@pytest.mark.parametrize("rate", [1000, 20_000, 100_000])
def test_brightest_frame_is_set_by_the_operator_not_by_the_rate(rate):
    asked = TakeSettings(
        rows=96, cols=128, n_frames=10_000, capture_rate=Fraction(rate), event_frames=(5,), seed=2
    )
    take = make_take("storm", asked)
    stroke = next(p for p in take.truth.events[0].parts if p.name == "stroke")
    brightest = max(take.picture(stroke.first + k).max() for k in range(2))
    assert 1.0 < brightest < 4.0


def test_demo_is_two_flashes_more_than_300_ms_apart():
    """The merge gap that keeps one flash's strokes together is 300 ms."""
    for seed in range(4):
        first, second = demo(seed).truth.events
        strokes = [[p for p in e.parts if p.name == "stroke"] for e in (first, second)]
        assert [len(s) for s in strokes] == [3, 1]
        assert (second.onset - first.end) / 4000 > 0.300
        assert second.end < DEMO_FRAMES - 1
        assert first.parts[0].name == "stepped leader"
        assert first.visible_from < strokes[0][0].first - 0.015 * 4000
        assert pytest.approx(48) == STROKE_S * 4000
