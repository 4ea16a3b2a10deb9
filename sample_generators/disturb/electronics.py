"""Disturbances of the sensor: row noise, fixed pattern, hot and blinking pixels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from sample_generators.disturb.base import Run, Stage, TakeFacts
from sample_generators.errors import SampleError
from sample_generators.sensor import Picture


@dataclass(frozen=True, slots=True)
class RowNoise:
    """A new random offset for every row of every frame."""

    stage: ClassVar[Stage] = Stage.ELECTRONS

    sigma_e: float = 8.0

    def __post_init__(self) -> None:
        if self.sigma_e < 0:
            raise SampleError(f"row noise {self.sigma_e}: give 0 electrons or more")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rows = take.shape[0]
        stream = int(take.rng("row noise").integers(2**62))

        def run(electrons: Picture, t: int) -> Picture:
            rng = np.random.Generator(np.random.SFC64([stream, t]))
            rows_e = rng.standard_normal((rows, 1), dtype=np.float32)
            electrons += np.float32(self.sigma_e) * rows_e
            return electrons

        return run


@dataclass(frozen=True, slots=True)
class FixedPattern:
    """Pixels and columns that differ for good.

    ``prnu`` is the spread of their response, ``dsnu_e`` that of their dark level, in
    electrons, half of it along columns.
    """

    stage: ClassVar[Stage] = Stage.ELECTRONS

    prnu: float = 0.01
    dsnu_e: float = 20.0

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rng = take.rng("fixed pattern")
        response = 1 + self.prnu * rng.standard_normal(take.shape, dtype=np.float32)
        columns = rng.standard_normal((1, take.shape[1]), dtype=np.float32)
        pixels = rng.standard_normal(take.shape, dtype=np.float32)
        dark = np.float32(self.dsnu_e * np.sqrt(0.5)) * (columns + pixels)

        def run(electrons: Picture, t: int) -> Picture:
            electrons *= response
            electrons += dark
            return electrons

        return run


def _places(rng: np.random.Generator, shape: tuple[int, int], count: int) -> npt.NDArray[np.intp]:
    if not 0 <= count <= shape[0] * shape[1]:
        raise SampleError(f"{count} odd pixels do not fit a picture of {shape[1]}x{shape[0]}")
    return rng.choice(shape[0] * shape[1], count, replace=False)


@dataclass(frozen=True, slots=True)
class HotPixels:
    """Pixels with a high dark level, up to full scale."""

    stage: ClassVar[Stage] = Stage.ELECTRONS

    count: int = 20

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rng = take.rng("hot pixels")
        places = _places(rng, take.shape, self.count)
        level_e = np.float32(take.full_well_e) * rng.uniform(0.1, 1.0, self.count)

        def run(electrons: Picture, t: int) -> Picture:
            electrons.reshape(-1)[places] += level_e.astype(np.float32)
            return electrons

        return run


@dataclass(frozen=True, slots=True)
class BlinkingPixels:
    """Pixels that jump between two levels at random: random telegraph noise.

    ``step`` is the jump as a fraction of full well, ``dwell_frames`` the mean stay.
    """

    stage: ClassVar[Stage] = Stage.ELECTRONS

    count: int = 10
    step: float = 0.05
    dwell_frames: float = 200.0

    def __post_init__(self) -> None:
        if self.dwell_frames < 1:
            raise SampleError(f"blinking pixels stay {self.dwell_frames} frames: give at least 1")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rng = take.rng("blinking pixels")
        places = _places(rng, take.shape, self.count)
        # Switching times up to the take's end: a few bytes per thousand frames and pixel.
        stays = int(take.n_frames / self.dwell_frames * 1.5) + 20
        switches = np.cumsum(rng.exponential(self.dwell_frames, (self.count, stays)), axis=1)
        step_e = np.float32(self.step * take.full_well_e)

        def run(electrons: Picture, t: int) -> Picture:
            is_up = [np.searchsorted(row, t, side="right") % 2 for row in switches]
            electrons.reshape(-1)[places] += step_e * np.asarray(is_up, np.float32)
            return electrons

        return run
