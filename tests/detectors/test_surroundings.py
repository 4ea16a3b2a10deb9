"""What places have in common with the tiles around them, and what is left without it."""

import numpy as np
import pytest

from flashpan.detectors.places import Places
from flashpan.detectors.surroundings import Surroundings
from flashpan.grid import lay_grid


def surrounded(light):
    """Places over a grid of tiles, and surroundings that have that light at first."""
    places = Places(lay_grid((12 * light.shape[0], 12 * light.shape[1])))
    return places, Surroundings(places, places.gather(light.astype(np.float32)))


@pytest.mark.parametrize("dark", [0.0, 0.004, 0.02])
def test_a_lamp_in_the_night_does_not_show_the_noise_around_it_many_times_over(dark):
    noise = 0.0004
    light = np.full((10, 14), dark)
    light[5, 6] = 0.5
    places, around = surrounded(light)
    random = np.random.default_rng(1)
    frames = (light + noise * random.standard_normal((400, *light.shape))).astype(np.float32)
    left = np.array([around.without_shared(places.gather(frame)) for frame in frames])
    counts = np.ones(places.n, bool)
    n_px = places.n_px / 144.0
    assert left.std(axis=0)[5 * 14 + 6] < 2.5 * noise
    assert left.std(axis=0)[-1] < 2.5 * noise / np.sqrt(n_px[-1])
    steps = [
        around.step(places.gather(one - other), places.gather(one), counts)
        for one, other in zip(frames[1:], frames, strict=False)
    ]
    assert np.std(steps, axis=0)[5 * 14 + 6] < 2.5 * np.sqrt(2.0) * noise
