"""A small moving picture of a range, to judge it at a glance: GIF or WebP."""

from __future__ import annotations

import io
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from PIL import Image

from flashpan.cut.look import Look
from flashpan.cut.native import NativePicture
from flashpan.cut.tone import FULL, Pixels8, Tone
from flashpan.errors import TakeError, UsageError
from flashpan.model import TakeInfo

PREVIEW_SUFFIXES = (".gif", ".webp")


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
        As for `flashpan.cut.viewing.write_viewing_copy`.
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
    look: Look | None = None
    images, frames = [], []
    for picture in chosen:
        look = look or Look(take, span, tone, picture, burn_in, most_cols=cols)
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
