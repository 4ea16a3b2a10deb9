"""Pixel noise that is not white and normal: heavy tails, and noise that remembers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np

from sample_generators.disturb.base import Run, Stage, TakeFacts
from sample_generators.errors import SampleError
from sample_generators.sensor import Picture


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelNoise:
    """Further noise of every pixel, independent of light and of its neighbours.

    Attributes
    ----------
    sigma_e : float
        Its standard deviation in electrons.
    freedom : float
        Degrees of freedom of Student's law, above 2: the fewer, the heavier the tails;
        infinite is the normal law.
    memory_frames : int
        Each frame's noise is the mean, at full strength, of so many fresh fields: the
        correlation falls in a straight line to 0 over so many frames.  1 forgets at once.
    """

    stage: ClassVar[Stage] = Stage.ELECTRONS

    sigma_e: float = 60.0
    freedom: float = np.inf
    memory_frames: int = 1

    def __post_init__(self) -> None:
        if self.sigma_e < 0 or self.freedom <= 2 or self.memory_frames < 1:
            raise SampleError("pixel noise: sigma from 0, freedom above 2, memory from 1 frame")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        fresh = self._fresh(take)
        scale = np.float32(self.sigma_e / np.sqrt(self.memory_frames))

        def run(electrons: Picture, t: int) -> Picture:
            for back in range(self.memory_frames):
                electrons += scale * fresh(t - back)
            return electrons

        return run

    def _fresh(self, take: TakeFacts) -> Callable[[int], Picture]:
        """Return what gives a frame's own field, of variance 1; the last few are kept."""
        stream = int(take.rng("pixel noise").integers(2**62))
        scale = np.sqrt((self.freedom - 2) / self.freedom) if np.isfinite(self.freedom) else 1.0

        @lru_cache(maxsize=self.memory_frames + 1)
        def field(t: int) -> Picture:
            # Fields before frame 0 belong to the noise of the first frames.
            rng = np.random.Generator(np.random.SFC64([stream, t + self.memory_frames]))
            normal = rng.standard_normal(take.shape, dtype=np.float32)
            if np.isfinite(self.freedom):
                chi2 = 2 * rng.standard_gamma(self.freedom / 2, take.shape, dtype=np.float32)
                normal *= np.float32(scale) / np.sqrt(chi2 / np.float32(self.freedom))
            return normal

        return field
