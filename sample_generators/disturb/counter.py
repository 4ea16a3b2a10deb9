"""A frame counter and a clock burnt into the picture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from sample_generators.disturb.base import Run, TakeFacts
from sample_generators.disturb.overlay import Overlay, Window, glyphs, in_corner
from sample_generators.errors import SampleError

DIGIT_ROWS, DIGIT_COLS = 11, 8


def _written(text_of: Callable[[int], str], where: Window, digit_rows: int, white: int) -> Run:
    """Return what writes a frame's text in white on black into a window, cut to it."""
    masks = glyphs("0123456789:.", digit_rows, _digit_cols(digit_rows))

    def run(pixels: npt.NDArray[Any], t: int) -> npt.NDArray[Any]:
        strip = np.concatenate([masks[character] for character in text_of(t)], axis=1)
        shown = pixels[where]
        shown[...] = strip[: shown.shape[0], : shown.shape[1]] * np.asarray(white, pixels.dtype)
        return pixels

    return run


def _digit_cols(digit_rows: int) -> int:
    return round(DIGIT_COLS * digit_rows / DIGIT_ROWS)


@dataclass(frozen=True, slots=True)
class Counter(Overlay):
    """The frame number in white on black in a corner; ``digit_rows`` is its height in pixels."""

    digits: int = 7
    digit_rows: int = DIGIT_ROWS
    corner: str = "top-left"

    def __post_init__(self) -> None:
        if self.digits < 1 or self.digit_rows < 8:
            raise SampleError("counter: give a digit or more, 8 pixels high or more")

    def covered(self, shape: tuple[int, int]) -> tuple[Window, ...]:
        """See `Overlay.covered`."""
        cols = self.digits * _digit_cols(self.digit_rows)
        return (in_corner(self.corner, shape, self.digit_rows, cols),)

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""

        def text_of(t: int) -> str:
            return str(t).zfill(self.digits)[-self.digits :]

        (where,) = self.covered(take.shape)
        return _written(text_of, where, self.digit_rows, take.full_scale_dn)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock(Overlay):
    """The time of day to the microsecond in white on black in a corner.

    ``began_s`` is the time of frame 0, seconds after midnight.
    """

    began_s: int = 75_300
    digit_rows: int = DIGIT_ROWS
    corner: str = "bottom-right"

    def __post_init__(self) -> None:
        if self.digit_rows < 8:
            raise SampleError(f"clock {self.digit_rows}: give digits 8 pixels high or more")

    def covered(self, shape: tuple[int, int]) -> tuple[Window, ...]:
        """See `Overlay.covered`."""
        cols = len("00:00:00.000000") * _digit_cols(self.digit_rows)
        return (in_corner(self.corner, shape, self.digit_rows, cols),)

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        rate = Fraction(take.capture_rate)

        def text_of(t: int) -> str:
            seconds, us = divmod(int(t * 1_000_000 / rate), 1_000_000)
            minutes, second = divmod(self.began_s + seconds, 60)
            hour, minute = divmod(minutes, 60)
            return f"{hour % 24:02d}:{minute:02d}:{second:02d}.{us:06d}"

        (where,) = self.covered(take.shape)
        return _written(text_of, where, self.digit_rows, take.full_scale_dn)
