"""What is burnt into the picture after the sensor: clocks, logos, black bars.

An overlay hides what is under it; `covered` says where, for the truth.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any, ClassVar

import cv2
import numpy as np
import numpy.typing as npt

from sample_generators.disturb.base import Run, Stage, TakeFacts
from sample_generators.errors import SampleError

CORNERS = ("top-left", "top-right", "bottom-left", "bottom-right")
Window = tuple[slice, slice]


class Overlay(ABC):
    """A disturbance of the code values that hides parts of the picture for good."""

    stage: ClassVar[Stage] = Stage.BURN

    @abstractmethod
    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""

    @abstractmethod
    def covered(self, shape: tuple[int, int]) -> tuple[Window, ...]:
        """Return the windows of a picture of this shape that it hides."""


def in_corner(corner: str, shape: tuple[int, int], rows: int, cols: int, margin: int = 0) -> Window:
    """Return the window of a size in a corner, cut to the picture."""
    if corner not in CORNERS:
        raise SampleError(f"corner {corner!r}: choose one of {', '.join(CORNERS)}")
    top = max(0, shape[0] - margin - rows) if corner.startswith("bottom") else margin
    left = max(0, shape[1] - margin - cols) if corner.endswith("right") else margin
    return slice(top, min(top + rows, shape[0])), slice(left, min(left + cols, shape[1]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Logo(Overlay):
    """A small mark that spins: a disc of which one half is lit, another in every frame."""

    size_px: int = 24
    period_frames: float = 37.3
    corner: str = "top-right"

    def __post_init__(self) -> None:
        if self.size_px < 6 or self.period_frames <= 0:
            raise SampleError("logo: give 6 pixels or more, and a period above 0 frames")

    def covered(self, shape: tuple[int, int]) -> tuple[Window, ...]:
        """See `Overlay.covered`."""
        return (in_corner(self.corner, shape, self.size_px, self.size_px, margin=4),)

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        (where,) = self.covered(take.shape)
        half = self.size_px / 2
        y, x = np.mgrid[: self.size_px, : self.size_px] - (half - 0.5)
        disc = np.clip(half - np.hypot(y, x), 0, 1)

        def run(pixels: npt.NDArray[Any], t: int) -> npt.NDArray[Any]:
            angle = 2 * np.pi * t / self.period_frames
            lit = np.clip(x * np.cos(angle) + y * np.sin(angle) + 0.5, 0, 1)
            mark = disc * (0.2 + 0.7 * lit) * take.full_scale_dn
            shown = pixels[where]
            shown[...] = np.rint(mark[: shown.shape[0], : shown.shape[1]]).astype(pixels.dtype)
            return pixels

        return run


@dataclass(frozen=True, slots=True, kw_only=True)
class Letterbox(Overlay):
    """Black bars above and below, every pixel exactly 0; ``part`` is each one's height."""

    part: float = 0.12

    def __post_init__(self) -> None:
        if not 0 < self.part < 0.5:
            raise SampleError(f"letterbox {self.part}: each bar is above 0, below half the height")

    def covered(self, shape: tuple[int, int]) -> tuple[Window, ...]:
        """See `Overlay.covered`."""
        rows, whole = round(self.part * shape[0]), slice(0, shape[1])
        return (slice(0, rows), whole), (slice(shape[0] - rows, shape[0]), whole)

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        bars = self.covered(take.shape)

        def run(pixels: npt.NDArray[Any], t: int) -> npt.NDArray[Any]:
            for bar in bars:
                pixels[bar] = 0
            return pixels

        return run


def glyphs(characters: str, rows: int, cols: int) -> dict[str, npt.NDArray[np.bool_]]:
    """Return characters as masks of shape (rows, cols)."""
    scale, thick = 0.75 * rows / 11, max(1, round(rows / 11))
    drawn = {}
    for character in characters:
        glyph = np.zeros((rows, cols), np.uint8)
        foot = rows - max(2, round(2 * rows / 11))
        place = (max(1, round(cols / 8)), foot)
        cv2.putText(glyph, character, place, cv2.FONT_HERSHEY_PLAIN, scale, 255, thick)
        drawn[character] = glyph > 127
    return drawn
