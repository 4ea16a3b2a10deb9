"""A spark between two electrodes: one to three bright frames, then smoke that hangs."""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

import numpy as np

from sample_generators import paint
from sample_generators.scenarios.base import Happening, Part, Plan, Scene, Subject
from sample_generators.sensor import Picture
from sample_generators.tracks import TrackDrawing, wander

FRAME_LEVELS = (1.0, 0.35, 0.12)
"""Light of the first, second and third bright frame (invented)."""
SMOKE_S = 0.25
PUFFS = 5
RISE_PX_S = 60.0


class Spark(Happening):
    """One spark and its smoke."""

    kind: ClassVar[str] = "flash"

    def __init__(self, start: float, plan: Plan) -> None:
        rng = plan.rng
        rows, cols = plan.shape
        self.start = start
        self.rest_s = SMOKE_S
        self.n_bright = int(rng.integers(1, 4))
        self._frame_s = float(1 / plan.capture_rate)
        self._exposure_s = plan.exposure_s
        self._first_part = 1 - start % 1
        self._contrast = plan.settings.contrast
        self._centre = (0.55 * rows, 0.5 * cols)
        self._gap = 0.06 * cols
        arc = TrackDrawing(plan.shape)
        y, x = self._centre
        arc.add(wander(rng, (y, x - self._gap), (y, x + self._gap), 0.15), 0.0, 1.1)
        self._arc = arc.finish().profile
        self._puffs = rng.normal(0, [0.4 * self._gap, 0.7 * self._gap], (PUFFS, 2))
        self._drift = rng.normal([-RISE_PX_S, 0.3 * RISE_PX_S], 0.3 * RISE_PX_S, (PUFFS, 2))

    def bright_frame(self, closed_s: float) -> int:
        """Return how many frames after the first an exposure that closes then is."""
        return round(closed_s / self._frame_s - self._first_part)

    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """See `Happening.paint`."""
        frame = self.bright_frame(closed_s)
        if frame < self.n_bright:
            self._paint_light(canvas, FRAME_LEVELS[frame] * self._contrast)
        self._paint_smoke(canvas, closed_s)

    def _paint_light(self, canvas: Picture, level: float) -> None:
        canvas += np.float32(1.5 * level) * self._arc
        paint.glow(canvas, self._centre, self._gap, 0.6 * level)
        paint.glow(canvas, self._centre, 4 * self._gap, 0.12 * level)

    def _paint_smoke(self, canvas: Picture, age_s: float) -> None:
        thickness = 0.10 * self._contrast * (1 - np.exp(-age_s / 0.004))
        thickness *= max(0.0, 1 - age_s / SMOKE_S)
        sigma = float(np.sqrt((0.5 * self._gap) ** 2 + 1_500 * age_s))
        for place, drift in zip(self._puffs, self._drift, strict=True):
            y, x = place + drift * age_s + self._centre
            paint.haze(canvas, (y, x), sigma, 0.5, thickness)

    def parts(self) -> tuple[Part, ...]:
        """See `Happening.parts`."""
        # Bright frames are whole frames from the first on.
        dark_s = (self.n_bright - 1 + 0.5 * self._first_part) * self._frame_s
        return (Part("flash", 0.0, dark_s), Part("smoke", 0.0, SMOKE_S))

    def salient_s(self) -> tuple[float, ...]:
        """See `Happening.salient_s`."""
        return (0.0, 0.02)


def _electrodes(background: Picture) -> None:
    rows, cols = background.shape
    y, gap = 0.55 * rows, 0.06 * cols
    metal = float(1.6 * background.mean() + 0.02)
    for tip, outer in ((cols / 2 - gap, -5.0), (cols / 2 + gap, cols + 5.0)):
        paint.capsule(background, (y, tip), (y, outer), 0.02 * rows, metal)


def build(plan: Plan) -> Scene:
    """Return a dim set with one spark per start."""
    background = plan.background("dark")
    _electrodes(background)
    return plan.scene(background, [Spark(start, plan) for start in plan.starts])


SUBJECT = Subject(
    name="spark",
    summary="a spark of one to three frames, then hanging smoke",
    usual_rate=Fraction(20_000),
    build=build,
    caution=(
        "High voltage and sparks: keep flammables and bystanders away, protect eyes from the "
        "light, discharge before touching; work by local codes and with licensed people."
    ),
)
