"""Specks: their law in white noise, and what is told from them."""

import numpy as np
import pytest
from array_takes import ArrayReader, digitised, measured
from scipy import stats

from flashpan import registry
from flashpan.chance import gumbel_y
from flashpan.detectors.base import Scene
from flashpan.model import Region

SHAPE = (96, 120)
SIGMA, GREY = 4.0, 90.0
ONE_IN_A_MILLION = gumbel_y(1e-6)


def noise(n_frames, seed, shape=SHAPE, level=GREY):
    return np.random.default_rng(seed).normal(level, SIGMA, (n_frames, *shape))


def scored(name, luma, ignore=()):
    """Final scores of every frame, and the score that noise reaches once in a million frames."""
    reader = ArrayReader(digitised(luma))
    grid, tiles = measured(reader, (), ignore)
    run = registry.load(registry.DETECTORS, name)().start(Scene(info=reader.info, grid=grid))
    scores = [run.score(frame) for frame in tiles]
    past = {score.index: score for score in run.retrospect()}
    return [past.get(s.index, s) for s in scores], run.law


def values(name, luma, ignore=()):
    scores, law = scored(name, luma, ignore)
    return np.array([s.value for s in scores]), law.value_at(ONE_IN_A_MILLION)


@pytest.mark.parametrize("ignore", [(), (Region(0, 0, 17, 60), Region(30, 20, 9, 7))])
def test_scores_of_white_noise_follow_their_law(ignore):
    n = 1500
    scores, law = scored("speck", noise(n, seed=1, shape=(48, 60)), ignore)
    assert scores[0].value == 0.0  # nothing came before it
    found = np.array([s.value for s in scores[1:]])
    assert all(s.valid for s in scores)
    for share in (0.5, 0.99):
        theory = law.value_at(gumbel_y(1.0 - share))
        assert np.quantile(found, share) == pytest.approx(theory, rel=0.04)
    # Never above theory: one-sided Kolmogorov bound, and the binomial one far out, at 1e-4 each.
    chance = np.sort(np.exp(-np.exp(-law.reduced(found))))
    excess = np.max(chance - np.arange(n - 1) / (n - 1))
    assert excess < np.sqrt(-np.log(1e-4) / (2 * (n - 1)))
    above = np.count_nonzero(found > law.value_at(gumbel_y(1e-3)))
    assert above <= stats.binom.isf(1e-4, n - 1, 1e-3)


def test_three_by_three_pixels_show_in_one_frame_where_difference_is_blind():
    # Visibility, the root of the sum of squares of its pixels' change over their noise: 12.
    lift, n = 12.0 * SIGMA / 3.0, 24
    luma, random = noise(8 * n, seed=21), np.random.default_rng(22)
    frames = 4 + 8 * np.arange(n)  # in the warm-up too
    corners = random.integers(0, 94, n), random.integers(0, 118, n)
    for frame, row, col in zip(frames, *corners, strict=True):
        luma[frame, row : row + 3, col : col + 3] += lift
    scores, law = scored("speck", luma)
    threshold = law.value_at(ONE_IN_A_MILLION)
    comes, goes = [scores[frame] for frame in frames], [scores[frame + 1] for frame in frames]
    # Mean of nine less the tile's share, over the noise of a mean of nine differences: 8, give or
    # take 1; to come and to go share a frame, so that their noise correlates by a half.
    theory = lift * (1.0 - 9.0 / 144.0) / (SIGMA * np.sqrt(2.0) / 3.0)
    shown = np.mean([score.value for score in comes + goes])
    assert shown == pytest.approx(theory, abs=3.0 * np.sqrt(0.75 / n))
    missed = stats.norm.cdf(threshold - theory)
    for those, later in ((comes, 0), (goes, 1)):
        found = [score.value > threshold for score in those]
        assert n - sum(found) <= stats.binom.isf(1e-3, n, missed)
        for score, is_found, frame, row, col in zip(those, found, frames, *corners, strict=True):
            if is_found:
                assert score.tile == ((row + 1) // 12, (col + 1) // 12)
                assert (score.since, score.until) == (frame + later, frame + later - 1)
    others = np.setdiff1d(np.arange(len(luma)), [frames, frames + 1])
    assert max(scores[frame].value for frame in others) < threshold
    differences, threshold = values("difference", luma)
    # Half as much again in a tile's sum of squares is 3.8 of its noise, give or take 1.
    seen = np.maximum(differences[frames], differences[frames + 1]) > threshold
    assert np.count_nonzero(seen) <= n // 8


@pytest.mark.parametrize("per_frame", [1, 5])
@pytest.mark.parametrize("size", [10.0, 40.0])
def test_single_pixels_that_blink_are_no_specks(size, per_frame):
    luma, random = noise(200, seed=9), np.random.default_rng(3)
    for frame in range(40, 200):
        rows, cols = random.integers(96, size=per_frame), random.integers(120, size=per_frame)
        luma[frame, rows, cols] += size * SIGMA * random.choice([-1.0, 1.0], per_frame)
    found, threshold = values("speck", luma)
    assert found.max() < threshold


def with_edges(at, cols=(64.3,)):
    """Dark and bright by turns; the edges between lie at some columns, and beside in each frame."""
    cols = np.asarray(at)[:, None, None] + cols
    beyond = np.clip(np.arange(SHAPE[1])[:, None] - cols + 0.5, 0.0, 1.0)
    across = beyond @ (-1.0) ** np.arange(cols.shape[-1])
    return noise(len(at), seed=11, level=60.0) + 100.0 * across[:, None, :]


def wandering(n_frames):
    at, random = np.zeros(n_frames), np.random.default_rng(5)
    for frame in range(1, n_frames):
        at[frame] = 0.9 * at[frame - 1] + 0.4 * random.standard_normal()
    return at


FRAMES = np.arange(240)
EVENLY = 1.2 * np.sin(2 * np.pi * FRAMES / 23)
UNEVENLY = 0.8 * np.sin(2 * np.pi * FRAMES / 23) + 0.6 * np.sin(2 * np.pi * FRAMES / 37.7)


@pytest.mark.parametrize("cols", [(64.3,), (28.3, 64.3, 100.3)])  # a tenth of the tiles, and more
@pytest.mark.parametrize("sway", [EVENLY, UNEVENLY], ids=["evenly", "unevenly"])
def test_edges_that_sway_are_no_specks(cols, sway):
    found, threshold = values("speck", with_edges(sway, cols))
    assert found.max() < threshold


@pytest.mark.parametrize(("reach_px", "period"), [(2.0, 7.3), (3.0, 5.1), (3.0, 11.0)])
@pytest.mark.parametrize("height", [25.0, 120.0])
def test_dots_that_sway_all_over_are_no_specks(height, reach_px, period):
    # Three rows high and three columns wide, one to a tile.
    sway = reach_px * np.sin(2 * np.pi * FRAMES / period)
    cols = np.arange(SHAPE[1]) % 12 - 6.0 - sway[:, None]
    dots = np.clip(2.0 - np.abs(cols), 0.0, 1.0)[:, None, :]
    dots = dots * (np.arange(SHAPE[0]) % 12 // 3 == 1)[:, None]
    found, threshold = values("speck", noise(len(sway), seed=12) + height * dots)
    assert found.max() < threshold


def test_an_edge_that_trembles_at_random_is_no_speck():
    found, threshold = values("speck", with_edges(wandering(len(FRAMES))))
    assert found.max() < threshold


def test_an_edge_that_jumps_is_seen():
    found, threshold = values("speck", with_edges(1.2 * (FRAMES >= 200)))
    assert found[200] > threshold
    assert np.delete(found, 200).max() < threshold


def with_digits(luma, changes_every):
    """Digits of strokes three pixels wide, a tile apart; each changes every so many frames.

    They leave the picture's noise as it is.
    """
    shapes = np.random.default_rng(2).random((10, 3, 3)) < 0.5
    shapes = np.kron(shapes, np.ones((1, 3, 3))) * 120.0
    for col, every in changes_every.items():
        for frame, picture in enumerate(luma):
            picture[13:22, col : col + 9] += shapes[frame // every % 10]
    return luma


def test_the_next_digit_of_a_counter_is_no_speck():
    found, threshold = values("speck", with_digits(noise(330, 13), {38: 1, 26: 10, 14: 100}))
    assert found.max() < threshold


def test_the_same_change_with_no_counter_beside_it_is_one():
    found, threshold = values("speck", with_digits(noise(330, 13), {14: 100}))
    assert set(np.flatnonzero(found > threshold)) == {100, 200, 300}


def test_a_counter_hides_nothing_far_from_it():
    luma = with_digits(noise(330, 13), {38: 1, 26: 10, 14: 100})
    luma[250, 70:73, 100:103] += 6.0 * SIGMA
    found, threshold = values("speck", luma)
    assert set(np.flatnonzero(found > threshold)) == {250, 251}
