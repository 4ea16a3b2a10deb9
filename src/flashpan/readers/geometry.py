"""``WIDTHxHEIGHT:FORMAT[+OFFSET]``: how the user describes headerless pixels."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from flashpan.errors import UsageError, quoted
from flashpan.limits import believable, why_not_believable
from flashpan.readers import pfnc

EXAMPLE = "1280x800:Mono12p or 1280x800:Mono8+512"
_SYNTAX = re.compile(r"(\d{1,9})[xX](\d{1,9}):([A-Za-z0-9]+)(?:\+(\d{1,18}))?", re.ASCII)


@dataclass(frozen=True, slots=True)
class RawGeometry:
    """Size, pixel format and the bytes to pass over before the first frame."""

    rows: int
    cols: int
    pixel_format: pfnc.PixelFormat
    offset_bytes: int = 0

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame."""
        return self.pixel_format.n_bytes(self.rows * self.cols)

    def picture(self, data: npt.NDArray[np.uint8]) -> npt.NDArray[Any]:
        """Unpack one frame's bytes to ``(rows, cols)``; may be a view of ``data``."""
        pixels = self.pixel_format.unpack(data, self.rows * self.cols)
        return pixels.reshape(self.rows, self.cols)


def parse_geometry(text: str) -> RawGeometry:
    """Read the user's description of headerless pixels.

    Parameters
    ----------
    text : str
        ``WIDTHxHEIGHT:FORMAT[+OFFSET]``; FORMAT by GenICam PFNC, OFFSET in bytes.

    Raises
    ------
    UsageError
        Malformed, an unknown format, or a picture that is empty or absurdly large.
    """
    match = _SYNTAX.fullmatch(text.strip())
    if match is None:
        raise UsageError(
            f"raw geometry {quoted(text)} is not WIDTHxHEIGHT:FORMAT[+OFFSET]; {_hint()}"
        )
    cols, rows = int(match[1]), int(match[2])
    if not believable(rows, cols):
        raise UsageError(f"raw geometry {text!r}: {why_not_believable(rows, cols)}; {_hint()}")
    pixel_format = pfnc.by_name(match[3])
    if pixel_format is None:
        raise UsageError(
            f"raw geometry {quoted(text)} has no known pixel format {quoted(match[3])}; "
            f"there are: {', '.join(pfnc.NAMES)}"
        )
    return RawGeometry(rows, cols, pixel_format, int(match[4] or 0))


def _hint() -> str:
    return f"for example {EXAMPLE}"
