"""A drop-weight test: a weight falls on a specimen; a lamp marks time zero, the contact.

The lamp in the corner that a contact switch fires is common practice, no source.
"""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

import numpy as np

from sample_generators import paint
from sample_generators.scenarios.base import GRAVITY_M_S2, Happening, Part, Plan, Scene, Subject
from sample_generators.sensor import Picture

SCALE_M_PX = 1e-3
SPEED_M_S = 4.43
"""Speed after one metre of free fall, √(2 g h)."""
CRUSH_S = 0.009
"""Duration of the crush, less in pictures too small for so deep a one."""
LAMP_S = 0.010
REBOUND = 0.12
"""Part of the speed with which the weight comes up again (invented)."""


class Layout:
    """Where things are, in pixels."""

    def __init__(self, shape: tuple[int, int]) -> None:
        rows, cols = shape
        self.weight_left, self.weight_right = 0.38 * cols, 0.62 * cols
        self.left, self.right = 0.43 * cols, 0.57 * cols
        self.top, self.floor = 0.62 * rows, 0.86 * rows
        self.weight_height = 0.3 * rows
        self.lamp = (0.03 * rows, 0.92 * cols, 0.03 * rows + 6, 0.92 * cols + 6)


class Weight(Happening):
    """The falling weight and the specimen under it."""

    kind: ClassVar[str] = "motion"

    def __init__(self, contact: float, plan: Plan) -> None:
        self._at = Layout(plan.shape)
        self._ink = plan.shade(0.13)
        # Time in the picture before contact, backwards along the parabola.
        way_m = min(self._at.top * SCALE_M_PX, 0.45 * SPEED_M_S**2 / GRAVITY_M_S2)
        root = np.sqrt(SPEED_M_S**2 - 2 * GRAVITY_M_S2 * way_m)
        self._fall_s = float((SPEED_M_S - root) / GRAVITY_M_S2)
        self.start = contact - self._fall_s * float(plan.capture_rate)
        # A quarter of a sine whose slope at contact is the speed.
        deepest_s = 0.6 * self._height_px * SCALE_M_PX * (np.pi / 2) / SPEED_M_S
        self.crush_s = float(min(CRUSH_S, deepest_s))
        self.crush_px = SPEED_M_S * self.crush_s / (np.pi / 2) / SCALE_M_PX
        self._up_m_s = REBOUND * SPEED_M_S
        self._bounce_s = 2 * self._up_m_s / GRAVITY_M_S2
        self.rest_s = self._fall_s + self.crush_s + self._bounce_s

    @property
    def _height_px(self) -> float:
        return self._at.floor - self._at.top

    def depth_px(self, since_contact_s: float) -> float:
        """Return how far the weight's face is below the specimen's first height."""
        s = since_contact_s
        if s <= 0:
            return (SPEED_M_S * s + 0.5 * GRAVITY_M_S2 * s * s) / SCALE_M_PX
        if s < self.crush_s:
            return float(self.crush_px * np.sin(np.pi / 2 * s / self.crush_s))
        s = min(s - self.crush_s, self._bounce_s)
        return self.crush_px - (self._up_m_s * s - 0.5 * GRAVITY_M_S2 * s * s) / SCALE_M_PX

    def _draw(self, canvas: Picture, depth_px: float, crushed_px: float) -> None:
        at = self._at
        top = at.top + crushed_px
        # The specimen bulges as it is crushed.
        bulge = 0.25 * crushed_px
        paint.rectangle(canvas, top, at.left - bulge, at.floor, at.right + bulge, 0.62)
        face = at.top + depth_px
        upper = face - at.weight_height
        paint.rectangle(canvas, upper, at.weight_left, face, at.weight_right, *self._ink)

    def paint_before(self, canvas: Picture) -> None:
        """See `Happening.paint_before`: the specimen alone."""
        self._draw(canvas, -2 * canvas.shape[0], 0.0)

    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """See `Happening.paint`."""
        since_contact_s = closed_s - self._fall_s
        depth = self.depth_px(since_contact_s)
        crushed = max(0.0, depth) if since_contact_s < self.crush_s else self.crush_px
        self._draw(canvas, depth, crushed)

    def paint_after(self, canvas: Picture) -> None:
        """See `Happening.paint_after`: the weight rests on the crushed specimen."""
        self._draw(canvas, self.crush_px, self.crush_px)

    def parts(self) -> tuple[Part, ...]:
        """See `Happening.parts`."""
        contact, crushed = self._fall_s, self._fall_s + self.crush_s
        return (
            Part("fall", 0.0, contact),
            Part("crush", contact, crushed),
            Part("rebound", crushed, self.rest_s),
        )

    def salient_s(self) -> tuple[float, ...]:
        """See `Happening.salient_s`."""
        return (0.5 * self._fall_s, self._fall_s + self.crush_s)


class Lamp(Happening):
    """The time-zero lamp."""

    kind: ClassVar[str] = "lamp"

    def __init__(self, contact: float, plan: Plan) -> None:
        self.start = contact
        self.rest_s = max(LAMP_S, float(1 / plan.capture_rate))
        self._box = Layout(plan.shape).lamp
        self._level = 0.6 * plan.settings.contrast

    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """See `Happening.paint`."""
        lit_s = min(closed_s, self.rest_s) - max(opened_s, 0.0)
        share = lit_s / (closed_s - opened_s)
        top, left, bottom, right = self._box
        under = float(canvas[int(top) + 2, int(left) + 2])
        paint.rectangle(canvas, top, left, bottom, right, under + self._level * share)


def build(plan: Plan) -> Scene:
    """Return a lit test stand; the start is the contact."""
    background = plan.background("lit")
    at = Layout(plan.shape)
    rows, cols = plan.shape
    paint.rectangle(background, at.floor, 0.2 * cols, rows, 0.8 * cols, 0.2)
    for edge in (at.weight_left, at.weight_right):
        paint.rectangle(background, 0, edge - 7, at.floor, edge - 4, 0.22)
        paint.rectangle(background, 0, edge + 4, at.floor, edge + 7, 0.22)
    happenings: list[Happening] = []
    for contact in plan.starts:
        happenings += [Weight(contact, plan), Lamp(contact, plan)]
    return plan.scene(background, happenings)


SUBJECT = Subject(
    name="impact",
    summary="a drop-weight test with a time-zero lamp lit at contact",
    usual_rate=Fraction(1_000),
    build=build,
    caution=(
        "Falling weights crush: guard the drop zone, catch the weight before reaching in, wear "
        "eye protection; follow the test stand's rules and local codes."
    ),
    most_events=1,
)
