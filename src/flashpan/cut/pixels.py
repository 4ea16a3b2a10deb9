"""A decoded picture's samples as bytes, and their hash.

The bytes are those that FFmpeg's ``framemd5`` muxer hashes: every plane in turn, each line
without the padding behind it.  So ``ffmpeg -i CLIP -f framemd5 -`` is an independent check.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
from av.video.format import VideoFormat
from av.video.frame import VideoFrame

# Names of one layout: only what black and white are, or where the mosaic begins, differs.
_SAME_BYTES = {
    "yuvj411p": "yuv411p",
    "yuvj420p": "yuv420p",
    "yuvj422p": "yuv422p",
    "yuvj440p": "yuv440p",
    "yuvj444p": "yuv444p",
}


def layout_name(pixels: str) -> str:
    """One name for all pixel formats whose bytes lie alike."""
    if pixels.startswith("bayer_"):
        return "gray" if pixels.endswith("8") else f"gray{pixels[-4:]}"
    return _SAME_BYTES.get(pixels, pixels)


def frame_md5(picture: VideoFrame) -> str:
    """MD5 of a picture's samples, as 32 hexadecimal digits."""
    digest = hashlib.md5(usedforsecurity=False)
    for lines in plane_lines(picture):
        digest.update(np.ascontiguousarray(lines).data)
    return digest.hexdigest()


def plane_lines(picture: VideoFrame) -> Iterator[npt.NDArray[np.uint8]]:
    """Every plane as (lines, bytes of a line), views of the picture's memory."""
    for number, plane in enumerate(picture.planes):
        memory = np.frombuffer(_memory(plane), np.uint8)
        if picture.format.has_palette and number == 1:
            yield memory[:1024].reshape(1, -1)
            continue
        step = plane.line_size
        whole = memory[: plane.height * step].reshape(plane.height, step)
        yield whole[:, : _line_bytes(picture.format, number, plane.width)]


def _memory(plane: Any) -> Any:
    """Return the plane itself, which offers its memory in a way its type does not declare."""
    return plane


def _line_bytes(pixels: VideoFormat, plane: int, width: int) -> int:
    """Bytes of one line that hold samples."""
    parts = [part for part in pixels.components if part.plane == plane]
    if len({part.plane for part in pixels.components}) == 1:
        return _packed_bytes(pixels, width)
    sample_bytes = (max(part.bits for part in parts) + 7) // 8
    return width * sample_bytes * len(parts)


def _packed_bytes(pixels: VideoFormat, width: int) -> int:
    subsampled = any(part.is_chroma and part.width < pixels.width for part in pixels.components)
    width += width % 2 if subsampled else 0  # two pixels share their colour
    return (width * pixels.padded_bits_per_pixel + 7) // 8


def relabelled(picture: VideoFrame, pixels: str) -> VideoFrame:
    """The same bytes, without a time stamp, under the name of another format of that layout."""
    twin = VideoFrame(picture.width, picture.height, pixels)
    for target, lines in zip(plane_lines(twin), plane_lines(picture), strict=True):
        target[:] = lines
    return twin


def display_matrix(picture: VideoFrame) -> list[int] | None:
    """How a picture is to be turned for viewing, nine numbers; None where it is not."""
    sides: Any = picture.side_data  # declared as names, iterated as data
    for side in sides:
        if getattr(side, "type", None) is not None and side.type.name == "DISPLAYMATRIX":
            return [int(term) for term in np.frombuffer(memoryview(side), np.int32)]
    return None
