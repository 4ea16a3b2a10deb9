"""DPX files: pixels by FFmpeg's encoder, header by SMPTE ST 268-1.

FFmpeg's encoder ends its header before the fields of film and television; they are added
here, with the playback rate, the frame's number in the take, and its timecode.  Files are
big-endian, 10 and 12 bits filled by method A, as the encoder does it.
"""

from __future__ import annotations

import re
import struct
from fractions import Fraction
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from flashpan.model import TakeInfo

Pixels = npt.NDArray[Any]

HEADER_BYTES = 2048
_GENERIC_BYTES = 1664


def encode_dpx(
    rgb: Pixels,
    bits: int,
    bit_depth: int,
    frame: int,
    take: TakeInfo,
    place: tuple[int, int],
    timecode: str | None = None,
) -> bytes:
    """One picture as the bytes of a file.

    Parameters
    ----------
    rgb : ndarray of uint16, shape (rows, cols, 3)
        Right-aligned.
    bits : int
        10, 12 or 16.
    bit_depth : int
        Of the code values before they were taken to ``bits``, for the header.
    frame : int
        Number in the take.
    take : TakeInfo
        For name and playback rate.
    place : tuple of int
        Place in the sequence, from 0, and how many pictures there are.
    timecode : str, optional
        The frame's, ``hh:mm:ss:ff``.
    """
    layout = "rgb48be" if bits == 16 else f"gbrp{bits}be"
    encoder = av.CodecContext.create("dpx", "w")
    assert isinstance(encoder, av.VideoCodecContext)
    encoder.height, encoder.width, _ = rgb.shape
    encoder.pix_fmt, encoder.time_base = layout, Fraction(1, 25)
    picture = av.VideoFrame.from_ndarray(rgb.astype(np.uint16), layout)
    encoded = b"".join(bytes(p) for p in [*encoder.encode(picture), *encoder.encode(None)])
    header = bytearray(encoded[:_GENERIC_BYTES])
    header += b"\xff" * (HEADER_BYTES - _GENERIC_BYTES)  # undefined, as the standard wants it
    n_bytes = len(encoded) + HEADER_BYTES - _GENERIC_BYTES
    for offset, form, value in _fields(n_bytes, bit_depth, frame, take, place):
        struct.pack_into(form, header, offset, value)
    if timecode is not None:  # television: two decimal digits to a byte, as in SMPTE ST 12-1
        header[1920:1924] = bytes(int(pair, 16) for pair in re.findall(r"\d\d", timecode))
    return bytes(header) + encoded[_GENERIC_BYTES:]


def decode_dpx(data: bytes) -> Pixels | None:
    """Samples of a DPX file as FFmpeg's decoder gives them; None where nothing decodes."""
    decoder = av.CodecContext.create("dpx", "r")
    assert isinstance(decoder, av.VideoCodecContext)
    pictures = [*decoder.decode(av.Packet(data)), *decoder.decode(None)]
    return np.asarray(pictures[0].to_ndarray()) if len(pictures) == 1 else None


def dpx_bytes(rows: int, cols: int, bits: int) -> int:
    """Size of a file: lines of three channels end at whole words of four bytes."""
    line_bytes = cols * (4 if bits == 10 else 6)
    return HEADER_BYTES + rows * (line_bytes + -line_bytes % 4)


def _fields(
    n_bytes: int, bit_depth: int, frame: int, take: TakeInfo, place: tuple[int, int]
) -> list[tuple[int, str, Any]]:
    """What is put into the header: offset (SMPTE ST 268-1), struct format, value.

    Transfer characteristic and colours are said to be the camera's own (0), since nobody
    has told us more.
    """
    name = take.name.encode("ascii", "replace")[:99]
    fields: list[tuple[int, str, Any]] = [
        (4, ">I", HEADER_BYTES),  # where the pixels begin
        (16, ">I", n_bytes),
        (24, ">I", _GENERIC_BYTES),
        (28, ">I", HEADER_BYTES - _GENERIC_BYTES),
        (36, "100s", name),
        (160, "100s", b"flashpan"),
        (801, "B", 0),  # transfer characteristic: user defined
        (802, "B", 0),  # colours: user defined
        (808, ">I", HEADER_BYTES),
        (820, "32s", f"{bit_depth}-bit values, repeated".encode()),
        (1432, "100s", name),  # source picture
        (1712, ">I", place[0]),  # film: position in the sequence
        (1716, ">I", place[1]),  # film: length of the sequence
        (1732, "32s", b"frame %d" % frame),  # film: identification of the frame
    ]
    if take.playback_rate is not None:
        rate = float(take.playback_rate)
        fields += [(1724, ">f", rate), (1940, ">f", rate)]  # film, television: frames a second
    return fields
