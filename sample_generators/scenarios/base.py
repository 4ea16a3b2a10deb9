"""What every scenario is made of: a still background and things that happen on it.

`render` gives the noiseless picture of a frame; noise, disturbances and files are others'
business.  A frame's picture shows the instant at which its exposure closes; light is
averaged over the exposure.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import ClassVar, Protocol

import numpy as np

from sample_generators.backgrounds import make_background
from sample_generators.errors import SampleError
from sample_generators.sensor import Picture
from sample_generators.settings import TakeSettings

GRAVITY_M_S2 = 9.80665
"""Standard gravity (ISO 80000-3)."""


class Scenario(Protocol):
    """A scene without noise."""

    @property
    def shape(self) -> tuple[int, int]:
        """``(rows, cols)``."""

    @property
    def happenings(self) -> tuple[Happening, ...]:
        """What happens, in order of time."""

    def render(self, t: int, without: int | None = None) -> Picture:
        """Return frame ``t``'s noiseless picture, a fraction of full scale, not to be changed.

        ``without`` is the number of a happening that is kept from starting.  Frames may be
        asked for in any order; at rest the same array object is returned again.
        """


@dataclass(frozen=True, slots=True)
class Part:
    """A named stretch of a happening, in seconds from its start."""

    name: str
    start_s: float
    stop_s: float


class Happening(ABC):
    """One thing that happens, once.

    Attributes
    ----------
    kind : str
        What a log would call it.
    start : float
        Frame at which it starts; the fraction is the instant within the frame interval.
    rest_s : float
        Seconds after the start from which the picture rests again.
    """

    kind: ClassVar[str]
    start: float
    rest_s: float

    @abstractmethod
    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """Draw the happening under way.

        ``opened_s`` and ``closed_s`` are the ends of the exposure in seconds from the
        start; the first may be negative.
        """

    def paint_before(self, canvas: Picture) -> None:  # noqa: B027 (nothing is a fair default)
        """Draw what is there before the start; nothing by default."""

    def paint_after(self, canvas: Picture) -> None:  # noqa: B027 (nothing is a fair default)
        """Draw what stays for good; nothing by default."""

    def parts(self) -> tuple[Part, ...]:
        """Return its named stretches, in order."""
        return (Part(self.kind, 0.0, self.rest_s),)

    def salient_s(self) -> tuple[float, ...]:
        """Return instants at which it may show best."""
        return ()


class Spell(Happening):
    """Something that is there in whole frames: a number of them, or from its start for good."""

    def __init__(self, start: float, plan: Plan, length_frames: int) -> None:
        """Give a length of 0 to what stays."""
        self.start = start
        self._stays = length_frames == 0
        first_part = 1 - start % 1
        # A hair less than the last frame's end, so that rounding adds no frame.
        frames = max(length_frames, 1) - 1 + first_part - 1e-6
        self.rest_s = float(frames / plan.capture_rate)

    @abstractmethod
    def draw(self, canvas: Picture) -> None:
        """Draw it as it is in each of its frames."""

    def paint(self, canvas: Picture, opened_s: float, closed_s: float) -> None:
        """See `Happening.paint`."""
        self.draw(canvas)

    def paint_after(self, canvas: Picture) -> None:
        """See `Happening.paint_after`."""
        if self._stays:
            self.draw(canvas)


BEFORE, ACTIVE, AFTER = range(3)


class Scene:
    """A background and what happens on it (a `Scenario`)."""

    def __init__(
        self,
        background: Picture,
        happenings: tuple[Happening, ...],
        capture_rate: Fraction,
        exposure_s: float,
    ) -> None:
        self.happenings = tuple(sorted(happenings, key=lambda happening: happening.start))
        self._background = background
        self._rate = float(capture_rate)
        self._exposure_s = exposure_s
        self._still: dict[tuple[int, ...], Picture] = {}

    @property
    def shape(self) -> tuple[int, int]:
        """See `Scenario.shape`."""
        rows, cols = self._background.shape
        return rows, cols

    def closed_s(self, happening: Happening, t: int) -> float:
        """Return the seconds from a happening's start to the end of frame ``t``'s exposure."""
        return (t + 1 - happening.start) / self._rate

    def _state(self, happening: Happening, t: int) -> int:
        closed_s = self.closed_s(happening, t)
        if closed_s <= 0:
            return BEFORE
        return AFTER if closed_s - self._exposure_s >= happening.rest_s else ACTIVE

    def render(self, t: int, without: int | None = None) -> Picture:
        """See `Scenario.render`."""
        states = tuple(
            BEFORE if i == without else self._state(happening, t)
            for i, happening in enumerate(self.happenings)
        )
        still = self._rest(states)
        if ACTIVE not in states:
            return still
        canvas = still.copy()
        for happening, state in zip(self.happenings, states, strict=True):
            if state == ACTIVE:
                closed_s = self.closed_s(happening, t)
                happening.paint(canvas, closed_s - self._exposure_s, closed_s)
        return canvas

    def _rest(self, states: tuple[int, ...]) -> Picture:
        """Return, from memory where possible, the picture of all that is not moving."""
        if states not in self._still:
            if len(self._still) > 4 + 2 * len(self.happenings):
                self._still.clear()
            self._still[states] = self._paint_rest(states)
        return self._still[states]

    def _paint_rest(self, states: tuple[int, ...]) -> Picture:
        canvas = self._background.copy()
        for happening, state in zip(self.happenings, states, strict=True):
            if state == BEFORE:
                happening.paint_before(canvas)
            elif state == AFTER:
                happening.paint_after(canvas)
        canvas.flags.writeable = False
        return canvas


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A take's settings with every choice made."""

    settings: TakeSettings
    capture_rate: Fraction
    exposure_s: float
    starts: tuple[float, ...]
    rng: np.random.Generator

    @property
    def shape(self) -> tuple[int, int]:
        """``(rows, cols)``."""
        return self.settings.rows, self.settings.cols

    def background(self, kind: str) -> Picture:
        """Return the background asked for, or one of this kind."""
        asked = self.settings.background or kind
        # Its own generator: the same still picture whatever happens on it.
        rng = np.random.default_rng([self.settings.seed, *b"background"])
        return make_background(asked, self.shape, self.settings.level, rng)

    def shade(self, value: float) -> tuple[float, float]:
        """Return the level and opacity with which to paint a dark body: less contrast makes
        it see-through, more makes it darker.
        """
        contrast = self.settings.contrast
        return value / max(1.0, contrast), min(1.0, contrast)

    def scene(self, background: Picture, happenings: list[Happening]) -> Scene:
        """Return the scene of these happenings."""
        return Scene(background, tuple(happenings), self.capture_rate, self.exposure_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """A kind of scenario.

    Attributes
    ----------
    name, summary : str
        For lists and help.
    usual_rate : Fraction
        Capture rate where none is asked for.
    build : callable
        Makes the scene of a plan.
    caution : str
        What to heed when shooting the real thing; empty where it cannot hurt.
    most_events : int
        Events that fit one take.
    """

    name: str
    summary: str
    usual_rate: Fraction
    build: Callable[[Plan], Scene]
    caution: str = ""
    most_events: int = 1_000

    def plan(self, settings: TakeSettings) -> Plan:
        """Make the choices that the settings leave open, from their seed."""
        rng = np.random.default_rng([settings.seed, *self.name.encode()])
        rate = settings.capture_rate or self.usual_rate
        starts = self._starts(settings, rng)
        exposure_s = settings.exposure_s or float(1 / rate)
        if not 0 < exposure_s <= float(1 / rate) * (1 + 1e-9):
            raise SampleError(
                f"exposure {exposure_s} s: give at most the frame interval, {float(1 / rate):g} s"
            )
        return Plan(
            settings=settings, capture_rate=rate, exposure_s=exposure_s, starts=starts, rng=rng
        )

    def _starts(self, settings: TakeSettings, rng: np.random.Generator) -> tuple[float, ...]:
        frames = settings.event_frames
        if frames is None:
            frames = _draw_frames(settings.n_frames, min(settings.n_events, self.most_events), rng)
        if len(frames) > self.most_events:
            raise SampleError(f"{self.name}: has at most {self.most_events} events in a take")
        # Nothing starts exactly on a frame's edge: the first frame holds 0.4 to 1 of an interval.
        return tuple(frame + float(rng.uniform(0.0, 0.6)) for frame in sorted(frames))


def _draw_frames(n_frames: int, count: int, rng: np.random.Generator) -> tuple[int, ...]:
    """Draw start frames, one in each of ``count`` equal stretches of the take's 10 to 80 %."""
    edges = np.linspace(0.1 * n_frames, 0.8 * n_frames, count + 1)
    return tuple(int(rng.uniform(a, b)) for a, b in pairwise(edges))
