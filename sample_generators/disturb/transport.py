"""Frames lost on the way to the file: replaced by the one before, or left out."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from sample_generators.disturb.base import Run, Stage, TakeFacts
from sample_generators.errors import SampleError

Places = npt.NDArray[np.intp]


class Transport(ABC):
    """A disturbance that decides which of the camera's frames stands where in the file."""

    stage: ClassVar[Stage] = Stage.PICTURE

    @abstractmethod
    def places(self, take: TakeFacts) -> Places:
        """Return the file's frames at which it acts, in order; one may be there several times."""

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`; the pictures themselves stay as they are."""
        return lambda picture, t: picture


def _rare(rng: np.random.Generator, mean_frames: float, n_frames: int) -> Places:
    """Draw places at random, on average so far apart; the first frame is never one."""
    count = int(2 * n_frames / mean_frames) + 20
    found = np.cumsum(1 + rng.exponential(max(mean_frames - 1, 0), count)).astype(np.intp)
    return found[found < n_frames]


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats(Transport):
    """Some frames are bit for bit the one before; what the camera saw then is lost.

    ``longest`` is the greatest number of copies in a row.
    """

    mean_frames: float = 200.0
    longest: int = 2

    def __post_init__(self) -> None:
        if self.mean_frames < 2 or self.longest < 1:
            raise SampleError("repeats: at least 2 frames apart on average, a frame long or more")

    def places(self, take: TakeFacts) -> Places:
        """See `Transport.places`: the copies."""
        rng = take.rng("repeats")
        first = _rare(rng, self.mean_frames, take.n_frames)
        length = rng.integers(1, self.longest + 1, len(first))
        run = [np.arange(a, a + n) for a, n in zip(first, length, strict=True)]
        copies = np.unique(np.concatenate([*run, np.zeros(0, np.intp)]))
        return copies[copies < take.n_frames].astype(np.intp)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drops(Transport):
    """Here and there frames are missing, and time jumps; ``longest`` is the most in a row."""

    mean_frames: float = 400.0
    longest: int = 3

    def __post_init__(self) -> None:
        if self.mean_frames < 2 or self.longest < 1:
            raise SampleError("drops: at least 2 frames apart on average, a frame long or more")

    def places(self, take: TakeFacts) -> Places:
        """See `Transport.places`: each frame before which one is missing, once for each."""
        rng = take.rng("drops")
        first = _rare(rng, self.mean_frames, take.n_frames)
        return np.repeat(first, rng.integers(1, self.longest + 1, len(first)))


class Order:
    """Which of the camera's frames stands where in the file, and the other way round."""

    def __init__(self, disturbances: tuple[object, ...], take: TakeFacts) -> None:
        none = np.zeros(0, np.intp)
        given = [d for d in disturbances if isinstance(d, Transport)]
        dropped = [d.places(take) for d in given if isinstance(d, Drops)]
        copied = [d.places(take) for d in given if isinstance(d, Repeats)]
        self._dropped = np.sort(np.concatenate([none, *dropped]))
        self.copies = np.unique(np.concatenate([none, *copied]))
        """The file's frames that are bit for bit the one before."""

    def source(self, t: int) -> int:
        """Return the camera's frame that stands at frame ``t`` of the file."""
        place = int(np.searchsorted(self.copies, t))
        while place < len(self.copies) and self.copies[place] == t:
            t -= 1
            place -= 1
        return t + int(np.searchsorted(self._dropped, t, side="right"))

    def first_at(self, source: int, stop: int) -> int:
        """Return the file's first frame that shows the camera's frame ``source`` or later."""
        low, high = 0, min(source + len(self.copies) + 1, stop)
        while low < high:
            middle = (low + high) // 2
            low, high = (low, middle) if self.source(middle) >= source else (middle + 1, high)
        return low
