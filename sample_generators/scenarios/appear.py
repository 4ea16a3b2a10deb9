"""Something appears, at once or little by little, and stays."""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

import numpy as np

from sample_generators import paint
from sample_generators.scenarios.base import Happening, Plan, Scene, Subject
from sample_generators.sensor import Picture

LIGHT = 0.2
FADE_FRAMES = (0, 0, 8, 60)
"""Frames that it takes to come up; 0 is at once."""


class Appearance(Happening):
    """A soft-edged disc that is there from some frame on; with a length, it goes at once."""

    kind: ClassVar[str] = "appearance"

    def __init__(self, start: float, plan: Plan) -> None:
        rows, cols = plan.shape
        rng = plan.rng
        rate = float(plan.capture_rate)
        length = plan.settings.event_length or 0
        self.start = start
        self._stays = length == 0
        self._fade_s = float(rng.choice(FADE_FRAMES)) / rate
        self.rest_s = length / rate if length else max(self._fade_s, 1e-6 / rate)
        across = plan.settings.size_px or 0.06 * float(np.sqrt(rows * cols))
        self._sigma = across / 2.355
        y, x = rng.uniform(0.2, 0.8, 2)
        self._centre = (float(y * rows), float(x * cols))
        self._light = LIGHT * plan.settings.contrast * float(rng.choice([-1.0, 1.0]))

    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """See `Happening.paint`."""
        share = min(1.0, closed_s / self._fade_s) if self._fade_s else 1.0
        paint.glow(canvas, self._centre, self._sigma, self._light * share)

    def paint_after(self, canvas: Picture) -> None:
        """See `Happening.paint_after`."""
        if self._stays:
            paint.glow(canvas, self._centre, self._sigma, self._light)


def build(plan: Plan) -> Scene:
    """Return a textured set on which one thing appears per start."""
    things: list[Happening] = [Appearance(start, plan) for start in plan.starts]
    return plan.scene(plan.background("textured"), things)


SUBJECT = Subject(
    name="appear",
    summary="something appears, at once or slowly, and stays",
    usual_rate=Fraction(5_000),
    build=build,
)
