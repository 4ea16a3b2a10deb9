"""A balloon bursts: the film retracts from the puncture and the balloon is gone for good.

The speed of the retracting edge, of the order of 100 m/s, is from memory.
"""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

import numpy as np

from sample_generators import paint
from sample_generators.scenarios.base import GRAVITY_M_S2, Happening, Part, Plan, Scene, Subject
from sample_generators.sensor import Picture

SCALE_M_PX = 2e-3
EDGE_M_S = 100.0
TATTERS = 7
FALL_S = 0.35
"""By then the tatters have left the picture."""


class Burst(Happening):
    """One balloon."""

    kind: ClassVar[str] = "motion"

    def __init__(self, start: float, plan: Plan, centre: paint.Point, radius: float) -> None:
        rng = plan.rng
        self.start = start
        self.centre, self.radius = centre, radius
        self._shade = 0.35 + float(rng.choice([-0.3, 0.24]))
        self._opacity = min(1.0, plan.settings.contrast)
        self._draw(plan, _puncture(rng))
        self.torn_s = (np.pi * radius + 3) * SCALE_M_PX / EDGE_M_S
        angles = rng.uniform(0, 2 * np.pi, TATTERS)
        speeds = rng.uniform(1.0, 9.0, TATTERS)
        self._velocity = np.stack([speeds * np.sin(angles), speeds * np.cos(angles)], axis=1)
        self._sizes = rng.uniform(0.06, 0.16, TATTERS) * radius
        self._from = centre + radius * rng.uniform(-0.6, 0.6, (TATTERS, 2))
        room_m = (plan.shape[0] - centre[0] + radius) * SCALE_M_PX
        self._fall_s = max(FALL_S, float(np.sqrt(2 * room_m / GRAVITY_M_S2)) + 1.0)
        self.rest_s = self.torn_s + self._tatters_gone_s(plan.shape)

    def _draw(self, plan: Plan, puncture: np.ndarray) -> None:
        """Draw film and light once, and how far each pixel lies from the puncture."""
        y = np.arange(plan.shape[0], dtype=np.float64)[:, None] - self.centre[0]
        x = np.arange(plan.shape[1], dtype=np.float64)[None, :] - self.centre[1]
        r = np.hypot(y, x)
        self._film = (self._opacity * np.clip(self.radius + 0.5 - r, 0, 1)).astype(np.float32)
        height = np.sqrt(np.clip(1 - (r / self.radius) ** 2, 0, 1))
        shine = np.exp(-((y / self.radius + 0.45) ** 2 + (x / self.radius + 0.4) ** 2) / 0.03)
        value = self._shade * (0.55 + 0.45 * height) + 0.35 * shine
        self._value = value.astype(np.float32)
        # On the sphere: the angle between the pixel's normal and the puncture's.
        cosine = (y * puncture[0] + x * puncture[1]) / self.radius + height * puncture[2]
        cosine = np.clip(cosine, -1, 1)
        self._away_px = (np.arccos(cosine) * self.radius).astype(np.float32)

    def _paint_film(self, canvas: Picture, torn_px: float) -> None:
        left = self._film * np.clip(self._away_px - np.float32(torn_px), 0, 1)
        # The edge gathers the film that it has passed: darker, thicker.
        rim = np.exp(-np.maximum(self._away_px - np.float32(torn_px), 0) / 3.0)
        shade = self._value * (1 - np.float32(0.45 * (torn_px > 0)) * rim)
        canvas += left * (shade - canvas)

    def paint_before(self, canvas: Picture) -> None:
        """See `Happening.paint_before`: the balloon."""
        self._paint_film(canvas, 0.0)

    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """See `Happening.paint`."""
        if closed_s < self.torn_s:
            self._paint_film(canvas, EDGE_M_S * closed_s / SCALE_M_PX)
        else:
            self._paint_tatters(canvas, closed_s - self.torn_s)

    def _tatters(self, age_s: float) -> np.ndarray:
        """Return the places of the tatters, shape (TATTERS, 2), pixels."""
        fall = np.array([0.5 * GRAVITY_M_S2 * age_s**2, 0.0])
        return np.asarray(self._from + (self._velocity * age_s + fall) / SCALE_M_PX)

    def _tatters_gone_s(self, shape: tuple[int, int]) -> float:
        """Return when the last one has fallen out of the picture."""
        for age_s in np.arange(0.0, self._fall_s, 0.005):
            y, x = self._tatters(float(age_s)).T
            reach = 2 * self.radius
            seen = (y < shape[0] + reach) & (x > -reach) & (x < shape[1] + reach)
            if not seen.any():
                return float(age_s)
        return self._fall_s

    def _paint_tatters(self, canvas: Picture, age_s: float) -> None:
        for (y, x), size in zip(self._tatters(age_s), self._sizes, strict=True):
            turn = 25.0 * age_s + size
            width = size * (0.35 + 0.6 * abs(np.sin(turn)))
            paint.ellipse(canvas, (y, x), 1.3 * size, width, 0.8 * self._shade, self._opacity)

    def parts(self) -> tuple[Part, ...]:
        """See `Happening.parts`."""
        return (Part("burst", 0.0, self.torn_s), Part("tatters", self.torn_s, self.rest_s))

    def salient_s(self) -> tuple[float, ...]:
        """See `Happening.salient_s`."""
        return (0.5 * self.torn_s, self.torn_s)


def _puncture(rng: np.random.Generator) -> np.ndarray:
    """Draw a point of the half sphere that faces the camera: y, x, z of a unit vector."""
    angle, height = rng.uniform(0, 2 * np.pi), rng.uniform(0.1, 0.9)
    flat = np.sqrt(1 - height**2)
    return np.array([flat * np.sin(angle), flat * np.cos(angle), height])


def build(plan: Plan) -> Scene:
    """Return a lit set with one balloon per start, side by side."""
    background = plan.background("lit")
    rows, cols = plan.shape
    count = max(1, len(plan.starts))
    radius = min(0.27 * rows, 0.4 * cols / count)
    bursts: list[Happening] = []
    for i, start in enumerate(plan.starts):
        centre = (0.45 * rows, cols * (i + 0.5) / count)
        bursts.append(Burst(start, plan, centre, radius))
    return plan.scene(background, bursts)


SUBJECT = Subject(
    name="balloon",
    summary="a balloon bursts and is gone",
    usual_rate=Fraction(10_000),
    build=build,
    caution=(
        "Bursting pressure: protect eyes and ears, keep bystanders back; pressure vessels only "
        "by local codes and with licensed people."
    ),
    most_events=4,
)
