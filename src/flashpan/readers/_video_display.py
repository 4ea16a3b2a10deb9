"""Display matrix: how a container says that the picture is to be turned for viewing."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from av.video.frame import VideoFrame


@dataclass(frozen=True, slots=True)
class Orientation:
    """Turn and flips, in multiples of 90 degrees, from the stored to the viewed picture.

    Attributes
    ----------
    transposed, flip_rows, flip_cols : bool
        Rows and columns are swapped first, then flipped.
    clockwise : int
        The matrix's turn in degrees clockwise, 0 to 359.
    exact : bool
        False where the angle is no multiple of 90: nothing is applied then.
    mirrored : bool
        True where the matrix also mirrors the picture.
    """

    transposed: bool = False
    flip_rows: bool = False
    flip_cols: bool = False
    clockwise: int = 0
    exact: bool = True
    mirrored: bool = False

    def apply(self, luma: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Return a turned view of a picture (rows, cols)."""
        if self.transposed:
            luma = luma.T
        return luma[:: -1 if self.flip_rows else 1, :: -1 if self.flip_cols else 1]


def orientation(frame: VideoFrame) -> Orientation:
    """Read a picture's display matrix; the upright `Orientation` where it has none."""
    sides: Iterable[Any] = frame.side_data  # declared as names, iterated as data
    for side in sides:
        if getattr(side, "type", None) is not None and side.type.name == "DISPLAYMATRIX":
            a, b, _, c, d, *_ = np.frombuffer(memoryview(side), np.int32).tolist()
            return from_matrix(a, b, c, d)
    return Orientation()


def from_matrix(a: int, b: int, c: int, d: int) -> Orientation:
    """Orientation of the matrix that moves (x, y) to (a·x + c·y, b·x + d·y), y downwards.

    The layout is that of ISO/IEC 14496-12, clause 6.2.2, as track headers keep it.
    """
    # Fixed-point cosines leave specks where 0 is meant.
    largest = max(map(abs, (a, b, c, d)))
    a, b, c, d = (term if abs(term) * 256 > largest else 0 for term in (a, b, c, d))
    mirrored = a * d - b * c < 0
    # A mirrored matrix is a flip of columns followed by the turn.
    turn = math.degrees(math.atan2(-b if mirrored else b, -a if mirrored else a))
    clockwise = round(turn) % 360
    if clockwise % 90 or not ((a and d and not (b or c)) or (b and c and not (a or d))):
        return Orientation(clockwise=clockwise, exact=not (a or b or c or d), mirrored=mirrored)
    transposed = a == 0
    rows, cols = (b, c) if transposed else (d, a)
    return Orientation(transposed, rows < 0, cols < 0, clockwise, True, mirrored)
