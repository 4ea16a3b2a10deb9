"""Pictures to be shown or handed on: every channel, at the depth the take has.

The search looks at luma only; a picture for people keeps its colours.  Grey and RGB takes
give their own code values.  YUV takes are turned into RGB of 16 bits, full range, by the
matrix that the stream names: that is not reversible to the bit.  Their luma alone, which is
all there is of a grey scene in a YUV stream, is given as coded on request.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from av.video.frame import VideoFrame

from flashpan.errors import TakeError
from flashpan.model import Frame, TakeInfo
from flashpan.readers._video_display import orientation
from flashpan.readers._video_luma import is_limited_range, luma_source
from flashpan.readers.luma import BLUE, GREEN, RED

Pixels = npt.NDArray[Any]

# Weights of red and blue in luma, by the codes of ITU-T H.273, table 4 (matrix coefficients):
# BT.709-6 item 3.2, FCC, BT.601-7 item 2.5.1, SMPTE ST 240, BT.2020-2 table 4.
_WEIGHTS = {
    1: (RED / 10_000, BLUE / 10_000),
    4: (0.30, 0.11),
    5: (0.299, 0.114),
    6: (0.299, 0.114),
    7: (0.212, 0.087),
    9: (0.2627, 0.0593),
    10: (0.2627, 0.0593),
}
assert RED + GREEN + BLUE == 10_000
_BT709, _BT601 = 1, 5
_HD_ROWS = 720
_OWN_DEPTHS = (8, 9, 10, 12, 14, 16)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NativePicture:
    """One frame of a take with all that it shows.

    Attributes
    ----------
    index : int
        Frame number in the take.
    pixels : ndarray, shape (rows, cols) or (rows, cols, 3), uint8 or uint16
        Grey, or red, green and blue; right-aligned; turned for viewing.
    bit_depth : int
        Significant bits.
    black, white : int
        Code values of both, which differ from 0 and ``2**bit_depth - 1`` where a grey take
        is coded in limited range.
    is_native : bool
        False where the pixels were computed from YUV.
    timecode : str or None
        The frame's, where its take has a start timecode.
    """

    index: int
    pixels: Pixels
    bit_depth: int
    black: int
    white: int
    is_native: bool = True
    timecode: str | None = None


def of_frame(frame: Frame, take: TakeInfo) -> NativePicture:
    """What a reader delivers, luma only, as a picture."""
    return NativePicture(
        index=frame.index,
        pixels=frame.luma,
        bit_depth=take.bit_depth,
        black=take.black,
        white=take.black + take.full_scale,
    )


def of_video(
    picture: VideoFrame, index: int, codec: str = "", *, luma_only: bool = False
) -> NativePicture:
    """A decoded video frame as a picture.

    Parameters
    ----------
    picture : VideoFrame
        As the decoder gave it.
    index : int
        Its number in the take.
    codec : str
        Canonical name; ``mjpeg`` means full range where the stream says nothing.
    luma_only : bool
        Give the luma of a YUV picture, as coded, instead of its colours.

    Raises
    ------
    TakeError
        A pixel format that is not known here.
    """
    pixels = picture.format
    coloured = pixels.is_rgb or pixels.has_palette
    is_grey = len(pixels.components) < 3 or pixels.is_bayer
    if not pixels.has_palette and (is_grey or (luma_only and not coloured)):
        return _grey(picture, index, codec)
    if coloured:
        samples, depth = _rgb(picture)
        is_native = True
    else:
        samples, depth, is_native = _from_yuv(picture, codec), 16, False
    return NativePicture(
        index=index,
        pixels=_turned(picture, samples),
        bit_depth=depth,
        black=0,
        white=(1 << depth) - 1,
        is_native=is_native,
    )


def of_video_frames(
    pictures: Iterable[VideoFrame],
    first: int,
    last: int,
    codec: str = "",
    *,
    luma_only: bool = False,
) -> Iterator[NativePicture]:
    """Frames ``first`` to ``last`` from a decoder that begins with frame ``first``."""
    for index, picture in zip(range(first, last + 1), pictures, strict=False):
        yield of_video(picture, index, codec, luma_only=luma_only)


def _grey(picture: VideoFrame, index: int, codec: str) -> NativePicture:
    source = luma_source(picture.format)
    limited = is_limited_range(picture, codec, source.bit_depth)
    spare = source.bit_depth - 8
    return NativePicture(
        index=index,
        pixels=_turned(picture, source.samples(picture)),
        bit_depth=source.bit_depth,
        black=16 << spare if limited else 0,
        white=235 << spare if limited else (1 << source.bit_depth) - 1,
    )


def _turned(picture: VideoFrame, samples: Pixels) -> Pixels:
    """Turn for viewing; a copy out of the decoder's memory, in native byte order."""
    turn = orientation(picture)
    if samples.ndim == 2:
        viewed = turn.apply(samples)
    else:
        viewed = np.dstack([turn.apply(samples[..., channel]) for channel in range(3)])
    return np.array(viewed, dtype=viewed.dtype.newbyteorder("="), order="C", copy=True)


def _rgb(picture: VideoFrame) -> tuple[Pixels, int]:
    """Red, green and blue as coded; formats of fewer than 8 bits and with alpha as 8 bits."""
    name, depth = picture.format.name, picture.format.components[0].bits
    if re.fullmatch(r"gbrp(\d+[lb]e)?|(rgb|bgr)(24|48[lb]e)", name):
        samples = picture.to_ndarray()
        return (samples[..., ::-1] if name.startswith("bgr") else samples), depth
    if depth > 16:
        raise _unknown(name)
    target = "rgb24" if depth <= 8 else f"gbrp{depth}le"
    return picture.to_ndarray(format=target), max(depth, 8)


def _from_yuv(picture: VideoFrame, codec: str) -> Pixels:
    """RGB of 16 bits, full range, shape (rows, cols, 3).

    Nothing but the spreading of colour to all pixels is left to FFmpeg's scaler, whose own
    conversion gives white as 253 of 255 from 10 bits.
    """
    depth = picture.format.components[0].bits
    if depth not in _OWN_DEPTHS:
        raise _unknown(picture.format.name)
    limited = is_limited_range(picture, codec, depth)
    unit, top = 1 << (depth - 8), (1 << depth) - 1
    limits = (16 * unit, 219 * unit, 224 * unit)
    black, luma_span, chroma_span = limits if limited else (0, top, top)
    planes = [plane.astype(np.float32) for plane in _planes(picture, depth, limited)]
    luma = (planes[0] - black) / luma_span
    blue, red = ((plane - 128 * unit) / chroma_span for plane in planes[1:])
    weight_r, weight_b = _WEIGHTS[_matrix(picture, codec)]
    r = luma + 2 * (1 - weight_r) * red
    b = luma + 2 * (1 - weight_b) * blue
    g = (luma - weight_r * r - weight_b * b) / (1 - weight_r - weight_b)
    levels: Pixels = np.rint(np.clip(np.dstack([r, g, b]), 0, 1) * 65535).astype(np.uint16)
    return levels


def _unknown(name: str) -> TakeError:
    return TakeError(
        f"pixel format {name} cannot be turned into pictures; convert the take to grey, RGB or"
        " YUV of 8 to 16 bits first"
    )


def _matrix(picture: VideoFrame, codec: str) -> int:
    """H.273 code of the stream's matrix.

    Where the stream names none, JPEG means BT.601 (JFIF 1.02), else pictures of 720 rows and
    more BT.709 and smaller ones BT.601 (common practice, no source).
    """
    declared = int(picture.colorspace)
    if declared in _WEIGHTS:
        return declared
    if codec == "mjpeg" or picture.format.name.startswith("yuvj"):
        return _BT601
    return _BT709 if picture.height >= _HD_ROWS else _BT601


def _planes(picture: VideoFrame, depth: int, limited: bool) -> list[Pixels]:
    """Luma, blue and red difference at every pixel, as coded."""
    whole = "yuv444p" if limited else "yuvj444p"
    target = whole if depth == 8 else f"yuv444p{depth}le"
    spread = picture
    if picture.format.name != target:
        span = 1 if limited else 2
        spread = picture.reformat(format=target, src_color_range=span, dst_color_range=span)
    kind = np.dtype("u1" if depth == 8 else "<u2")
    shape = (picture.height, picture.width)
    return [
        np.ndarray(shape, kind, memoryview(plane), strides=(plane.line_size, kind.itemsize))
        for plane in spread.planes
    ]
