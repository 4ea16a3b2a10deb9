"""A frame counter burnt into the picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import cv2
import numpy as np
import numpy.typing as npt

from sample_generators.disturb.base import Run, Stage, TakeFacts

DIGIT_ROWS, DIGIT_COLS = 11, 8


def _glyphs() -> npt.NDArray[np.bool_]:
    """Return the digits as masks, shape (10, DIGIT_ROWS, DIGIT_COLS)."""
    glyphs = np.zeros((10, DIGIT_ROWS, DIGIT_COLS), np.uint8)
    for digit in range(10):
        cv2.putText(
            glyphs[digit], str(digit), (1, DIGIT_ROWS - 2), cv2.FONT_HERSHEY_PLAIN, 0.75, 255
        )
    return glyphs > 127


@dataclass(frozen=True, slots=True)
class Counter:
    """The frame number in white on black in the top left corner."""

    stage: ClassVar[Stage] = Stage.BURN

    digits: int = 7

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`."""
        glyphs = _glyphs()
        white = take.full_scale_dn

        def run(pixels: npt.NDArray[Any], t: int) -> npt.NDArray[Any]:
            text = str(t).zfill(self.digits)[-self.digits :]
            strip = np.concatenate([glyphs[int(digit)] for digit in text], axis=1)
            rows, cols = min(DIGIT_ROWS, pixels.shape[0]), min(strip.shape[1], pixels.shape[1])
            pixels[:rows, :cols] = strip[:rows, :cols] * np.asarray(white, pixels.dtype)
            return pixels

        return run
