"""The still picture behind an event."""

from __future__ import annotations

import cv2
import numpy as np

from sample_generators.sensor import Picture

LEVELS = {"dark": 0.015, "lit": 0.35, "textured": 0.35}
"""Usual mean level of each background, as a fraction of full scale."""


def clouds(rng: np.random.Generator, shape: tuple[int, int], grain_px: float) -> Picture:
    """Return smooth noise between 0 and 1: three octaves, the coarsest ``grain_px`` wide."""
    total = np.zeros(shape, np.float32)
    for octave in range(3):
        size = [max(2, round(n * 2**octave / grain_px) + 2) for n in shape]
        coarse = rng.random(size, dtype=np.float32)
        total += cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC) / 2**octave
    total -= total.min()
    return np.asarray(total / total.max(), np.float32)


def make_background(
    kind: str, shape: tuple[int, int], level: float | None, rng: np.random.Generator
) -> Picture:
    """Return a still picture.

    Parameters
    ----------
    kind : {"dark", "lit", "textured"}
        Night sky over a dark horizon, an evenly lit set with a gradient, or that with a
        surface texture.
    level : float or None
        Mean level; ``None`` is the usual one of the kind.
    """
    level = LEVELS[kind] if level is None else level
    down = np.linspace(-1.0, 1.0, shape[0], dtype=np.float32)[:, None]
    across = np.linspace(-1.0, 1.0, shape[1], dtype=np.float32)[None, :]
    if kind == "dark":
        picture = (1.0 + 0.3 * down) * (0.8 + 0.4 * clouds(rng, shape, shape[1] / 3))
    else:
        picture = 1.0 - 0.15 * down**2 - 0.12 * across * np.ones_like(down)
        if kind == "textured":
            picture = picture * (0.75 + 0.5 * clouds(rng, shape, 24.0))
    return np.asarray(picture * (level / picture.mean()), np.float32)
