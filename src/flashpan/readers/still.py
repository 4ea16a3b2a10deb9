"""Decoding one still file, by kind; the kind is told by leading bytes, not by name."""

from __future__ import annotations

import errno
import io
import logging
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import av
import cv2
import imagecodecs
import numpy as np
import numpy.typing as npt
import tifffile

from flashpan.errors import UnreadableTake
from flashpan.limits import MAX_PIXELS, believable, why_not_believable
from flashpan.readers.picture import BadPicture, Picture, family, flatten, reason_of
from flashpan.readers.tiff import main_page, page_picture

# These report damage to their loggers as well as to us: one report is enough.
for _library in ("tifffile", "imagecodecs"):
    logging.getLogger(_library).addHandler(logging.NullHandler())

_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_GRAY = 0
_MOST_SAMPLE_BYTES = 8

_DISK = frozenset(
    {
        *(errno.EIO, errno.EREMOTEIO, errno.ESTALE, errno.ENODEV, errno.ENXIO, errno.ENOTCONN),
        *(errno.ETIMEDOUT, errno.EACCES, errno.EPERM),
    }
)
"""What says nothing of the picture, and passes when the disk or the rights are put right."""


def read_still(path: Path) -> Picture:
    """Decode a still.

    Parameters
    ----------
    path : Path
        TIFF, DNG, PNG, JPEG, DPX, BMP, PGM or PPM.

    Raises
    ------
    BadPicture
        Missing, cut short, damaged, or of an unknown kind.
    UnreadableTake
        The disk does not give it, or it may not be read: the picture may be sound.
    """
    try:
        if path.stat().st_size > _MOST_SAMPLE_BYTES * MAX_PIXELS.value:
            raise BadPicture(f"{path.stat().st_size:,} bytes are more than a picture has")
        data = path.read_bytes()
    except OSError as error:
        if error.errno in _DISK:
            raise UnreadableTake(
                f"{path}: cannot be read ({error.strerror}); check the disk and the file's rights,"
                " and run again"
            ) from error
        raise BadPicture(error.strerror or "cannot be read") from error
    if not data:
        raise BadPicture("empty file")
    decode = _decoder(data[:8])
    try:
        return decode(data)
    except BadPicture:
        raise
    except Exception as error:  # decoders raise whatever they please
        raise BadPicture(reason_of(error)) from error


def _decoder(start: bytes) -> Callable[[bytes], Picture]:
    kinds: tuple[tuple[tuple[bytes, ...], Callable[[bytes], Picture]], ...] = (
        ((b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"), _tiff),
        ((_PNG,), _png),
        ((b"\xff\xd8\xff",), _jpeg),
        ((b"SDPX", b"XPDS"), _dpx),
        ((b"BM",), _bmp),
        ((b"P5", b"P6"), _pnm),
    )
    for marks, decode in kinds:
        if start.startswith(marks):
            return decode
    raise BadPicture("not a TIFF, DNG, PNG, JPEG, DPX, BMP or PGM picture")


def _require_believable(rows: int, cols: int) -> None:
    """Refuse a size before a decoder sets memory aside for it."""
    if not believable(rows, cols):
        raise BadPicture(why_not_believable(rows, cols))


def _tiff(data: bytes) -> Picture:
    with tifffile.TiffFile(io.BytesIO(data)) as tiff:
        return page_picture(main_page(tiff))


def _png(data: bytes) -> Picture:
    """Grey, colour or palette; fewer than eight bits come scaled to eight."""
    cols, rows = (int.from_bytes(data[k : k + 4], "big") for k in (16, 20))
    _require_believable(rows, cols)
    pixels = imagecodecs.png_decode(data)
    bit_depth = 8 * pixels.dtype.itemsize
    significant = _png_significant_bits(data) if data[25] == _PNG_GRAY else 0
    return Picture(
        luma=flatten(pixels),
        bit_depth=bit_depth,
        codec="png",
        pixel_format=f"{family(pixels)}{bit_depth}",
        n_bytes=len(data),
        spare_bits=bit_depth - significant if 0 < significant < data[24] >= 8 else 0,
    )


def _png_significant_bits(data: bytes) -> int:
    """Return the ``sBIT`` of a grey PNG, 0 where there is none (PNG, third edition, 11.3.2.7)."""
    at = 8
    while at + 8 < len(data):
        size, kind = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        if kind == b"sBIT":
            return data[at + 8]
        if kind == b"IDAT":
            return 0
        at += size + 12
    return 0


def _jpeg(data: bytes) -> Picture:
    """Luma plane only: grey output of the decoder is Y itself, with no trip through colour."""
    precision, scan = _jpeg_markers(data)
    # The decoder fills a cut picture with grey and says nothing.
    if data.find(b"\xff\xd9", scan) < 0:
        raise BadPicture("cut short")
    if precision == 8:
        pixels = imagecodecs.jpeg8_decode(data, outcolorspace="GRAYSCALE")
    else:
        pixels = imagecodecs.jpeg_decode(data)
    return Picture(
        luma=flatten(pixels),
        bit_depth=precision,
        codec="jpeg",
        pixel_format=f"gray{precision}",
        n_bytes=len(data),
    )


def _jpeg_markers(data: bytes) -> tuple[int, int]:
    """Return bits per sample, and where the first scan begins (ITU-T T.81, annex B)."""
    at, precision = 2, 8
    while at + 9 < len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker == 0xDA:
            return precision, at
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            precision = data[at + 4]
            rows, cols = (int.from_bytes(data[at + k : at + k + 2], "big") for k in (5, 7))
            _require_believable(rows, cols)
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    raise BadPicture("cut short")


def _dpx(data: bytes) -> Picture:
    """8, 10, 12 or 16 bits, grey or RGB, as FFmpeg's decoder gives them."""
    order: Literal["big", "little"] = "big" if data[:4] == b"SDPX" else "little"
    cols, rows = (int.from_bytes(data[k : k + 4], order) for k in (772, 776))  # SMPTE ST 268-1
    _require_believable(rows, cols)
    decoder = av.CodecContext.create("dpx", "r")
    decoder.options = {"max_pixels": str(MAX_PIXELS.value)}
    frames = [*decoder.decode(av.Packet(data)), *decoder.decode(None)]
    if len(frames) != 1:
        raise BadPicture("cut short or damaged")
    pixel_format = frames[0].format
    if not pixel_format.name.startswith(("gray", "gbr", "rgb", "bgr", "abgr")):
        raise BadPicture(f"DPX of kind {pixel_format.name}; write grey or RGB")
    pixels = frames[0].to_ndarray()
    if pixel_format.name.startswith("abgr"):
        pixels = pixels[..., 3:0:-1]
    return Picture(
        luma=flatten(pixels),
        bit_depth=pixel_format.components[0].bits,
        codec="dpx",
        pixel_format=pixel_format.name,
        n_bytes=len(data),
    )


def _bmp(data: bytes) -> Picture:
    declared = int.from_bytes(data[2:6], "little")
    cols, rows = (int.from_bytes(data[k : k + 4], "little", signed=True) for k in (18, 22))
    _require_believable(abs(rows), cols)  # rows below zero: the first is the uppermost
    if declared > len(data):
        raise BadPicture("cut short")
    return _opencv(data, "bmp", 8)


def _pnm(data: bytes) -> Picture:
    """Binary PGM and PPM; the largest value in the header gives the depth."""
    header = re.match(rb"P[56](?:\s+#[^\n]*)*\s+(\d+)(?:\s+#[^\n]*)*\s+(\d+)\s+(\d+)\s", data)
    if header is None:
        raise BadPicture("damaged header")
    cols, rows, white = (int(number) for number in header.groups())
    _require_believable(rows, cols)
    if not 0 < white < 65536:
        raise BadPicture(f"values of 0 to {white}")
    n_bytes = rows * cols * (3 if data[1:2] == b"6" else 1) * (2 if white > 255 else 1)
    if len(data) - header.end() < n_bytes:
        raise BadPicture("cut short")
    return _opencv(data, "pnm", white.bit_length())


def _opencv(data: bytes, codec: str, bit_depth: int) -> Picture:
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if decoded is None:
        raise BadPicture("cut short or damaged")
    pixels: npt.NDArray[Any] = np.asarray(decoded)
    if pixels.ndim == 3 and pixels.shape[2] >= 3:
        pixels = pixels[..., 2::-1]
    return Picture(
        luma=flatten(pixels),
        bit_depth=bit_depth,
        codec=codec,
        pixel_format=f"{family(pixels)}{bit_depth}",
        n_bytes=len(data),
    )
