"""A night storm: flashes of one or more strokes, led by a faint growing leader.

Figures: strokes per flash mean 3.67, a third single (Poelman et al. 2021); intervals
log-normal, geometric mean 69 ms, 0.32 decade (Thomson et al. 1984); continuing current
4 to 542 ms, classes below 10, 10 to 40, above 40 ms (Saba et al. 2006), above 40 ms in
30 % of flashes (Saba et al. 2010); steps of 10 m every 50 µs, dart leaders 1.8 ms
(Dwyer & Uman 2014; Thottappillil et al. 1992).  Brightnesses, optical decay and the shares
of the short classes are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar

import numpy as np

from sample_generators.backgrounds import clouds
from sample_generators.scenarios.base import Happening, Part, Plan, Scene, Subject
from sample_generators.sensor import Picture
from sample_generators.tracks import TrackDrawing, lengths, wander

SINGLE_SHARE = 1 / 3
MEAN_STROKES = 3.67
INTERVAL_GM_S = 0.069
INTERVAL_SD_DECADE = 0.32
LEADER_SPEED_M_S = 2e5
STEP_S = 50e-6
CHANNEL_M = 5_000.0
DART_GM_S = 1.8e-3
LONG_CURRENT_SHARE = 0.3
CURRENT_S = {"very short": (0.004, 0.010), "short": (0.010, 0.040), "long": (0.040, 0.542)}

FAST_DECAY_S, SLOW_DECAY_S, SLOW_SHARE = 150e-6, 1.2e-3, 0.06
"""A stroke's light after its peak: two exponentials (invented)."""
STROKE_S = 10 * SLOW_DECAY_S
STROKE_LEVEL, LEADER_LEVEL, DART_LEVEL, CURRENT_LEVEL = 2.5, 0.012, 0.05, 0.25
GLOW_SHARE = 0.12
"""Light of cloud and sky, relative to that of the channel."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """One return stroke.

    Attributes
    ----------
    start_s : float
        Seconds from the start of the flash (its leader).
    strength : float
        Peak light relative to a usual first stroke.
    current_s : float
        Duration of the continuing current, 0 where there is none.
    leader_s : float
        Duration of the leader before it: stepped for the first, dart for the others.
    """

    start_s: float
    strength: float
    current_s: float
    leader_s: float

    @property
    def stop_s(self) -> float:
        """Seconds from the start of the flash to this stroke's last light."""
        return self.start_s + max(self.current_s, STROKE_S)


def draw_strokes(rng: np.random.Generator, count: int | None = None) -> tuple[Stroke, ...]:
    """Draw the strokes of one flash; ``count`` fixes their number."""
    if count is None:
        count = _draw_count(rng)
    gaps = INTERVAL_GM_S * 10 ** rng.normal(0.0, INTERVAL_SD_DECADE, count - 1)
    leader_s = CHANNEL_M / LEADER_SPEED_M_S * rng.uniform(0.9, 1.1)
    starts = leader_s + np.concatenate([[0.0], np.cumsum(gaps)])
    currents = _draw_currents(rng, gaps)
    strengths = np.concatenate([[1.0], 0.6 * 10 ** rng.normal(0.0, 0.15, count - 1)])
    darts = np.minimum(DART_GM_S * 10 ** rng.normal(0.0, 0.15, count - 1), 0.3 * gaps)
    leaders = np.concatenate([[leader_s], darts])
    rows = zip(starts, strengths, currents, leaders, strict=True)
    return tuple(Stroke(*(float(value) for value in row)) for row in rows)


def _draw_count(rng: np.random.Generator) -> int:
    """One stroke in a third of flashes, else two and a geometric number more."""
    if rng.random() < SINGLE_SHARE:
        return 1
    more = (MEAN_STROKES - SINGLE_SHARE) / (1 - SINGLE_SHARE) - 2
    return 1 + int(rng.geometric(1 / (1 + more)))


def _draw_currents(rng: np.random.Generator, gaps: np.ndarray) -> np.ndarray:
    """Draw continuing currents; each ends before the next stroke, the long one is the last."""
    count = len(gaps) + 1
    classes = rng.choice(["", "very short", "short"], count, p=[0.4, 0.42, 0.18])
    if rng.random() < LONG_CURRENT_SHARE:
        classes[-1] = "long"
    drawn = [
        np.exp(rng.uniform(*np.log(CURRENT_S[str(name)]))) if name else 0.0 for name in classes
    ]
    room = np.append(0.5 * gaps, np.inf)
    fitting = np.minimum(drawn, room)
    return np.where(fitting < CURRENT_S["very short"][0], 0.0, fitting)


def _decayed(age_s: float) -> float:
    """Integrate a stroke's light, peak 1, from its start to an age; seconds."""
    age_s = min(max(age_s, 0.0), STROKE_S)
    fast = FAST_DECAY_S * (1 - np.exp(-age_s / FAST_DECAY_S))
    slow = SLOW_DECAY_S * (1 - np.exp(-age_s / SLOW_DECAY_S))
    return float((1 - SLOW_SHARE) * fast + SLOW_SHARE * slow)


def stroke_light(opened_s: float, closed_s: float) -> float:
    """Return a stroke's light averaged over an exposure; its peak is 1."""
    return (_decayed(closed_s) - _decayed(opened_s)) / (closed_s - opened_s)


def current_light(age_s: float, current_s: float) -> float:
    """Return the continuing current's light at an age: a falling ramp with slow pulses on it."""
    if not 0 <= age_s < current_s:
        return 0.0
    pulses = 1 + 0.25 * np.sin(2 * np.pi * age_s / 0.011)
    return float(pulses * (1 - 0.7 * age_s / current_s) * min(1.0, (current_s - age_s) / 0.002))


class Flash(Happening):
    """One flash to ground."""

    kind: ClassVar[str] = "flash"

    def __init__(
        self,
        start: float,
        strokes: tuple[Stroke, ...],
        plan: Plan,
        column: float,
    ) -> None:
        self.start = start
        self.strokes = strokes
        self.rest_s = max(stroke.stop_s for stroke in strokes)
        self._contrast = plan.settings.contrast
        # As the operator sets the aperture: a first stroke's brightest frame at a set level.
        self._peak = STROKE_LEVEL / stroke_light(0.0, plan.exposure_s)
        self._draw(plan, column)

    def _draw(self, plan: Plan, column: float) -> None:
        rows, cols = plan.shape
        rng = plan.rng
        ground = (0.86 * rows, column + rng.normal(0, 0.08 * cols))
        channel = wander(rng, (-6.0, column), ground, 0.13)
        along = lengths(channel)
        main, tree = TrackDrawing(plan.shape), TrackDrawing(plan.shape)
        for drawing in (main, tree):
            drawing.add(channel, 0.0, 0.9)
        for _ in range(int(rng.integers(4, 8))):
            root = int(rng.integers(len(channel) // 8, 3 * len(channel) // 4))
            reach = rng.uniform(0.12, 0.35) * rows
            side = rng.choice([-1, 1]) * rng.uniform(0.5, 1.2)
            tip = (channel[root][0] + 0.8 * reach, channel[root][1] + side * reach)
            branch = wander(rng, (channel[root][0], channel[root][1]), tip, 0.15)
            tree.add(branch, float(along[root]), 0.7, rng.uniform(0.3, 0.6))
        self._main, self._tree = main.finish(), tree.finish()
        # The flash starts with its first light in the picture, not in the cloud above.
        self._entry_px = float(self._main.distance.min())
        self._length_px = float(along[-1])
        self._sky = _sky(plan, column)

    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """See `Happening.paint`."""
        for i, stroke in enumerate(self.strokes):
            since_leader = closed_s - stroke.start_s + stroke.leader_s
            if since_leader <= 0 or opened_s >= stroke.stop_s:
                continue
            if closed_s <= stroke.start_s:
                self._paint_leader(canvas, i, since_leader)
            else:
                self._paint_stroke(canvas, i, opened_s - stroke.start_s, closed_s - stroke.start_s)

    def _paint_leader(self, canvas: Picture, i: int, age_s: float) -> None:
        """Draw the part grown so far, brightest at the tip."""
        leader_s = self.strokes[i].leader_s
        track, level = (self._tree, LEADER_LEVEL) if i == 0 else (self._main, DART_LEVEL)
        if i == 0:
            # Counted from one, so that the first step is lit as soon as it is made.
            age_s = min(leader_s, (np.floor(age_s / STEP_S) + 1) * STEP_S)
        way_px = self._length_px - self._entry_px
        grown_px = self._entry_px + way_px * age_s / leader_s
        behind_px = np.maximum(np.float32(grown_px) - track.distance, 0.0)
        light = track.grown(grown_px) * (0.4 + 0.6 * np.exp(behind_px / np.float32(-25.0)))
        canvas += np.float32(level * self._contrast) * light

    def _paint_stroke(self, canvas: Picture, i: int, opened_s: float, closed_s: float) -> None:
        stroke = self.strokes[i]
        pulse = self._peak * stroke.strength * stroke_light(opened_s, closed_s)
        current = CURRENT_LEVEL * current_light(max(closed_s, 0.0), stroke.current_s)
        # Branches light up with the first stroke's pulse only; current flows in the channel.
        first = self._tree.profile if i == 0 else self._main.profile
        canvas += np.float32(pulse * self._contrast) * (first + GLOW_SHARE * self._sky)
        if current:
            light = self._main.profile + GLOW_SHARE * self._sky
            canvas += np.float32(current * self._contrast) * light

    def parts(self) -> tuple[Part, ...]:
        """See `Happening.parts`: leaders, strokes and continuing currents."""
        found = []
        for i, stroke in enumerate(self.strokes):
            name = "stepped leader" if i == 0 else "dart leader"
            found.append(Part(name, stroke.start_s - stroke.leader_s, stroke.start_s))
            found.append(Part("stroke", stroke.start_s, stroke.start_s + STROKE_S))
            if stroke.current_s:
                stop_s = stroke.start_s + stroke.current_s
                found.append(Part("continuing current", stroke.start_s, stop_s))
        return tuple(found)

    def salient_s(self) -> tuple[float, ...]:
        """See `Happening.salient_s`: the strokes."""
        return tuple(stroke.start_s for stroke in self.strokes)


def _sky(plan: Plan, column: float) -> Picture:
    """Return the glow of cloud and air around a channel, 0 to 1, dark below the horizon."""
    rows, cols = plan.shape
    y, x = np.arange(rows)[:, None], np.arange(cols)[None, :]
    spread = np.exp(-(((x - column) / (0.45 * cols)) ** 2) - (y / (0.8 * rows)) ** 2)
    glow = spread * (0.4 + 0.6 * clouds(plan.rng, plan.shape, cols / 4))
    below = np.clip(y - _horizon(plan), 0, 1)
    return np.asarray(glow * (1 - 0.9 * below), np.float32)


def _horizon(plan: Plan) -> np.ndarray:
    rows, cols = plan.shape
    return np.asarray(0.86 * rows + 0.015 * rows * np.sin(np.arange(cols) / cols * 9)[None, :])


def build(plan: Plan, flashes: Sequence[tuple[Stroke, ...]] | None = None) -> Scene:
    """Return a night with one flash per start; their strokes are drawn where not given."""
    background = plan.background("dark")
    rows, cols = plan.shape
    if (plan.settings.background or "dark") == "dark":
        background *= 1 - 0.6 * np.clip(np.arange(rows)[:, None] - _horizon(plan), 0, 1)
    flashes = flashes or [draw_strokes(plan.rng) for _ in plan.starts]
    columns = plan.rng.uniform(0.2, 0.8, len(plan.starts)) * cols
    happenings: list[Happening] = [
        Flash(start, strokes, plan, float(column))
        for start, strokes, column in zip(plan.starts, flashes, columns, strict=True)
    ]
    return plan.scene(background.astype(np.float32), happenings)


SUBJECT = Subject(
    name="storm",
    summary="a night storm: faint leader, return strokes, continuing current",
    usual_rate=Fraction(10_000),
    build=build,
    caution=(
        "Lightning kills: shoot from inside a building or a closed car, be in shelter from "
        "the first thunder until 30 minutes after the last, and follow local warnings."
    ),
)
