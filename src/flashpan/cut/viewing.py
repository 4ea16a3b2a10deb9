"""A copy to look at: H.264 that plays everywhere.

It is not the take: it is 8 bits deep, coded with loss and may be enlarged.  For the take's
own pixels there are the clips and `flashpan.cut.pictures`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from itertools import chain
from pathlib import Path

import av
import numpy as np
from av.container import OutputContainer
from av.video.reformatter import ColorRange, Colorspace
from av.video.stream import VideoStream

from flashpan.cut.burnin import (
    enlargement,
)
from flashpan.cut.look import Look
from flashpan.cut.native import NativePicture
from flashpan.cut.space import Need
from flashpan.cut.timecode import fits
from flashpan.cut.tone import FULL, Pixels8, Tone
from flashpan.errors import TakeError
from flashpan.model import TakeInfo

VIEWING_SUFFIX = ".mp4"

_DEFAULT_RATE = Fraction(25)
"""Where the playback rate is not known."""
_BT709 = 1
_BITS_PER_PIXEL = 6
"""More than the encoder spends at this quality on the worst there is (uniform noise in colour:
5.4); ordinary scenes take a tenth of it."""

_ENCODER = {
    "crf": "16",  # no difference to be seen, even frame by frame
    "preset": "medium",
    "profile": "high",
    "g": "24",  # short ways for jumping about in the clip
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewingCopy:
    """What was written.

    Attributes
    ----------
    n_frames : int
        Every frame of the range, once.
    shape : tuple of int
        Rows and columns, the strip of numbers included.
    rate : Fraction
        Frames per second at which it plays.
    factor : int
        By which the picture was enlarged.
    tone : str
        What became of the code values.
    """

    n_frames: int
    shape: tuple[int, int]
    rate: Fraction
    factor: int
    tone: str


def write_viewing_copy(
    pictures: Iterable[NativePicture],
    path: Path,
    take: TakeInfo,
    span: tuple[int, int],
    *,
    tone: Tone = FULL,
    burn_in: bool = True,
) -> ViewingCopy:
    """Write a range as H.264 in MP4, at the playback rate.

    4:2:0, BT.709, limited range, the index in front, so that it plays in browsers and begins
    before it is loaded.  An odd side gets one more row or column, a copy of the last.

    Parameters
    ----------
    pictures : iterable of NativePicture
        In order; used one at a time.
    path : Path
        Where to, ending in ``.mp4``.  Give the one of `flashpan.atomic.new_file`.
    take : TakeInfo
        For rates, clocks and names.
    span : tuple of int
        First and last frame, inclusive.
    tone : Tone
        `flashpan.cut.tone.FULL`, or what `flashpan.cut.tone.stretched` found.
    burn_in : bool
        Put frame number, real time and playback time below the picture, which is then
        enlarged where it is small.

    Raises
    ------
    TakeError
        There is no picture in the range.
    OSError
        The disk, as it says itself.
    """
    ordered = iter(pictures)
    first = next(ordered, None)
    if first is None:
        raise TakeError(f"{take.path}: no frame from {span[0]} to {span[1]} decodes")
    said = tone.text(first)
    look = Look(take, span, tone, first, burn_in)
    rate = take.playback_rate or _DEFAULT_RATE
    with av.open(str(path), "w", format="mp4", options={"movflags": "faststart"}) as container:
        container.metadata.update(_tags(take, span, said))
        if first.timecode and fits(first.timecode, rate):
            container.metadata["timecode"] = first.timecode
        stream = _stream(container, look.of(first), rate)
        n_frames = 0
        for n_frames, picture in enumerate(chain([first], ordered), 1):
            container.mux(stream.encode(_frame(look.of(picture), n_frames - 1, rate)))
        container.mux(stream.encode(None))
    return ViewingCopy(
        n_frames=n_frames,
        shape=(stream.height, stream.width),
        rate=rate,
        factor=look.factor,
        tone=said,
    )


def viewing_need(n_frames: int, shape: tuple[int, int], burn_in: bool = True) -> Need:
    """Bytes that a viewing copy takes at most, as far as noise goes.

    A picture enlarged ``n`` times has ``n`` squared as many pixels and is coded in less than
    ``n`` times the bits (measured on noise of 8 to 300 rows).
    """
    factor = enlargement(shape) if burn_in else 1
    n_px = shape[0] * shape[1] * factor + (120 * max(shape[1] * factor, 480) if burn_in else 0)
    return Need(n_frames * (n_px * _BITS_PER_PIXEL // 8 + 256) + 65536, 1, "the size of a picture")


def _tags(take: TakeInfo, span: tuple[int, int], tone: str) -> dict[str, str]:
    rate = "not known" if take.capture_rate is None else str(take.capture_rate)
    comment = f"viewing copy; first={span[0]}; last={span[1]}; capture_rate={rate}; {tone}"
    return {"title": take.name, "comment": comment}


def _stream(container: OutputContainer, like: Pixels8, rate: Fraction) -> VideoStream:
    stream = container.add_stream("libx264", rate=rate, options=dict(_ENCODER))
    stream.height, stream.width = like.shape[:2]
    stream.pix_fmt = "yuv420p"
    context = stream.codec_context
    context.color_range = ColorRange.MPEG
    context.colorspace = context.color_primaries = context.color_trc = _BT709
    return stream


def _frame(picture: Pixels8, number: int, rate: Fraction) -> av.VideoFrame:
    rgb = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), "rgb24")
    frame = rgb.reformat(
        format="yuv420p", dst_colorspace=Colorspace.ITU709, dst_color_range=ColorRange.MPEG
    )
    frame.pts, frame.time_base = number, 1 / rate
    return frame
