"""Something starts to move from rest: a ball let go, which falls by ½ g t²."""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

import numpy as np

from sample_generators import paint
from sample_generators.scenarios.base import GRAVITY_M_S2, Happening, Plan, Scene, Subject
from sample_generators.sensor import Picture

SCALE_M_PX = 0.5e-3


class Fall(Happening):
    """A ball that hangs still, then falls out of the picture."""

    kind: ClassVar[str] = "motion"

    def __init__(self, start: float, plan: Plan, column: float) -> None:
        self.start = start
        self._rows = plan.shape[0]
        self._centre = (0.25 * self._rows, column)
        self._radius = 0.035 * self._rows
        self._ball, self._opacity = plan.shade(0.12)
        way_px = self._rows + self._radius + 1 - self._centre[0]
        self.rest_s = float(np.sqrt(2 * way_px * SCALE_M_PX / GRAVITY_M_S2))

    def fallen_px(self, age_s: float) -> float:
        """Return how far it has fallen."""
        return 0.5 * GRAVITY_M_S2 * max(age_s, 0.0) ** 2 / SCALE_M_PX

    def _draw(self, canvas: Picture, fallen_px: float) -> None:
        y, x = self._centre
        paint.disc(canvas, (y + fallen_px, x), self._radius, self._ball, self._opacity)
        shine = (y + fallen_px - 0.35 * self._radius, x - 0.35 * self._radius)
        paint.disc(canvas, shine, 0.3 * self._radius, self._ball + 0.2, self._opacity)

    def paint_before(self, canvas: Picture) -> None:
        """See `Happening.paint_before`."""
        self._draw(canvas, 0.0)

    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """See `Happening.paint`."""
        self._draw(canvas, self.fallen_px(closed_s))


def build(plan: Plan) -> Scene:
    """Return a lit set with one ball per start, side by side."""
    background = plan.background("lit")
    cols, count = plan.shape[1], len(plan.starts)
    balls: list[Happening] = [
        Fall(start, plan, cols * (i + 1) / (count + 1) + float(plan.rng.uniform(-3, 3)))
        for i, start in enumerate(plan.starts)
    ]
    return plan.scene(background, balls)


SUBJECT = Subject(
    name="release",
    summary="a ball let go from rest: less than a pixel at first",
    usual_rate=Fraction(1_000),
    build=build,
    most_events=12,
)
