"""The detector protocol: frames' tiles in, one score per frame out.

A detector is a frozen settings object; `Detector.start` gives a run that holds the state.
A run scores every frame in order and never looks ahead: all delay lives in the picker.
Deciding what an event is happens there too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, Protocol, runtime_checkable

from flashpan.chance import MaxLaw
from flashpan.detectors.places import Places
from flashpan.grid import Grid
from flashpan.model import Score, TakeInfo, Tiles


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What a run is started with: the take and the grid it is measured on."""

    info: TakeInfo
    grid: Grid
    settle_frames: int = 256
    """Frames a place must hold a new state before it becomes the new normal."""
    with_readings: bool = False
    """Whether scores are to say what they rest on, which costs some time."""
    places: Places = field(init=False, repr=False, compare=False)
    """The places of the grid, laid once for all detectors."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "places", Places(self.grid))


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
