"""A drop falls into a pool: free fall, contact, crown, rebounding jet, ripples.

Fall is ½ g t²; the shapes and durations of crown and jet are invented after what such takes
look like.
"""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

import numpy as np

from sample_generators import paint
from sample_generators.scenarios.base import GRAVITY_M_S2, Happening, Part, Plan, Scene, Subject
from sample_generators.sensor import Picture

SCALE_M_PX = 0.2e-3
FALL_M = 0.15
"""Height of fall above the upper edge of the picture."""
CROWN_S, JET_FROM_S, JET_TO_S, CALM_S = 0.016, 0.018, 0.060, 0.160


class Splash(Happening):
    """One drop."""

    kind: ClassVar[str] = "motion"

    def __init__(self, start: float, plan: Plan, column: float) -> None:
        rng = plan.rng
        self.start = start
        self._surface = surface_row(plan.shape)
        self._column = column
        self.radius = float(rng.uniform(0.028, 0.04)) * plan.shape[0]
        self.speed_m_s = float(np.sqrt(2 * GRAVITY_M_S2 * FALL_M))
        way_m = self._surface * SCALE_M_PX
        root = np.sqrt(self.speed_m_s**2 + 2 * GRAVITY_M_S2 * way_m)
        self.contact_s = float((root - self.speed_m_s) / GRAVITY_M_S2)
        self.rest_s = self.contact_s + CALM_S
        self._ink = plan.shade(0.1)
        self._beads = rng.uniform(-1, 1, 8)

    def centre_px(self, age_s: float) -> float:
        """Return the row of the falling drop's centre; its lower edge enters at age 0."""
        fallen_m = self.speed_m_s * age_s + 0.5 * GRAVITY_M_S2 * age_s**2
        return fallen_m / SCALE_M_PX - self.radius - 0.5

    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """See `Happening.paint`."""
        since_contact_s = closed_s - self.contact_s
        row = self.centre_px(closed_s)
        if row < self._surface + self.radius:
            pool = canvas[int(self._surface) + 1 :].copy()
            paint.disc(canvas, (row, self._column), self.radius, *self._ink)
            # What has gone under is hidden by the pool.
            canvas[int(self._surface) + 1 :] = pool
        if since_contact_s > 0:
            self._paint_ripples(canvas, since_contact_s)
        if 0 < since_contact_s < CROWN_S:
            self._paint_crown(canvas, since_contact_s)
        if JET_FROM_S < since_contact_s < JET_TO_S:
            self._paint_jet(canvas, since_contact_s - JET_FROM_S)

    def _paint_crown(self, canvas: Picture, age_s: float) -> None:
        """Draw two leaning walls, the rim between them and beads flying off it."""
        part = age_s / CROWN_S
        shade, opacity = self._ink
        foot = self.radius * (0.8 + 2.2 * np.sqrt(part))
        high = 9.0 * self.radius * part * (1 - part)
        lean = 0.45 * high
        base, rim = self._surface + 0.5, self._surface - high
        for side in (-1, 1):
            bottom = (base, self._column + side * foot)
            top = (rim, self._column + side * (foot + lean))
            paint.capsule(canvas, bottom, top, 1.3, *self._ink)
        walls = foot + lean
        paint.ellipse(canvas, (rim, self._column), 1.2 + 0.12 * high, walls, shade, 0.5 * opacity)
        for bead in self._beads:
            place = (rim - (0.3 + abs(bead)) * 0.6 * high, self._column + 1.15 * bead * walls)
            paint.disc(canvas, place, 0.14 * self.radius + 0.6, *self._ink)

    def _paint_jet(self, canvas: Picture, age_s: float) -> None:
        """Draw the jet, thick at its foot, with the rebounding drop at its tip."""
        part = age_s / (JET_TO_S - JET_FROM_S)
        high = 30.0 * self.radius * part * (1 - part) * 0.55
        foot, tip = self._surface + 0.5, self._surface - high
        paint.capsule(canvas, (foot, self._column), (tip, self._column), 1.6, *self._ink)
        thick = (foot, self._column), (foot - 0.35 * high, self._column)
        paint.capsule(canvas, *thick, 3.2, *self._ink)
        paint.disc(canvas, (tip - 1, self._column), min(0.5 * self.radius, high), *self._ink)

    def _paint_ripples(self, canvas: Picture, age_s: float) -> None:
        """Draw rings on the pool, seen flat, that run outwards and calm down."""
        top = int(self._surface) + 1
        y = (np.arange(top, canvas.shape[0]) - self._surface)[:, None] * 3.5
        x = (np.arange(canvas.shape[1]) - self._column)[None, :]
        r = np.hypot(y, x)
        front = 260.0 * np.sqrt(age_s)
        rings = np.sin((r - 700.0 * age_s) / 4.0) * np.exp(-(((r - front) / 40.0) ** 2))
        height = 0.05 * self._ink[1] * max(0.0, 1 - age_s / CALM_S) * min(1.0, age_s / 0.002)
        canvas[top:] += (height * rings * (r < front + 60)).astype(np.float32)

    def parts(self) -> tuple[Part, ...]:
        """See `Happening.parts`."""
        contact = self.contact_s
        return (
            Part("fall", 0.0, contact),
            Part("crown", contact, contact + CROWN_S),
            Part("jet", contact + JET_FROM_S, contact + JET_TO_S),
            Part("ripples", contact, self.rest_s),
        )

    def salient_s(self) -> tuple[float, ...]:
        """See `Happening.salient_s`."""
        crown = self.contact_s + 0.5 * CROWN_S
        return (0.5 * self.contact_s, crown, self.contact_s + 0.5 * (JET_FROM_S + JET_TO_S))


def surface_row(shape: tuple[int, int]) -> float:
    """Return the row of the pool's surface."""
    return float(int(0.72 * shape[0]))


def build(plan: Plan) -> Scene:
    """Return a back-lit pool with one drop per start."""
    background = plan.background("lit")
    top = int(surface_row(plan.shape))
    depth = np.linspace(0.55, 0.35, plan.shape[0] - top, dtype=np.float32)[:, None]
    background[top:] *= depth
    cols = plan.shape[1]
    drops: list[Happening] = [
        Splash(start, plan, float(plan.rng.uniform(0.35, 0.65)) * cols) for start in plan.starts
    ]
    return plan.scene(background, drops)


SUBJECT = Subject(
    name="drop",
    summary="a drop falls into a pool: crown, jet, ripples",
    usual_rate=Fraction(5_000),
    build=build,
)
