"""A copy to look at: H.264 that plays everywhere, and a small moving picture.

Neither is the take: they are 8 bits deep, coded with loss and may be enlarged.  For the
take's own pixels there are the clips and `flashpan.cut.pictures`.
"""

from __future__ import annotations

import io
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import chain
from pathlib import Path

import av
import cv2
import numpy as np
from av.container import OutputContainer
from av.video.reformatter import ColorRange, Colorspace
from av.video.stream import VideoStream
from PIL import Image

from flashpan.cut.burnin import (
    LEAST_STRIP_COLS,
    Strip,
    centred,
    enlarged,
    enlargement,
    in_colour,
    made_even,
)
from flashpan.cut.native import NativePicture
from flashpan.cut.space import Need
from flashpan.cut.tone import FULL, Pixels8, Tone, toned
from flashpan.errors import TakeError, UsageError
from flashpan.model import TakeInfo

VIEWING_SUFFIX = ".mp4"
PREVIEW_SUFFIXES = (".gif", ".webp")

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """What was written.

    Attributes
    ----------
    frames : tuple of int
        The frames that are shown, by their numbers in the take.
    step : int
        One frame is shown out of this many.
    rate : Fraction
        Pictures per second.
    shape : tuple of int
        Rows and columns.
    """

    frames: tuple[int, ...]
    step: int
    rate: Fraction
    shape: tuple[int, int]


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
    look = _Look(take, span, tone, first, burn_in)
    rate = take.playback_rate or _DEFAULT_RATE
    with av.open(str(path), "w", format="mp4", options={"movflags": "faststart"}) as container:
        container.metadata.update(_tags(take, span, said))
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
    """Bytes that a viewing copy takes at most, as far as noise goes."""
    factor = enlargement(shape) if burn_in else 1
    n_px = shape[0] * shape[1] * factor + (120 * max(shape[1] * factor, 480) if burn_in else 0)
    return Need(n_frames * (n_px * _BITS_PER_PIXEL // 8 + 256) + 65536, 1, "the size of a picture")


def write_preview(
    pictures: Iterable[NativePicture],
    path: Path,
    take: TakeInfo,
    span: tuple[int, int],
    *,
    keep: Collection[int] = (),
    tone: Tone = FULL,
    burn_in: bool = True,
    rate: Fraction = Fraction(10),
    cols: int = 320,
    most_frames: int = 60,
) -> Preview:
    """Write a range as a small moving picture, GIF or WebP.

    Long ranges are thinned out evenly; of every so many frames the first one is shown, or
    the first of ``keep`` among them, so that a flash of one frame is not the one left out.

    Parameters
    ----------
    pictures : iterable of NativePicture
        The whole range, in order.
    path : Path
        Where to, ending in ``.gif`` or ``.webp``.
    take, span, tone, burn_in
        As for `write_viewing_copy`.
    keep : collection of int
        Frames that should be seen: onsets and peaks.
    rate : Fraction
        Pictures per second; what the format makes of it is in the result.
    cols : int
        Largest width of the picture, pixels.
    most_frames : int
        Largest number of pictures.

    Raises
    ------
    UsageError
        Another ending.
    TakeError
        There is no picture in the range.
    """
    if path.suffix.lower() not in PREVIEW_SUFFIXES:
        raise UsageError(f"{path}: a preview is a .gif or .webp file; name it so")
    step = -(-(span[1] - span[0] + 1) // most_frames)
    chosen = _thinned(pictures, span, step, frozenset(keep))
    look: _Look | None = None
    images, frames = [], []
    for picture in chosen:
        look = look or _Look(take, span, tone, picture, burn_in, most_cols=cols)
        images.append(_image(look.of(picture), is_grey=picture.pixels.ndim == 2))
        frames.append(picture.index)
    if not images:
        raise TakeError(f"{take.path}: no frame from {span[0]} to {span[1]} decodes")
    duration_ms = _duration_ms(rate, path.suffix.lower())
    path.write_bytes(_animated(images, path.suffix.lower(), duration_ms))
    return Preview(
        frames=tuple(frames),
        step=step,
        rate=Fraction(1000, duration_ms),
        shape=images[0].size[::-1],
    )


class _Look:
    """How every picture of a clip is shown: tone, size and what stands below."""

    def __init__(
        self,
        take: TakeInfo,
        span: tuple[int, int],
        tone: Tone,
        like: NativePicture,
        burn_in: bool,
        most_cols: int | None = None,
    ) -> None:
        rows, cols = like.pixels.shape[:2]
        self._tone, self._most_cols = tone, most_cols
        self._strip: Strip | None = None
        self.factor = 1
        if most_cols is not None:
            self.factor = max(1, min(most_cols // cols, most_cols // rows))
        elif burn_in:
            self.factor = enlargement((rows, cols))
        if burn_in:
            notes = [tone.text(like), f"enlarged {self.factor} times" if self.factor > 1 else ""]
            shown_cols = self._picture(like).shape[1]
            self._strip = Strip(
                take=take,
                cols=max(shown_cols, LEAST_STRIP_COLS),
                frames=span,
                note=", ".join(filter(None, notes)),
            )

    def of(self, picture: NativePicture) -> Pixels8:
        """One picture as it is shown, shape (rows, cols, 3), both sides even."""
        shown = self._picture(picture)
        if self._strip is None:
            return shown
        return np.vstack([centred(shown, self._strip.cols), self._strip.drawn(picture.index)])

    def _picture(self, picture: NativePicture) -> Pixels8:
        shown = enlarged(toned(picture, self._tone), self.factor)
        if self._most_cols is not None:
            shown = _reduced(shown, self._most_cols)
        return made_even(in_colour(shown))


def _reduced(picture: Pixels8, most_cols: int) -> Pixels8:
    """Not wider than that, nor higher than half as much again."""
    rows, cols = picture.shape[:2]
    scale = min(most_cols / cols, 1.5 * most_cols / rows)
    if scale >= 1:
        return picture
    size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)


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


def _thinned(
    pictures: Iterable[NativePicture], span: tuple[int, int], step: int, keep: frozenset[int]
) -> Iterator[NativePicture]:
    """One picture of every ``step`` frames."""
    group, best = -1, None
    for picture in pictures:
        here = (picture.index - span[0]) // step
        if here != group and best is not None:
            yield best
        if here != group or (picture.index in keep and best is not None and best.index not in keep):
            best = picture
        group = here
    if best is not None:
        yield best


def _image(picture: Pixels8, is_grey: bool) -> Image.Image:
    return Image.fromarray(picture[..., 0] if is_grey else picture)


def _duration_ms(rate: Fraction, suffix: str) -> int:
    """How long a picture stays: whole milliseconds in WebP, hundredths of a second in GIF.

    Two hundredths at least: viewers show shorter ones slowly (common practice, no source).
    """
    return max(20, 10 * round(100 / rate)) if suffix == ".gif" else max(1, round(1000 / rate))


def _animated(images: list[Image.Image], suffix: str, duration_ms: int) -> bytes:
    file = io.BytesIO()
    if suffix == ".gif":
        coloured = [one if one.mode == "L" else one.quantize(256) for one in images]
        coloured[0].save(
            file, "GIF", save_all=True, append_images=coloured[1:], duration=duration_ms, loop=0
        )
    else:
        colour = [one.convert("RGB") for one in images]
        colour[0].save(
            file,
            "WEBP",
            save_all=True,
            append_images=colour[1:],
            duration=duration_ms,
            loop=0,
            quality=80,
            method=4,
        )
    return file.getvalue()
