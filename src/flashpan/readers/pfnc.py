"""Pixel formats of the GenICam Pixel Format Naming Convention (PFNC) and their unpackers.

Four byte layouts occur; the numbers in brackets are bit numbers, 0 the least significant.

octets (``Mono8``)
    One byte per pixel.
words (``Mono10``, ``Mono12``, ``Mono14``, ``Mono16``)
    Two bytes per pixel, little-endian, value in the low bits, high bits zero.
contiguous (``Mono10p``, ``Mono12p``)
    No gaps: pixel 0 begins in bit 0 of byte 0 and each pixel follows the one before,
    least significant bit first.  12 bit: P0 = B1[3:0] B0, P1 = B2 B1[7:4].
paired (``Mono10Packed``, ``Mono12Packed``: the GigE Vision layout)
    Two pixels in three bytes: B0 the high eight bits of P0, B2 those of P1, B1 the rest:
    12 bit: B1[3:0] of P0, B1[7:4] of P1; 10 bit: B1[1:0] of P0, B1[5:4] of P1.

A Bayer format has the layout of the Mono format of its width; the mosaic is the luma.
Lines are not padded; a picture ends on a whole byte.

Source: GenICam PFNC 2.3, sections on pixel packing, from memory; the layouts agree with
the open-source library *harvesters* 1.4.3 (``util/pfnc.py``), whose results the tests hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import lcm
from typing import Any

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
Words = npt.NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class PixelFormat:
    """One named layout of pixels in bytes.

    Attributes
    ----------
    name : str
        PFNC name.
    bits : int
        Significant bits per pixel.
    layout : str
        ``"octets"``, ``"words"``, ``"contiguous"`` or ``"paired"``.
    """

    name: str
    bits: int
    layout: str

    def n_bytes(self, n_pixels: int) -> int:
        """Bytes that ``n_pixels`` take, rounded up to a whole byte."""
        stored = {"octets": 8, "words": 16, "contiguous": self.bits, "paired": 12}
        return -(-n_pixels * stored[self.layout] // 8)

    def unpack(self, data: Bytes, n_pixels: int) -> npt.NDArray[Any]:
        """Unpack bytes to pixels.

        Parameters
        ----------
        data : ndarray, shape (n_bytes(n_pixels),), uint8
        n_pixels : int

        Returns
        -------
        ndarray, shape (n_pixels,), uint8 or uint16
            Right-aligned values.  Octets and words come back as a view of ``data``.
        """
        if self.layout == "octets":
            return data[:n_pixels]
        if self.layout == "words":
            return data.view("<u2")[:n_pixels].astype(np.uint16, copy=False)
        if self.layout == "contiguous":
            return _contiguous(data, self.bits)[:n_pixels]
        return _paired(data, self.bits)[:n_pixels]


def _grouped(data: Bytes, group: int) -> Bytes:
    """Bytes as (groups, group), the last group filled up with zeros."""
    missing = -len(data) % group
    if missing:
        data = np.concatenate([data, np.zeros(missing, np.uint8)])
    return data.reshape(-1, group)


def _contiguous(data: Bytes, bits: int) -> Words:
    """Unpack least-significant-bit-first pixels of 10 or 12 bits."""
    group = lcm(bits, 8)
    octets = _grouped(data, group // 8)
    pixels = np.empty((len(octets), group // bits), np.uint16)
    for k in range(group // bits):
        first, shift = divmod(k * bits, 8)
        # 10 and 12 bits at an even bit number never reach into a third byte.
        pair = octets[:, first] | octets[:, first + 1].astype(np.uint16) << 8
        pixels[:, k] = pair >> shift & ((1 << bits) - 1)
    return pixels.reshape(-1)


def _paired(data: Bytes, bits: int) -> Words:
    """Unpack two pixels of 10 or 12 bits from every three bytes."""
    octets = _grouped(data, 3)
    low = bits - 8
    rest = octets[:, 1]
    pixels = np.empty((len(octets), 2), np.uint16)
    pixels[:, 0] = octets[:, 0].astype(np.uint16) << low | rest & ((1 << low) - 1)
    pixels[:, 1] = octets[:, 2].astype(np.uint16) << low | rest >> 4 & ((1 << low) - 1)
    return pixels.reshape(-1)


def _table() -> dict[str, PixelFormat]:
    widths = {"8": (8, "octets"), "10": (10, "words"), "12": (12, "words"), "16": (16, "words")}
    widths |= {f"{bits}p": (bits, "contiguous") for bits in (10, 12)}
    widths |= {f"{bits}Packed": (bits, "paired") for bits in (10, 12)}
    families = ("Mono", "BayerRG", "BayerGR", "BayerGB", "BayerBG")
    formats = [PixelFormat(f + w, *layout) for f in families for w, layout in widths.items()]
    formats.append(PixelFormat("Mono14", 14, "words"))
    return {pixel_format.name.lower(): pixel_format for pixel_format in formats}


_FORMATS = _table()

NAMES = tuple(sorted(pixel_format.name for pixel_format in _FORMATS.values()))
"""Every format name that can be read."""


def by_name(name: str) -> PixelFormat | None:
    """Return the format of that name, upper and lower case alike; ``None`` if unknown."""
    return _FORMATS.get(name.lower())
