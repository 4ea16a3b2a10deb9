"""Luma of a decoded picture, straight from the decoder's planes.

Nothing here scales, converts or dithers: YUV and gray pictures give the samples the codec
stored, whatever padding or packing the decoder keeps them in.  Only RGB pictures have no
luma of their own; theirs is weighed by
`flashpan.readers.luma.rec709`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
from av.video.format import VideoFormat
from av.video.frame import VideoFrame

from flashpan.readers.luma import rec709

Samples = npt.NDArray[Any]

# Samples that sit in the high bits of 16-bit words: bits to shift down.
_LEFT_ALIGNED = {"p010": 6, "p012": 4, "p210": 6, "p212": 4, "p410": 6, "p412": 4}

# Packed YUV: samples from one luma to the next, samples before the first, bits to shift down.
_PACKED_YUV = {
    "yuyv422": (2, 0, 0),
    "yvyu422": (2, 0, 0),
    "uyvy422": (2, 1, 0),
    "y210": (2, 0, 6),
    "y212": (2, 0, 4),
    "y216": (2, 0, 0),
    "ya8": (2, 0, 0),
    "ya16": (2, 0, 0),
    "vyu444": (3, 1, 0),
    "ayuv": (4, 1, 0),
    "uyva": (4, 1, 0),
    "vuya": (4, 2, 0),
    "vuyx": (4, 2, 0),
    "ayuv64": (4, 1, 0),
    "xv36": (4, 1, 4),
    "xv48": (4, 1, 0),
}

# RGB in bit fields of one word: word size in bytes, then (lowest bit, width) of R, G, B.
_RGB_FIELDS = {
    "rgb8": (1, (5, 3), (2, 3), (0, 2)),
    "bgr8": (1, (0, 3), (3, 3), (6, 2)),
    "rgb4_byte": (1, (3, 1), (1, 2), (0, 1)),
    "bgr4_byte": (1, (0, 1), (1, 2), (3, 1)),
    "rgb444": (2, (8, 4), (4, 4), (0, 4)),
    "bgr444": (2, (0, 4), (4, 4), (8, 4)),
    "rgb555": (2, (10, 5), (5, 5), (0, 5)),
    "bgr555": (2, (0, 5), (5, 5), (10, 5)),
    "rgb565": (2, (11, 5), (5, 6), (0, 5)),
    "bgr565": (2, (0, 5), (5, 6), (11, 5)),
    "x2rgb10": (4, (20, 10), (10, 10), (0, 10)),
    "x2bgr10": (4, (0, 10), (10, 10), (20, 10)),
}

_PACKED_RGB = re.compile(r"(?=.*r)(?=.*g)(?=.*b)[rgba0x]{3,4}(24|32|48|64|96|128|f16|f32)?")


@dataclass(frozen=True, slots=True)
class LumaSource:
    """How to take luma from pictures of one pixel format.

    Attributes
    ----------
    bit_depth : int
        Significant bits of the samples that `samples` returns.
    samples : callable
        Maps a `VideoFrame` to an array (rows, cols), uint8 or uint16, right-aligned;
        possibly a view of the decoder's memory.
    """

    bit_depth: int
    samples: Callable[[VideoFrame], Samples]


def luma_source(pixels: VideoFormat) -> LumaSource:
    """Say how to take luma from pictures of a pixel format.

    Raises
    ------
    ValueError
        The format keeps luma in no way known here.
    """
    name = re.sub(r"(le|be)$", "", pixels.name)
    depth = pixels.components[0].bits
    if pixels.has_palette:
        return LumaSource(8, _palette_luma)
    if pixels.is_bayer:
        depth = 16 if name.endswith("16") else 8
        return LumaSource(depth, partial(_strided, depth=depth, step=1, offset=0, shift=0))
    if name in ("monow", "monob"):
        return LumaSource(1, partial(_bits, inverted=name == "monow"))
    if name in _RGB_FIELDS:
        return LumaSource(10 if "10" in name else 8, partial(_field_luma, layout=_RGB_FIELDS[name]))
    if pixels.is_rgb:
        return _rgb_source(name, depth)
    return _yuv_source(name, depth, pixels)


def _yuv_source(name: str, depth: int, pixels: VideoFormat) -> LumaSource:
    if name.endswith(("f16", "f32")):
        if not name.startswith("gray"):
            raise ValueError(f"pixel format {pixels.name} is not supported")
        return LumaSource(16, partial(_float_gray, size=depth // 8))
    if name in _PACKED_YUV:
        step, offset, shift = _PACKED_YUV[name]
    elif depth <= 16 and (pixels.is_planar or len(pixels.components) == 1):
        step, offset, shift = 1, 0, _LEFT_ALIGNED.get(name, 0)
    else:
        raise ValueError(f"pixel format {pixels.name} is not supported")
    return LumaSource(depth, partial(_strided, depth=depth, step=step, offset=offset, shift=shift))


def _rgb_source(name: str, depth: int) -> LumaSource:
    is_float = name.endswith(("f16", "f32"))
    if name.startswith("gbr"):
        return LumaSource(16 if is_float else depth, partial(_planar_luma, depth=depth, f=is_float))
    if _PACKED_RGB.fullmatch(name) is None or depth > 32 or (depth > 16 and not is_float):
        raise ValueError(f"pixel format {name} is not supported")
    order = re.sub(r"(24|32|48|64|96|128|f16|f32)$", "", name)
    places = (order.index("r"), order.index("g"), order.index("b"))
    read = partial(_packed_luma, depth=depth, f=is_float, step=len(order), places=places)
    return LumaSource(16 if is_float else depth, read)


def _plane(frame: VideoFrame, index: int, dtype: str, *, step: int = 1, offset: int = 0) -> Samples:
    """View every ``step``-th sample of a plane as (rows, cols), without the line padding."""
    kind = np.dtype(dtype).newbyteorder(">" if frame.format.is_big_endian else "<")
    plane = frame.planes[index]
    line = plane.line_size
    start = offset * kind.itemsize
    if line < 0:  # stored bottom-up: the first line is the last in memory
        start -= (frame.height - 1) * line
    shape, strides = (frame.height, frame.width), (line, step * kind.itemsize)
    samples: Samples = np.ndarray(
        shape, kind, buffer=memoryview(plane), offset=start, strides=strides
    )
    return samples.astype(kind.newbyteorder("="), copy=False)


def _strided(frame: VideoFrame, depth: int, step: int, offset: int, shift: int) -> Samples:
    samples = _plane(frame, 0, "u1" if depth <= 8 else "u2", step=step, offset=offset)
    return samples >> shift if shift else samples


def _bits(frame: VideoFrame, inverted: bool) -> Samples:
    plane = frame.planes[0]
    width, line = (frame.width + 7) // 8, plane.line_size
    start = -(frame.height - 1) * line if line < 0 else 0
    packed: Samples = np.ndarray(
        (frame.height, width), "u1", buffer=memoryview(plane), offset=start, strides=(line, 1)
    )
    bits = np.unpackbits(packed, axis=1)[:, : frame.width]
    return 1 - bits if inverted else bits


def _as_16_bits(samples: Samples) -> Samples:
    """Float samples, 0 for black and 1 for white, as 16-bit code values; beyond is clipped."""
    clipped = np.clip(np.nan_to_num(samples.astype(np.float32), posinf=1.0, neginf=0.0), 0, 1)
    return np.rint(clipped * 65535).astype(np.uint16)


def _float_gray(frame: VideoFrame, size: int) -> Samples:
    return _as_16_bits(_plane(frame, 0, f"f{size}"))


def _dtype(depth: int, is_float: bool) -> str:
    return f"f{depth // 8}" if is_float else ("u1" if depth <= 8 else "u2")


def _planar_luma(frame: VideoFrame, depth: int, f: bool) -> Samples:
    # Planes come in the order G, B, R.
    channels = [_plane(frame, index, _dtype(depth, f)) for index in (2, 0, 1)]
    return rec709(*map(_as_16_bits, channels)) if f else rec709(*channels)


def _packed_luma(
    frame: VideoFrame, depth: int, f: bool, step: int, places: tuple[int, int, int]
) -> Samples:
    kind = _dtype(depth, f)
    channels = [_plane(frame, 0, kind, step=step, offset=place) for place in places]
    return rec709(*map(_as_16_bits, channels)) if f else rec709(*channels)


def _field_luma(frame: VideoFrame, layout: tuple[int, *tuple[tuple[int, int], ...]]) -> Samples:
    size, *fields = layout
    words = _plane(frame, 0, f"u{size}")
    return rec709(*(_expanded(words, low, width) for low, width in fields))


def _expanded(words: Samples, low: int, width: int) -> Samples:
    """One bit field, stretched to 8 bits where it is narrower so that white is white."""
    field = (words >> low) & ((1 << width) - 1)
    if width > 8:
        return field.astype(np.uint16)
    top = (1 << width) - 1
    return ((field.astype(np.uint16) * 255 + top // 2) // top).astype(np.uint8)


def _palette_luma(frame: VideoFrame) -> Samples:
    # The palette is 256 native-endian words 0xAARRGGBB.
    colours = np.frombuffer(memoryview(frame.planes[1]), np.uint32)
    red, green, blue = (((colours >> low) & 255).astype(np.uint8) for low in (16, 8, 0))
    return rec709(red, green, blue)[_plane(frame, 0, "u1")]


def is_limited_range(frame: VideoFrame, codec: str, bit_depth: int) -> bool:
    """Say whether black and white are coded as 16 and 235 (times 2**(bit_depth - 8)).

    The stream's own flag wins.  Without one: JPEG material is full range by JFIF, gray and
    RGB use the whole range by common practice, and YUV is limited, because the H.264 and
    HEVC standards (ITU-T H.264 and H.265, annex E) infer ``video_full_range_flag`` 0 where
    it is absent and BT.709 defines nothing else.
    """
    if bit_depth < 8:
        return False
    if frame.color_range in (1, 2):  # AVCOL_RANGE_MPEG, AVCOL_RANGE_JPEG
        return int(frame.color_range) == 1
    pixels = frame.format
    whole = pixels.is_rgb or pixels.is_bayer or pixels.has_palette
    gray = pixels.name.startswith(("gray", "ya8", "ya16"))
    return not (whole or gray or pixels.name.startswith("yuvj") or codec == "mjpeg")
