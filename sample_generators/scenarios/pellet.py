"""A thing of a few pixels: it crosses the picture, or is there for a few frames."""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

import numpy as np

from sample_generators import paint
from sample_generators.scenarios.base import Happening, Plan, Scene, Spell, Subject
from sample_generators.sensor import Picture

SIZE_PX = 3.0
LIGHT = 0.3
"""What it adds to the picture or takes from it, fraction of full scale."""
SPEED_PX = (1.5, 8.0)
"""Slowest and fastest crossing, pixels per frame."""
SPELL_FRAMES = (2, 8)


def _light(plan: Plan) -> float:
    return LIGHT * plan.settings.contrast * float(plan.rng.choice([-1.0, 1.0]))


class Crossing(Happening):
    """A straight flight through the picture, from one side to the other."""

    kind: ClassVar[str] = "motion"

    def __init__(self, start: float, plan: Plan, size_px: float) -> None:
        rows, self._cols = plan.shape
        rng = plan.rng
        self.start = start
        self._size = size_px
        self._rate = float(plan.capture_rate)
        self._light = _light(plan)
        self._speed = float(np.exp(rng.uniform(*np.log(SPEED_PX))))
        self._from, self._to = rng.uniform(0.15, 0.85, 2) * rows
        self._mirrored = bool(rng.integers(2))
        self._way = self._cols + size_px
        self.rest_s = self._way / self._speed / self._rate

    def place(self, age_s: float) -> tuple[float, float]:
        """Return its centre; it first touches the picture's edge at age 0."""
        gone = self._speed * age_s * self._rate
        x = gone - self._size / 2 - 0.5
        y = self._from + (self._to - self._from) * gone / self._way
        return float(y), float(self._cols - 1 - x if self._mirrored else x)

    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """See `Happening.paint`."""
        paint.square_light(canvas, self.place(closed_s), self._size, self._light)


class Speck(Spell):
    """The same thing at one place for some frames, or for good."""

    kind: ClassVar[str] = "motion"

    def __init__(self, start: float, plan: Plan, size_px: float, length_frames: int) -> None:
        super().__init__(start, plan, length_frames)
        rows, cols = plan.shape
        self._size, self._light = size_px, _light(plan)
        y, x = plan.rng.uniform(0.15, 0.85, 2)
        self._centre = (float(y * rows), float(x * cols))

    def draw(self, canvas: Picture) -> None:
        """See `Spell.draw`."""
        paint.square_light(canvas, self._centre, self._size, self._light)


def _happening(plan: Plan, start: float) -> Happening:
    size, length = plan.settings.size_px or SIZE_PX, plan.settings.event_length
    crosses, drawn = bool(plan.rng.integers(2)), int(plan.rng.integers(*SPELL_FRAMES))
    if length is None and crosses:
        return Crossing(start, plan, size)
    return Speck(start, plan, size, drawn if length is None else length)


def build(plan: Plan) -> Scene:
    """Return a lit set with one pellet per start, brighter or darker than it."""
    background = plan.background("lit")
    return plan.scene(background, [_happening(plan, start) for start in plan.starts])


SUBJECT = Subject(
    name="pellet",
    summary="a thing of 3x3 pixels crosses, or is there for a few frames",
    usual_rate=Fraction(10_000),
    build=build,
)
