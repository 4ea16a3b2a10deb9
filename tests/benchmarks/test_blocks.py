"""The block picker against the picker itself, and the known laws against simulation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from flashpan.chance import MaxLaw
from flashpan.model import Score
from flashpan.picker import Picker

FOLDER = Path(__file__).parents[2] / "benchmarks"
LAWS = {"a": MaxLaw(n=207, sides=2, dof=500.0), "b": MaxLaw(n=3, dof=500.0)}
RARE = 1e-4


@pytest.fixture
def blocks(monkeypatch):
    monkeypatch.syspath_prepend(str(FOLDER))
    import blocks

    return blocks


@pytest.fixture
def score_noise(monkeypatch):
    monkeypatch.syspath_prepend(str(FOLDER))
    import score_noise

    return score_noise


@pytest.mark.parametrize("kind", ["gaussian", "laplace", "correlated"])
def test_blocks_pick_as_the_picker_does(blocks, score_noise, kind):
    n_frames, rate, gap = 13_000, 3000.0, 30
    random = np.random.default_rng(4)
    values = {
        name: score_noise.ScoreNoise(kind, law, gap).draw(n_frames, random)
        for name, law in LAWS.items()
    }
    plain, blocked = Picker(LAWS, rate, gap), blocks.BlockPicker(Picker(LAWS, rate, gap))
    for picker in (plain, blocked.picker):
        for name, channel in picker.channels.items():
            channel.prime(values[name][:32].tolist(), False)
    expected = []
    for index in range(n_frames):
        scores = {
            name: Score(index=index, value=float(v[index]), since=index, until=index)
            for name, v in values.items()
        }
        expected += plain.push(index, scores)
    found = []
    for first in range(0, n_frames, 1700):
        part = {name: v[first : first + 1700] for name, v in values.items()}
        found += blocked.push(first, part)
    assert len(expected) > 5
    assert found == expected
    for name, channel in plain.channels.items():
        assert blocked.picker.channels[name].thresholds(False) == channel.thresholds(False)


def test_means_of_students_noise_exceed_as_their_law_says(score_noise):
    one = score_noise._mean_of_student(LAWS["a"])
    random, n_means = np.random.default_rng(5), 40_000
    means = random.standard_t(5, (n_means, score_noise.TILE_PIXELS)).mean(axis=1)
    z = means / np.sqrt(5 / 3 / score_noise.TILE_PIXELS)
    for score in (1.0, 2.0, 3.0, 3.5):
        chance = float(np.interp(score, score_noise._SCORES, one))
        count = int((z > score).sum())
        assert stats.binomtest(count, n_means, chance).pvalue > RARE


@pytest.mark.parametrize("kind", ["gaussian", "poisson", "means", "laplace", "student"])
def test_drawn_scores_exceed_as_their_law_says(score_noise, kind):
    noise = score_noise.ScoreNoise(kind, LAWS["a"], 30)
    drawn = noise.draw(200_000, np.random.default_rng(6))
    for share in (0.5, 0.05, 0.002):
        score = float(np.quantile(drawn, 1.0 - share)) + 0.0011
        count = int((drawn > score).sum())
        assert stats.binomtest(count, len(drawn), noise.chance(score)).pvalue > RARE


def test_runs_of_correlated_scores_begin_as_often_as_their_law_says(score_noise):
    gap, n_frames = 30, 2_000_000
    noise = score_noise.ScoreNoise("correlated", LAWS["a"], gap)
    drawn = noise.draw(n_frames, np.random.default_rng(7))
    level = float(np.quantile(drawn, 0.999))
    above = np.flatnonzero(drawn > level)
    begins = 1 + int((np.diff(above) > gap + 1).sum())
    expected = noise.chance(level) * n_frames
    # Beginnings are sparse and nearly independent.
    low, high = stats.poisson.ppf(RARE / 2, expected), stats.poisson.isf(RARE / 2, expected)
    assert low <= begins <= high
