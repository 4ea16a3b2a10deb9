"""Small synthetic takes, encoded on the spot."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from flashpan.model import Frame, TakeInfo
from flashpan.readers.base import Source
from flashpan.readers.video import VideoReader

Picture = npt.NDArray[Any]

BLOCK_PX = 16
N_BITS = 8


def scene(index: int, depth: int = 8, rows: int = 64, cols: int = 128) -> Picture:
    """Picture number ``index`` of a take: its number in binary blocks over a moving ramp."""
    y, x = np.mgrid[:rows, :cols]
    picture = 60 + (x + y + 3 * index) % 100
    for bit in range(N_BITS):
        left = bit * BLOCK_PX
        picture[:BLOCK_PX, left : left + BLOCK_PX] = 210 if index >> bit & 1 else 30
    picture = picture << (depth - 8)
    if depth > 8:  # low bits that an 8-bit detour would lose
        picture[BLOCK_PX:] |= ((x + 5 * y + index) % (1 << (depth - 8)))[BLOCK_PX:]
    return picture.astype(np.uint8 if depth <= 8 else np.uint16)


def palette_frame(index: int, palette: Picture) -> av.VideoFrame:
    """`scene` as numbers of colours, shape (256, 3), uint8."""
    frame = av.VideoFrame(128, 64, "pal8")
    _put(frame.planes[0], scene(index))
    words = palette.astype(np.uint32) @ np.array([1 << 16, 1 << 8, 1], np.uint32)
    np.frombuffer(frame.planes[1], np.uint32)[:] = words | 0xFF000000
    return frame


def number_in(picture: Picture, depth: int) -> int:
    """Read the binary number back out of a decoded picture."""
    edge = 4
    number = 0
    for bit in range(N_BITS):
        left = bit * BLOCK_PX
        block = picture[edge : BLOCK_PX - edge, left + edge : left + BLOCK_PX - edge]
        number |= int(block.mean() > 120 << (depth - 8)) << bit
    return number


def psnr_db(one: Picture, other: Picture, depth: int) -> float:
    """Peak signal-to-noise ratio, ITU-T J.340: 10 log10(peak² / mean squared error)."""
    error = np.mean((one.astype(np.float64) - other.astype(np.float64)) ** 2)
    peak = (1 << depth) - 1
    return float("inf") if error == 0 else float(10 * np.log10(peak**2 / error))


def _put(plane: Any, samples: Picture) -> None:
    rows, cols = samples.shape
    memory = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
    memory[:rows, : cols * samples.itemsize] = samples.view(np.uint8).reshape(rows, -1)


def frame_of(luma: Picture, pixels: str) -> av.VideoFrame:
    """A gray or planar YUV frame with neutral chroma."""
    frame = av.VideoFrame(luma.shape[1], luma.shape[0], pixels)
    depth = frame.format.components[0].bits
    kind = luma.dtype.newbyteorder(">" if frame.format.is_big_endian else "<")
    _put(frame.planes[0], np.ascontiguousarray(luma.astype(kind)))
    for plane in frame.planes[1:]:
        neutral = np.full((plane.height, plane.width), 1 << (depth - 1), kind)
        _put(plane, neutral)
    return frame


def packed_yuv(luma: Picture, pixels: str) -> av.VideoFrame:
    """A yuyv422 or uyvy422 frame with neutral chroma."""
    frame = av.VideoFrame(luma.shape[1], luma.shape[0], pixels)
    samples = np.full((luma.shape[0], luma.shape[1] * 2), 128, np.uint8)
    samples[:, int(pixels == "uyvy422") :: 2] = luma
    _put(frame.planes[0], samples)
    return frame


def encode(
    path: Path | str,
    codec: str,
    frames: Iterable[av.VideoFrame],
    *,
    pixels: str | None = None,
    rate: Fraction | int = 25,
    options: dict[str, str] | None = None,
    container_options: dict[str, str] | None = None,
    pts: Sequence[int] | None = None,
    time_base: Fraction | None = None,
    turn: dict[str, Any] | None = None,
    color_range: int | None = None,
) -> Path:
    """Write frames to a file."""
    ending = Path(path).suffix
    kind = {".ts": "mpegts", ".mkv": "matroska"}.get(ending)
    where = "file:" + str(path)
    with av.open(where, "w", format=kind, options=container_options or {}) as container:
        stream = None
        for index, frame in enumerate(frames):
            if stream is None:
                stream = container.add_stream(codec, rate=rate, options=options or {})
                stream.width, stream.height = frame.width, frame.height
                stream.pix_fmt = pixels or frame.format.name
                if time_base:
                    stream.codec_context.time_base = time_base
                if color_range:
                    stream.codec_context.color_range = color_range
                if turn:
                    stream.set_display_rotation(**turn)
            frame.pts = pts[index] if pts else index
            frame.time_base = time_base or 1 / Fraction(rate)
            container.mux(stream.encode(frame))
        assert stream is not None
        container.mux(stream.encode(None))
    return Path(path)


def take(
    path: Path | str, codec: str, pixels: str, n_frames: int = 20, depth: int = 8, **more: Any
) -> Path:
    """Write `scene` 0 … n-1 to a file."""
    size = more.pop("size", (64, 128))
    frames = (frame_of(scene(index, depth, *size), pixels) for index in range(n_frames))
    return encode(path, codec, frames, **more)


def read(path: Path | str, **stated: Any) -> tuple[TakeInfo, list[Frame]]:
    """Every frame, and the info once they are exhausted."""
    with VideoReader(Source(path=str(path), **stated)) as reader:
        frames = list(reader)
        return reader.info, frames
