"""Takes into video files, through FFmpeg's encoders."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from sample_generators.depth import at_depth, video_range
from sample_generators.errors import SampleError
from sample_generators.sensor import Pixels
from sample_generators.settings import PLAYBACK_RATE

MPEG_RANGE, JPEG_RANGE = 1, 2
"""FFmpeg's numbers for video range and full range."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoding:
    """How a codec is used.

    Attributes
    ----------
    codec, container, pixel_format : str
        FFmpeg's names.
    bit_depth : int
        Depth of the pixel format.
    full_range : bool
        False maps black and white to 16 and 235 (at 8 bits).
    options : dict
        Of the encoder.
    least : tuple of int
        Smallest ``(cols, rows)`` that the codec takes.
    """

    codec: str
    container: str
    pixel_format: str
    bit_depth: int
    full_range: bool = True
    options: dict[str, str] = field(default_factory=dict)
    least: tuple[int, int] = (1, 1)

    @property
    def has_chroma(self) -> bool:
        """Whether there are colour planes to fill with grey."""
        return not self.pixel_format.startswith("gray")


def encode(frames: Iterable[Pixels], have_bits: int, path: Path, how: Encoding) -> None:
    """Write frames into a video file at the playback rate, frame ``t`` at time ``t``/25 s."""
    table = None if how.full_range else video_range(how.bit_depth)
    with av.open(str(path), "w", format=how.container) as container:
        stream: Any = None
        for t, pixels in enumerate(frames):
            if stream is None:
                stream = _stream(container, how, *pixels.shape)
            luma = at_depth(pixels, have_bits, how.bit_depth)
            picture = _picture(luma if table is None else table[luma], how)
            picture.pts = t
            picture.time_base = 1 / PLAYBACK_RATE
            container.mux(stream.encode(picture))
        container.mux(stream.encode(None))


def _stream(container: Any, how: Encoding, rows: int, cols: int) -> Any:
    if how.has_chroma and (rows % 2 or cols % 2):
        raise SampleError(f"{how.codec}: size {cols}x{rows} must be even; choose another")
    if cols < how.least[0] or rows < how.least[1]:
        least = f"{how.least[0]}x{how.least[1]}"
        raise SampleError(f"{how.codec}: size {cols}x{rows} is too small; give at least {least}")
    stream = container.add_stream(how.codec, rate=PLAYBACK_RATE, options=how.options)
    stream.width, stream.height, stream.pix_fmt = cols, rows, how.pixel_format
    context = stream.codec_context
    context.time_base = 1 / PLAYBACK_RATE
    context.color_range = JPEG_RANGE if how.full_range else MPEG_RANGE
    # Lossy encoders give other pixels with other numbers of threads; FFV1 cannot.
    context.thread_count = 0 if how.codec == "ffv1" else 1
    return stream


def _picture(luma: Pixels, how: Encoding) -> av.VideoFrame:
    rows, cols = luma.shape
    picture = av.VideoFrame(cols, rows, how.pixel_format)
    picture.color_range = JPEG_RANGE if how.full_range else MPEG_RANGE
    dtype = np.dtype(np.uint8 if how.bit_depth <= 8 else np.dtype("<u2"))
    planes = [_view(plane, dtype) for plane in picture.planes]
    planes[0][:, :cols] = luma
    for chroma in planes[1:]:
        chroma[...] = 1 << (how.bit_depth - 1)
    return picture


def _view(plane: Any, dtype: np.dtype[Any]) -> npt.NDArray[Any]:
    """Return a plane's memory as rows, padding included."""
    whole = np.frombuffer(plane, dtype)
    return whole.reshape(-1, plane.line_size // dtype.itemsize)[: plane.height]
