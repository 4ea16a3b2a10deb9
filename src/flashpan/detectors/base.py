"""The detector protocol: frames' tiles in, one score per frame out.

A detector is a frozen settings object; `Detector.start` gives a run that holds the state.
A run scores every frame in order and never looks ahead: all delay lives in the picker.
Deciding what an event is happens there too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Protocol, runtime_checkable

from flashpan.chance import MaxLaw
from flashpan.grid import Grid
from flashpan.measure import Tiles
from flashpan.model import TakeInfo

Extent = tuple[int, int, int, int]
"""Tiles: top, left, bottom, right; half-open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What a run is started with: the take and the grid it is measured on."""

    info: TakeInfo
    grid: Grid
    settle_frames: int = 256
    """Frames a place must hold a new state before it becomes the new normal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A detector's number for one frame.

    Attributes
    ----------
    index : int
        Frame number.
    value : float
        Departure from normal at the place that departs most, in units of that place's
        own noise; 0 where nothing can be said.
    valid : bool
        False during warm-up; such a frame is scored again by ``run.retrospect()``.
    extent : tuple of int or None
        Tiles ``(top, left, bottom, right)``, half-open, that depart beyond noise, each by
        itself.
    around : tuple of int or None
        The larger place that departs, where no single tile does.
    tile : tuple of int or None
        Row and column of the tile, or of the top left tile of the place, that gave it.
    since : int
        First frame of the departure seen at those places, looking back.
    until : int
        Last frame for which this score is evidence: earlier than ``index`` where means
        or lagged differences still hold what has passed.
    sign : float
        -1 … 1: whether the places got darker or brighter; 0 where mixed or unknown.
    moving : float
        How far the departing places are from where they were a few frames ago, in noise
        units: 0 on a plateau.
    settled : bool
        True on the frame when a departed place became the new normal.
    """

    index: int
    value: float
    valid: bool = True
    extent: Extent | None = None
    around: Extent | None = None
    tile: tuple[int, int] | None = None
    since: int = 0
    until: int = 0
    sign: float = 0.0
    moving: float = 0.0
    settled: bool = False


class Run(Protocol):
    """The state of one detector on one take."""

    law: MaxLaw
    """Distribution of the score if every place had independent normal noise."""

    @property
    def restless(self) -> bool:
        """True where most places do more than the noise of their pixels explains."""

    def score(self, tiles: Tiles) -> Score:
        """Score the next frame."""

    def retrospect(self) -> tuple[Score, ...]:
        """Score the warm-up frames, once there is a baseline or the take has ended."""


@runtime_checkable
class Detector(Protocol):
    """Frozen settings with a name and a version."""

    name: ClassVar[str]
    version: ClassVar[int]

    def start(self, scene: Scene) -> Run:
        """Begin a run over one take."""
