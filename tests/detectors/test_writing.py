"""Burnt-in writing is told from noise, from light and from a scene that moves."""

import numpy as np
import pytest

from flashpan.detectors.places import Places
from flashpan.detectors.writing import Writing
from flashpan.grid import lay_grid
from flashpan.measure import Measurer
from flashpan.model import Frame, TakeInfo

SHAPE = (96, 144)
GREY = 1 / 255


def seen(pictures):
    info = TakeInfo(path="w", name="w", shape=SHAPE, bit_depth=8)
    grid = lay_grid(SHAPE)
    places, measurer = Places(grid), Measurer(info, grid)
    writing = Writing(places, GREY)
    for index, picture in enumerate(pictures):
        writing.observe(measurer.measure(Frame(index=index, luma=picture)))
    return writing, grid.shape


def noise(n, sigma=2.0, level=90.0):
    rng = np.random.default_rng(1)
    for _ in range(n):
        picture = level + sigma * rng.standard_normal(SHAPE)
        yield np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def with_digit(pictures, every=1):
    """A mark of a few strokes that changes its shape, in one tile."""
    rng = np.random.default_rng(2)
    shapes = (rng.random((10, 9, 7)) < 0.35) * np.uint8(255)
    for t, picture in enumerate(pictures):
        picture[13:22, 26:33] = shapes[t // every % 10]
        yield picture


@pytest.mark.parametrize("every", [1, 5])
def test_the_digits_beside_one_that_changes_are_doubted(every):
    writing, (rows, cols) = seen(with_digit(noise(200), every))
    doubt = writing.beside_mean()[: rows * cols].reshape(rows, cols)
    assert np.all(doubt[1, :8] > 5 * 2 * GREY / 12)  # far beyond the noise of a mean
    assert np.all(doubt[:, 8:] == 0.0)
    assert np.all(doubt[4:, :] == 0.0)
    assert writing.beside_rms() is not None


def test_noise_and_light_write_nothing():
    assert seen(noise(100))[0].beside_mean() is None
    ripple = (p + np.uint8(20 * (t % 2)) for t, p in enumerate(noise(100)))
    assert seen(ripple)[0].beside_mean() is None


def test_a_seldom_change_is_no_writing():
    assert seen(with_digit(noise(300), 60))[0].beside_mean() is None


def test_a_picture_that_moves_all_over_is_no_writing():
    texture = (np.random.default_rng(5).random((96, 400)) < 0.1) * np.uint8(200)
    panned = (np.ascontiguousarray(texture[:, t : t + 144]) for t in range(200))
    assert seen(panned)[0].beside_mean() is None


@pytest.mark.parametrize("level", [253.0, 2.0])
def test_a_highlight_partly_blown_or_crushed_is_no_writing(level):
    # Frozen pixels among noisy ones change the ratio as writing does, but are quieter.
    rng = np.random.default_rng(8)
    scene = np.full(SHAPE, 100.0)
    scene[24:36, 48:60] = level
    noisy_scene = (scene + 4 * rng.standard_normal(SHAPE) for _ in range(120))
    still = (p.round().clip(0, 255).astype(np.uint8) for p in noisy_scene)
    assert seen(still)[0].beside_mean() is None
