"""Disturbances that move: a swaying camera, rain, foliage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import cv2
import numpy as np
import numpy.typing as npt

from sample_generators.backgrounds import clouds
from sample_generators.disturb.base import Run, Stage, TakeFacts
from sample_generators.errors import SampleError
from sample_generators.sensor import Picture


def _wobble(rng: np.random.Generator, slowest_hz: float) -> tuple[npt.NDArray[np.float64], ...]:
    """Return frequencies (Hz), amplitudes (sum 1) and phases of a smooth random motion."""
    hz = slowest_hz * np.array([1.0, 1.71, 2.93]) * rng.uniform(0.8, 1.2, 3)
    amplitude = np.array([0.55, 0.3, 0.15])
    return hz, amplitude, rng.uniform(0, 2 * np.pi, 3)


def _at(wobble: tuple[npt.NDArray[np.float64], ...], time_s: float) -> float:
    hz, amplitude, phase = wobble
    return float(np.sum(amplitude * np.sin(2 * np.pi * hz * time_s + phase)))


def shift(picture: Picture, dy: float, dx: float) -> Picture:
    """Return a picture moved by parts of a pixel; its border is repeated."""
    matrix = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
    size = picture.shape[::-1]
    moved = cv2.warpAffine(
        picture, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(moved, np.float32)


@dataclass(frozen=True, slots=True)
class Sway:
    """A camera on a soft mount: the picture moves by up to ``amplitude_px``."""

    stage: ClassVar[Stage] = Stage.PICTURE

    amplitude_px: float = 0.5
    slowest_hz: float = 3.0

    def __post_init__(self) -> None:
        if not 0 <= self.amplitude_px <= 10:
            raise SampleError(f"sway {self.amplitude_px}: give 0 to 10 pixels")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rng = take.rng("sway")
        down, across = _wobble(rng, self.slowest_hz), _wobble(rng, self.slowest_hz)

        def run(picture: Picture, t: int) -> Picture:
            time_s = t / take.capture_rate
            # 0.7 keeps the diagonal within the amplitude.
            reach = 0.7 * self.amplitude_px
            return shift(picture, reach * _at(down, time_s), reach * _at(across, time_s))

        return run


STEPS = 16
"""Streaks are drawn at sixteenths of a pixel."""


def _streaks(length_px: int, brightness: float) -> list[Picture]:
    """Return one streak at each sub-pixel height, shape (length + 5, 5) each."""
    across = np.exp(-0.5 * ((np.arange(5) - 2) / 0.8) ** 2)
    rows = np.arange(length_px + 5)[:, None]
    steps = np.arange(STEPS) / STEPS
    covers = [np.clip(np.minimum(rows - 1 - s, length_px + 3 - rows + s), 0, 1) for s in steps]
    return [np.asarray(brightness * cover * across, np.float32) for cover in covers]


@dataclass(frozen=True, slots=True)
class Rain:
    """Drops that fall past the lens, each at its own place every time.

    ``speed_px_s``: 8 m/s at 5 mm per pixel (common practice, no source).
    """

    stage: ClassVar[Stage] = Stage.PICTURE

    drops: int = 12
    brightness: float = 0.05
    speed_px_s: float = 1600.0
    length_px: int = 8

    def __post_init__(self) -> None:
        if self.drops < 0 or self.length_px < 1:
            raise SampleError("rain: give 0 drops or more, at least 1 pixel long")

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rng = take.rng("rain")
        rows, cols = take.shape
        streaks = _streaks(self.length_px, self.brightness)
        tall, wide = streaks[0].shape
        speed = self.speed_px_s * rng.uniform(0.8, 1.2, self.drops)
        # Drops are spread over twice the height, so that their number on screen varies.
        cycle = 2 * (rows + tall)
        phase = rng.uniform(0, cycle, self.drops)
        place = rng.integers(0, 2**32, self.drops, dtype=np.uint64)

        def run(picture: Picture, t: int) -> Picture:
            travelled = phase + speed * t / take.capture_rate
            turn, height = np.divmod(travelled, cycle)
            # A multiplicative hash of drop and turn: a new column every time round.
            mixed = (place + turn.astype(np.uint64)) * np.uint64(0x9E3779B97F4A7C15)
            left = ((mixed >> np.uint64(33)) % np.uint64(cols - wide)).astype(np.intp)
            for y, x in zip(height - tall, left, strict=True):
                top = int(np.floor(y))
                first, stop = max(top, 0), min(top + tall, rows)
                if first < stop:
                    streak = streaks[int((y - top) * STEPS)]
                    picture[first:stop, x : x + wide] += streak[first - top : stop - top]
            return picture

        return run


@dataclass(frozen=True, slots=True)
class Foliage:
    """A leafy branch in the lower right corner, waving in the wind."""

    stage: ClassVar[Stage] = Stage.PICTURE

    amplitude_px: float = 4.0
    slowest_hz: float = 1.2
    shade: float = 0.6
    """Part of the light that the leaves take away."""

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rng = take.rng("foliage")
        rows, cols = take.shape[0] // 3, take.shape[1] // 3
        corner = np.linspace(0, 1, rows)[:, None] * np.linspace(0, 1, cols)[None, :]
        leaves = np.clip(8 * (clouds(rng, (rows, cols), 9.0) - 0.5), 0, 1)
        leaves = (leaves * np.clip(4 * (corner - 0.15), 0, 1)).astype(np.float32)
        down, across = _wobble(rng, self.slowest_hz), _wobble(rng, self.slowest_hz)

        def run(picture: Picture, t: int) -> Picture:
            time_s = t / take.capture_rate
            reach = self.amplitude_px
            moved = shift(leaves, reach * _at(down, time_s) / 2, reach * _at(across, time_s))
            picture[-rows:, -cols:] *= 1.0 - np.float32(self.shade) * moved
            return picture

        return run
