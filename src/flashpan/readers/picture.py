"""One still image, decoded to luma at its native depth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from flashpan.readers.luma import rec709

# What Python raises where a value is none that a decoder has reckoned with.
_TAKEN_BY_SURPRISE = (TypeError, AttributeError, LookupError, ArithmeticError, AssertionError)


class BadPicture(Exception):
    """A still that cannot be decoded; the text is the reason, for a warning or an error."""


def reason_of(error: Exception) -> str:
    """One line for whatever a decoder raised; its text where that has words for people in it."""
    if isinstance(error, MemoryError):
        return "asks for more memory than there is"
    if isinstance(error, _TAKEN_BY_SURPRISE):
        return "damaged or cut short"
    line = str(error).partition("\n")[0]
    return line if any(char.isalpha() for char in line) else "damaged or cut short"


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A decoded still.

    Attributes
    ----------
    luma : ndarray, shape (rows, cols), uint8 or uint16
        Right-aligned, except that ``spare_bits`` low bits may repeat the high ones.
    bit_depth : int
        Bits of the samples as stored.
    codec, pixel_format : str
        For the event log.
    n_bytes : int
        Bytes of the source that were read.
    spare_bits : int
        Low bits that the file declares to carry nothing (PNG ``sBIT``).
    """

    luma: npt.NDArray[Any]
    bit_depth: int
    codec: str
    pixel_format: str
    n_bytes: int
    spare_bits: int = 0


def flatten(pixels: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Turn (rows, cols) or (rows, cols, samples) into luma.

    One or two samples are grey (and alpha), three or more red, green, blue (and alpha).
    """
    if pixels.dtype not in (np.uint8, np.uint16):
        raise BadPicture(f"{pixels.dtype} samples; convert to 8- or 16-bit unsigned")
    if pixels.ndim == 2:
        return pixels
    if pixels.ndim != 3 or not pixels.shape[2]:
        raise BadPicture(f"no picture of rows and columns: shape {pixels.shape}")
    if pixels.shape[2] < 3:
        return pixels[..., 0]
    return rec709(pixels[..., 0], pixels[..., 1], pixels[..., 2])


def family(pixels: npt.NDArray[Any]) -> str:
    """Name the kind of samples: ``gray`` or ``rgb``."""
    return "rgb" if pixels.ndim == 3 and pixels.shape[2] >= 3 else "gray"


def alike(one: Picture, other: Picture) -> bool:
    """Whether two pictures can be frames of one take."""
    return one.luma.shape == other.luma.shape and one.bit_depth == other.bit_depth


def size_text(picture: Picture) -> str:
    """Size and depth, for messages."""
    rows, cols = picture.luma.shape
    return f"{cols}x{rows} at {picture.bit_depth} bits"
