"""What every disturbance is: frozen settings that start a run over one take."""

from __future__ import annotations

import enum
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from sample_generators.sensor import Picture


class Stage(enum.IntEnum):
    """Where on light's way to the file a disturbance acts, in that order."""

    PICTURE = 0
    """On the noiseless picture, as a fraction of full scale."""
    ELECTRONS = 1
    """On the electrons, before the sensor's noise."""
    BURN = 2
    """On the code values, after the sensor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeFacts:
    """What a disturbance may know of the take; ``starts`` are its events' first instants."""

    shape: tuple[int, int]
    n_frames: int
    capture_rate: float
    exposure_s: float
    full_well_e: float
    full_scale_dn: int
    seed: int
    starts: tuple[float, ...] = ()

    @property
    def duration_s(self) -> float:
        """Seconds from the first frame to the last, at least one frame interval."""
        return max(1, self.n_frames - 1) / self.capture_rate

    def rng(self, purpose: str) -> np.random.Generator:
        """Return the generator of one purpose: the same for the same take and name."""
        return np.random.default_rng([self.seed, *purpose.encode()])


Run = Callable[[Picture, int], Picture]
"""Disturb frame ``t``'s array, which it may overwrite, and return the result; frames may
be asked for in any order."""


class Disturbance(Protocol):
    """Settings of a disturbance."""

    @property
    def stage(self) -> Stage:
        """Where it acts."""

    def start(self, take: TakeFacts) -> Run:
        """Prepare what does not change over a take and return the disturbing function."""
