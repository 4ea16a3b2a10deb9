"""What an event does to the camera and the air: vibration after a blast, smoke that hangs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from sample_generators import paint
from sample_generators.disturb.base import Run, Stage, TakeFacts
from sample_generators.disturb.movement import shift
from sample_generators.errors import SampleError
from sample_generators.sensor import Picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Vibration:
    """The shock of every event sets the camera ringing: a damped oscillation.

    It is counted in frames, so that it is as fast for a search at any capture rate: 25 and 80
    are 40 Hz and 80 ms at 1,000 frames/s.
    """

    stage: ClassVar[Stage] = Stage.PICTURE

    amplitude_px: float = 1.0
    period_frames: float = 25.0
    decay_frames: float = 80.0

    def __post_init__(self) -> None:
        if not 0 <= self.amplitude_px <= 10:
            raise SampleError(f"vibration {self.amplitude_px}: give 0 to 10 pixels")
        if self.period_frames <= 0 or self.decay_frames <= 0:
            raise SampleError("vibration: period and decay are above 0 frames")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        direction = take.rng("vibration").uniform(0, 2 * np.pi)
        down, across = np.sin(direction), np.cos(direction)
        starts = np.asarray(take.starts, np.float64)

        def run(picture: Picture, t: int) -> Picture:
            age = t + 1 - starts
            age = age[age > 0]
            swing = np.exp(-age / self.decay_frames) * np.sin(2 * np.pi * age / self.period_frames)
            away = self.amplitude_px * float(swing.sum())
            return shift(picture, away * down, away * across) if abs(away) > 1e-3 else picture

        return run


@dataclass(frozen=True, slots=True, kw_only=True)
class Smoke:
    """A soft grey veil that comes with every event, hangs, drifts and thins out.

    A take without events has it from the start.  ``opacity`` is the greatest, ``rise_s`` and
    ``thin_s`` are time constants in seconds.
    """

    stage: ClassVar[Stage] = Stage.PICTURE

    opacity: float = 0.25
    grey: float = 0.45
    rise_s: float = 0.02
    thin_s: float = 1.5
    drift_px_s: float = 30.0

    def __post_init__(self) -> None:
        if not 0 <= self.opacity <= 1 or self.rise_s <= 0 or self.thin_s <= 0:
            raise SampleError("smoke: opacity is 0 to 1, its times are above 0 s")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rows, cols = take.shape
        rng = take.rng("smoke")
        starts = np.asarray(take.starts or (-3 * self.rise_s * take.capture_rate,))
        places = rng.normal([0.45 * rows, 0.5 * cols], [0.05 * rows, 0.1 * cols], (len(starts), 2))
        ways = rng.normal([-self.drift_px_s, 0], 0.4 * self.drift_px_s, (len(starts), 2))

        def run(picture: Picture, t: int) -> Picture:
            for start, place, way in zip(starts, places, ways, strict=True):
                age_s = (t + 1 - start) / take.capture_rate
                if age_s > 0:
                    y, x = place + way * age_s
                    thick = self.opacity * (1 - np.exp(-age_s / self.rise_s))
                    thick *= np.exp(-age_s / self.thin_s)
                    # Its width grows as diffusion has it, from a first puff on.
                    wide = float(np.sqrt((0.12 * rows) ** 2 + 1_500 * age_s))
                    paint.haze(picture, (y, x), wide, self.grey, float(thick))
            return picture

        return run
