"""Code values at another depth or range: shifts, and the video range where a codec wants it."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from sample_generators.sensor import Pixels


def at_depth(pixels: Pixels, have: int, want: int) -> Pixels:
    """Shift code values from one bit depth to another; downwards the lowest bits are lost."""
    dtype = np.uint8 if want <= 8 else np.uint16
    if want >= have:
        return np.asarray(np.left_shift(pixels.astype(dtype, copy=False), want - have), dtype)
    return np.asarray(np.right_shift(pixels, have - want), dtype)


def video_range(bit_depth: int) -> npt.NDArray[Any]:
    """Return the table from full to video range: 16 to 235 at 8 bits, as in BT.709."""
    unit = 1 << (bit_depth - 8)
    values = np.arange(1 << bit_depth) * (219 * unit) / ((1 << bit_depth) - 1) + 16 * unit
    return np.rint(values).astype(np.uint8 if bit_depth <= 8 else np.uint16)


def pack_mono12p(pixels: Pixels) -> npt.NDArray[np.uint8]:
    """Pack 12-bit pixels two to three bytes, lowest bits first, without gaps between rows.

    The layout is that of Mono12p in the GenICam Pixel Format Naming Convention (from
    memory); an odd last pixel takes two bytes.
    """
    flat = pixels.reshape(-1).astype(np.uint16)
    pairs = np.append(flat, np.uint16(0)) if flat.size % 2 else flat
    low, high = pairs[0::2], pairs[1::2]
    packed = np.stack([low & 0xFF, (low >> 8) | ((high & 0xF) << 4), high >> 4], axis=1)
    return packed.astype(np.uint8).reshape(-1)[: (flat.size * 3 + 1) // 2]
