"""Backgrounds that never rest: snow that falls, water that ripples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from sample_generators import paint
from sample_generators.disturb.base import Run, Stage, TakeFacts
from sample_generators.errors import SampleError
from sample_generators.sensor import Picture

GRAVITY_M_S2 = 9.80665
SCALE_M_PX = 5e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Snow:
    """Flakes near and far that sink past the lens, larger, brighter and slower than rain.

    ``speed_px_s``: 1.2 m/s at 5 mm per pixel (common practice, no source); near ones are
    larger and faster.
    """

    stage: ClassVar[Stage] = Stage.PICTURE

    flakes: int = 30
    brightness: float = 0.2
    speed_px_s: float = 240.0
    radius_px: float = 4.0

    def __post_init__(self) -> None:
        if self.flakes < 0 or self.radius_px <= 0:
            raise SampleError("snow: give 0 flakes or more, of a radius above 0 pixels")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rng = take.rng("snow")
        rows, cols = take.shape
        near = rng.uniform(0.5, 1.6, self.flakes)
        radius = self.radius_px * near
        margin = 4 * 1.6 * self.radius_px
        # Flakes are spread over twice the height, so that their number on screen varies.
        cycle = 2 * (rows + 2 * margin)
        phase, swing = rng.uniform(0, cycle, self.flakes), rng.uniform(0, 2 * np.pi, self.flakes)
        left = rng.uniform(0, cols, self.flakes)

        def run(picture: Picture, t: int) -> Picture:
            time_s = t / take.capture_rate
            turn, height = np.divmod(phase + self.speed_px_s * near * time_s, cycle)
            # The golden section spreads the columns of one flake's turns.
            x = (left + 0.618034 * cols * turn) % cols + 8 * near * np.sin(5 * time_s + swing)
            for place in zip(height - margin, x, radius, strict=True):
                paint.glow(picture, place[:2], place[2] / 1.5, self.brightness)
            return picture

        return run


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """A pond along the lower border: waves that travel over it, and their glints.

    Waves of 4 to 40 cm run at the speed of deep water, ω² = g k (textbook), seen at 5 mm per
    pixel and flattened three times by the low view.
    """

    stage: ClassVar[Stage] = Stage.PICTURE

    height: float = 0.25
    """Part of the picture's height."""
    contrast: float = 0.15
    glint: float = 0.3
    waves: int = 7

    def __post_init__(self) -> None:
        if not 0 < self.height <= 1 or self.waves < 1:
            raise SampleError("water: height is above 0, up to 1, and it has a wave or more")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rng = take.rng("water")
        top = round(take.shape[0] * (1 - self.height))
        y, x = np.mgrid[: take.shape[0] - top, : take.shape[1]].astype(np.float32)
        wave_m = np.exp(rng.uniform(np.log(0.04), np.log(0.4), self.waves))
        number = 2 * np.pi / wave_m
        heading = rng.normal(0.3, 0.6, self.waves)
        phase = rng.uniform(0, 2 * np.pi, self.waves)
        along = np.stack([np.cos(heading) * number, 3 * np.sin(heading) * number]) * SCALE_M_PX
        places = [np.asarray(kx * x + ky * y, np.float32) for kx, ky in along.T]
        circling = np.sqrt(GRAVITY_M_S2 * number)
        shore = np.clip(y / 6, 0, 1)

        def run(picture: Picture, t: int) -> Picture:
            turned = np.asarray(phase - circling * t / take.capture_rate, np.float32)
            waves = sum(np.sin(p + a) for p, a in zip(places, turned, strict=True))
            slope = waves / np.float32(np.sqrt(self.waves / 2))
            sparkle = np.clip(slope - 1.8, 0, 1) * np.float32(self.glint)
            picture[top:] *= 1 + np.float32(self.contrast) * shore * slope
            picture[top:] += shore * sparkle
            return np.maximum(picture, 0, out=picture)

        return run
