"""A bystander at the side of the set."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import cv2
import numpy as np

from sample_generators import paint
from sample_generators.disturb.base import Run, Stage, TakeFacts
from sample_generators.errors import SampleError
from sample_generators.sensor import Picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Bystander:
    """A large figure out of focus, to and fro in the left part of the picture and nowhere else.

    ``part`` is that part's width; a search ignores it with ``--ignore 0,0,PART%,100%``.
    """

    stage: ClassVar[Stage] = Stage.PICTURE

    part: float = 0.2
    shade: float = 0.12
    speed_px_s: float = 200.0
    step_s: float = 0.6

    def __post_init__(self) -> None:
        if not 0 < self.part <= 1:
            raise SampleError(f"bystander {self.part}: part of the width is above 0, up to 1")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rows, cols = take.shape[0], round(self.part * take.shape[1])
        phase = take.rng("bystander").uniform(0, 2 * np.pi)
        reach = 0.6 * cols

        def run(picture: Picture, t: int) -> Picture:
            time_s = t / take.capture_rate
            # The greatest speed of this swing is the one asked for.
            x = reach * (0.5 - 0.5 * np.cos(2 * self.speed_px_s / reach * time_s + phase))
            swing = 0.07 * rows * np.sin(2 * np.pi * time_s / self.step_s)
            mask = np.zeros((rows, cols), np.float32)
            paint.ellipse(mask, (0.28 * rows, x), 0.07 * rows, 0.05 * rows, 1.0)
            paint.ellipse(mask, (0.52 * rows, x), 0.19 * rows, 0.075 * rows, 1.0)
            for foot in (x + swing, x - swing):
                paint.capsule(mask, (0.66 * rows, x), (0.97 * rows, foot), 0.028 * rows, 1.0)
            soft = np.asarray(cv2.GaussianBlur(mask, (0, 0), 2.0), np.float32)
            picture[:, :cols] += soft * (np.float32(self.shade) - picture[:, :cols])
            return picture

        return run
