"""A small projectile through a pane: impact, spreading cracks, fragments, a cracked pane.

Cracks in soda-lime glass run at up to some 1,500 m/s (from memory).  The pellet's speed,
the pattern and the fragments' speeds are invented.
"""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

import numpy as np

from sample_generators import paint
from sample_generators.backgrounds import clouds
from sample_generators.scenarios.base import GRAVITY_M_S2, Happening, Part, Plan, Scene, Subject
from sample_generators.sensor import Picture
from sample_generators.tracks import Track, TrackDrawing, wander

SCALE_M_PX = 1e-3
PELLET_M_S = 180.0
CRACK_M_S = 1_500.0
SLOWED = 0.7
"""Part of its speed that the pellet keeps behind the pane."""
FRAGMENTS = 14
MOST_S = 0.25
"""By then every fragment has left the picture, or is left out of the count."""


def pane_bounds(shape: tuple[int, int]) -> tuple[float, float, float, float]:
    """Return top, left, bottom and right edge of the pane, pixels."""
    rows, cols = shape
    return 0.08 * rows, 0.3 * cols, 0.92 * rows, 0.92 * cols


class Shot(Happening):
    """One pellet and what it does to the pane."""

    kind: ClassVar[str] = "motion"

    def __init__(self, start: float, plan: Plan, aim: paint.Point) -> None:
        rng = plan.rng
        self.start = start
        self._contrast = plan.settings.contrast
        self._exposure_s = plan.exposure_s
        self.aim = aim
        self.radius = float(rng.uniform(1.5, 4.0))
        slope = float(rng.uniform(-0.12, 0.12))
        # It comes in at the left edge; a radius more, so that its first sliver is new.
        self._entry = (aim[0] - slope * aim[1], -self.radius - 0.5)
        self._way = np.subtract(aim, self._entry)
        self._way_px = float(np.hypot(*self._way))
        self.impact_s = self._way_px * SCALE_M_PX / PELLET_M_S
        self._cracks = _crack(plan, aim)
        far_px = float(self._cracks.distance[self._cracks.profile > 0].max()) + 1
        self._cracked_s = self.impact_s + far_px * SCALE_M_PX / CRACK_M_S
        self._draw_fragments(rng)
        out_s = self.impact_s + plan.shape[1] * SCALE_M_PX / (SLOWED * PELLET_M_S)
        fallen_s = self.impact_s + _leave_s(plan.shape, aim, self._velocity)
        self.rest_s = max(self._cracked_s, out_s, fallen_s)

    def _draw_fragments(self, rng: np.random.Generator) -> None:
        angle = rng.uniform(0, 2 * np.pi, FRAGMENTS)
        speed = rng.uniform(3.0, 25.0, FRAGMENTS)
        self._velocity = np.stack([speed * np.sin(angle), speed * np.cos(angle)], axis=1)
        self._size = rng.uniform(0.8, 2.6, FRAGMENTS)
        self._shade = rng.choice([-0.18, 0.3], FRAGMENTS)

    def pellet(self, age_s: float) -> paint.Point:
        """Return the pellet's place, pixels."""
        speed_px_s = PELLET_M_S / SCALE_M_PX
        way_px = speed_px_s * min(age_s, self.impact_s)
        way_px += SLOWED * speed_px_s * max(0.0, age_s - self.impact_s)
        y, x = self._entry + self._way * (way_px / self._way_px)
        return float(y), float(x)

    def paint_after(self, canvas: Picture) -> None:
        """See `Happening.paint_after`: a hole with cracks."""
        self._paint_cracks(canvas, 1e6)

    def _paint_cracks(self, canvas: Picture, age_s: float) -> None:
        grown = self._cracks.grown(CRACK_M_S / SCALE_M_PX * age_s)
        canvas += np.float32(0.3 * self._contrast) * grown
        hole_px = min(1.6 * self.radius, CRACK_M_S / SCALE_M_PX * age_s)
        paint.disc(canvas, self.aim, hole_px, 0.1, min(1.0, self._contrast))

    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """See `Happening.paint`."""
        since_impact_s = closed_s - self.impact_s
        if since_impact_s > 0:
            self._paint_cracks(canvas, since_impact_s)
            self._paint_fragments(canvas, since_impact_s)
        # Exposed while it moves, the pellet is a streak; it is solid in no place of it.
        start, stop = self.pellet(max(opened_s, 0.0)), self.pellet(closed_s)
        streak_px = float(np.hypot(stop[0] - start[0], stop[1] - start[1]))
        opacity = 2 * self.radius / (2 * self.radius + streak_px)
        paint.capsule(canvas, start, stop, self.radius, 0.06, opacity * min(1.0, self._contrast))

    def _paint_fragments(self, canvas: Picture, age_s: float) -> None:
        fall = np.array([0.5 * GRAVITY_M_S2 * age_s**2, 0.0])
        places = self.aim + (self._velocity * age_s + fall) / SCALE_M_PX
        for (y, x), size, shade in zip(places, self._size, self._shade, strict=True):
            paint.disc(canvas, (y, x), size, 0.35 + shade, 0.9 * min(1.0, self._contrast))

    def parts(self) -> tuple[Part, ...]:
        """See `Happening.parts`."""
        return (
            Part("flight", 0.0, self.impact_s),
            Part("cracks", self.impact_s, self._cracked_s),
            Part("fragments", self.impact_s, self.rest_s),
        )

    def salient_s(self) -> tuple[float, ...]:
        """See `Happening.salient_s`."""
        return (0.5 * self.impact_s, self.impact_s, self._cracked_s)


def _leave_s(shape: tuple[int, int], aim: paint.Point, velocity: np.ndarray) -> float:
    """Return when the last fragment has left the picture."""
    ages = np.linspace(0, MOST_S, 2_000)[:, None]
    y = aim[0] + (velocity[:, 0] * ages + 0.5 * GRAVITY_M_S2 * ages**2) / SCALE_M_PX
    x = aim[1] + velocity[:, 1] * ages / SCALE_M_PX
    inside = (y < shape[0] + 5) & (x > -5) & (x < shape[1] + 5)
    return float(ages[inside.any(axis=1)].max())


def _crack(plan: Plan, aim: paint.Point) -> Track:
    """Draw radial cracks to about the pane's edge and a few rings between them."""
    rng = plan.rng
    top, left, bottom, right = pane_bounds(plan.shape)
    drawing = TrackDrawing(plan.shape)
    count = int(rng.integers(8, 14))
    angles = np.sort((np.arange(count) + rng.uniform(-0.3, 0.3, count)) * 2 * np.pi / count)
    for angle in angles:
        way = np.array([np.sin(angle), np.cos(angle)])
        room = np.where(way > 0, np.subtract((bottom, right), aim), np.subtract(aim, (top, left)))
        reach = float(np.min(room / np.maximum(np.abs(way), 1e-6))) * rng.uniform(0.5, 1.0)
        tip = aim + way * max(reach, 6.0)
        drawing.add(wander(rng, aim, (tip[0], tip[1]), 0.06), 0.0, 0.6, rng.uniform(0.6, 1.0))
    for ring_px in rng.uniform(6.0, 0.2 * plan.shape[0], 4):
        for a, b in zip(angles, np.roll(angles, -1), strict=True):
            if rng.random() < 0.6:
                ends = [aim + ring_px * np.array([np.sin(c), np.cos(c)]) for c in (a, b)]
                drawing.add(np.array(ends), ring_px, 0.55, 0.7)
    track = drawing.finish()
    inside = np.zeros(plan.shape, np.float32)
    paint.rectangle(inside, top, left, bottom, right, 1.0)
    return Track(track.profile * inside, track.distance)


def build(plan: Plan) -> Scene:
    """Return a lit pane with one shot per start, each at its own place."""
    background = plan.background("lit")
    top, left, bottom, right = pane_bounds(plan.shape)
    paint.rectangle(background, top - 4, left - 4, bottom + 4, right + 4, 0.16)
    pane = (slice(int(top), int(bottom)), slice(int(left), int(right)))
    reflections = clouds(np.random.default_rng(plan.settings.seed), plan.shape, 120.0)
    background[pane] = 0.3 + 0.05 * reflections[pane]
    shots: list[Happening] = []
    for start in plan.starts:
        place = plan.rng.uniform(0.25, 0.75, 2)
        aim = (top + place[0] * (bottom - top), left + place[1] * (right - left))
        shots.append(Shot(start, plan, (float(aim[0]), float(aim[1]))))
    return plan.scene(background, shots)


SUBJECT = Subject(
    name="pane",
    summary="a small projectile through a pane: cracks, fragments",
    usual_rate=Fraction(50_000),
    build=build,
    caution=(
        "Ballistics: only on a licensed range with its safety officer, behind a bullet stop and "
        "shields, with eye and ear protection; local law decides what may be fired."
    ),
    most_events=12,
)
