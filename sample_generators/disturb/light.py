"""Disturbances of the lighting: mains flicker, dusk, cloud shadow, a lamp warming up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from sample_generators.disturb.base import Run, Stage, TakeFacts
from sample_generators.errors import SampleError
from sample_generators.sensor import Picture

SECOND_PHASE = 2.0 * 2.0 * np.pi / 3.0
"""Lamps on the next mains phase lag by 120° of the mains: 240° at twice its frequency."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flicker:
    """Lamps on the mains: light = mean · (1 + depth · ripple).

    The exposure T averages each harmonic, which weakens it by sin(πfT) / (πfT).  Light is
    never less than none: deep flicker with harmonics is cut off there.

    Attributes
    ----------
    frequency : float
        Hertz; lamps pulse at twice the mains, 100 or 120.
    depth : float
        Amplitude of the fundamental as a fraction of the mean, 0 to 1.
    harmonics : tuple of float
        Amplitudes of the multiples of ``frequency``, relative to ``depth``.
    phase : float
        Radians at the start of frame 0.
    two_phases : bool
        The right side of the set hangs on the next mains phase.
    line_delay : float
        Rolling shutter: the part of a frame interval between first and last row.
    depth_drift : float
        Part by which the depth has grown at the take's end.
    frequency_drift : float
        The frequency runs from this part below ``frequency`` to as much above it: 0.001 is
        the most that a large grid allows itself (common practice, no source).
    """

    stage: ClassVar[Stage] = Stage.PICTURE

    frequency: float = 100.0
    depth: float = 0.2
    harmonics: tuple[float, ...] = (1.0,)
    phase: float = 0.0
    two_phases: bool = False
    line_delay: float = 0.0
    depth_drift: float = 0.0
    frequency_drift: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.depth <= 1 or self.frequency <= 0:
            raise SampleError(f"flicker {self.frequency}:{self.depth}: depth is 0 to 1, Hz above 0")

    def ripple(
        self, start_s: npt.ArrayLike, exposure_s: float, lag: float = 0.0
    ) -> npt.NDArray[np.float64]:
        """Return light relative to its mean, averaged over exposures that start at ``start_s``."""
        middle = np.asarray(start_s, np.float64) + exposure_s / 2
        light = np.ones_like(middle)
        for multiple, amplitude in enumerate(self.harmonics, start=1):
            f = multiple * self.frequency
            angle = 2 * np.pi * f * middle + multiple * (self.phase - lag)
            light += self.depth * amplitude * np.sinc(f * exposure_s) * np.sin(angle)
        return light

    def _warped(self, time_s: npt.NDArray[np.float64], duration_s: float) -> Any:
        """Return the times at which a lamp without drift would have the same phase."""
        return time_s + self.frequency_drift * (time_s**2 / duration_s - time_s)

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rows, cols = take.shape
        row_s = np.arange(rows)[:, None] / rows * self.line_delay / take.capture_rate
        times = row_s if self.line_delay else np.zeros((1, 1))
        right = 1.0 / (1.0 + np.exp(-(np.arange(cols) - cols / 2) / (cols / 10)))[None, :]

        def run(picture: Picture, t: int) -> Picture:
            start_s = self._warped(t / take.capture_rate + times, take.duration_s)
            light = self.ripple(start_s, take.exposure_s)
            if self.two_phases:
                other = self.ripple(start_s, take.exposure_s, SECOND_PHASE)
                light = light + right * (other - light)
            grown = 1 + self.depth_drift * t / max(1, take.n_frames - 1)
            picture *= np.maximum(1 + grown * (light - 1), 0.0).astype(np.float32)
            return picture

        return run


@dataclass(frozen=True, slots=True)
class Dusk:
    """Light that changes slowly and evenly; at the last frame by ``change`` of the first."""

    stage: ClassVar[Stage] = Stage.PICTURE

    change: float = -0.3

    def __post_init__(self) -> None:
        if self.change < -1:
            raise SampleError(f"dusk {self.change}: light cannot fall by more than all of it (-1)")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        last = max(1, take.n_frames - 1)

        def run(picture: Picture, t: int) -> Picture:
            picture *= np.float32(1.0 + self.change * t / last)
            return picture

        return run


@dataclass(frozen=True, slots=True, kw_only=True)
class Cloud:
    """A soft shadow that crosses the picture once in the take, from left to right."""

    stage: ClassVar[Stage] = Stage.PICTURE

    depth: float = 0.25

    def __post_init__(self) -> None:
        if not 0 <= self.depth <= 1:
            raise SampleError(f"cloud {self.depth}: depth is 0 to 1")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        across = np.linspace(0.0, 1.0, take.shape[1])[None, :]
        last = max(1, take.n_frames - 1)

        def run(picture: Picture, t: int) -> Picture:
            edge = -0.5 + 2.0 * t / last
            shadow = 1.0 / (1.0 + np.exp((across - edge) / 0.12))
            picture *= (1.0 - self.depth * shadow).astype(np.float32)
            return picture

        return run


@dataclass(frozen=True, slots=True, kw_only=True)
class Warming:
    """A lamp that comes up to its full light exponentially.

    ``deficit`` is what lacks of it at first, ``part`` the time constant as a part of the take.
    """

    stage: ClassVar[Stage] = Stage.PICTURE

    deficit: float = 0.2
    part: float = 0.3

    def __post_init__(self) -> None:
        if not 0 <= self.deficit <= 1 or self.part <= 0:
            raise SampleError(f"warming lamp {self.deficit}: lacks 0 to 1, in a part above 0")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        constant_s = self.part * take.duration_s

        def run(picture: Picture, t: int) -> Picture:
            lacks = self.deficit * np.exp(-t / take.capture_rate / constant_s)
            picture *= np.float32(1.0 - lacks)
            return picture

        return run
