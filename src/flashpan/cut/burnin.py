"""Frame number and clocks below the picture: a strip that covers no pixel of it.

High-speed windows are often small, so the numbers get a strip of their own under the picture
instead of a box over it, and small pictures are enlarged by a whole factor, pixel by pixel.
A picture that is still narrower than the strip needs stands in the middle of it.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from flashpan.cut.tone import Pixels8
from flashpan.model import TakeInfo
from flashpan.units import format_playback, format_rate, format_real, real_time

_BACKING, _VALUE, _LABEL = (16, 16, 16), (240, 240, 240), (160, 160, 160)
LEAST_STRIP_COLS = 320
"""Narrower than this, numbers cannot be read."""
_LEAST_COLS = 480
_MOST_ROWS = 1080
_NO_CHARACTER = "\ufffe"
_INSTEAD = {"µ": "u", "μ": "u", "–": "-", "—": "-", "ß": "s"}
_LEAST_TEXT_PX, _MOST_TEXT_PX = 12, 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """What stands below every picture of a clip, laid out once for all of them.

    Parameters
    ----------
    take : TakeInfo
        For the clocks.
    cols : int
        Width of the picture it goes below, pixels.
    frames : tuple of int
        First and last frame: the text is as large as lets both fit.
    note : str
        What else should be known: tone, enlargement.
    """

    take: TakeInfo
    cols: int
    frames: tuple[int, int]
    note: str = ""
    _columns: bool = field(init=False)
    _text_px: int = field(init=False)

    def __post_init__(self) -> None:
        wanted = min(max(self.cols // 32, _LEAST_TEXT_PX + 3), _MOST_TEXT_PX)
        sizes = range(wanted, _LEAST_TEXT_PX - 1, -1)
        fitting = [px for px in sizes if self._widest(px) <= self.cols // 3 - px]
        object.__setattr__(self, "_columns", bool(fitting))
        stacked = next((px for px in sizes if self._widest_line(px) <= self.cols - px), sizes[-1])
        object.__setattr__(self, "_text_px", fitting[0] if fitting else stacked)

    def clocks(self, frame: int) -> tuple[tuple[str, str], ...]:
        """The three clocks of a frame: what each is called, and what it shows."""
        take = self.take
        real = real_time(frame, take.capture_rate, take.trigger_frame)
        origin = "trigger" if take.trigger_frame is not None else "frame 0"
        watched = format_playback(frame, take.playback_rate) if take.playback_rate else "not known"
        return (
            ("frame", str(frame)),
            (f"real time from {origin}", "not known" if real is None else format_real(real)),
            ("playback time", watched),
        )

    def about(self) -> str:
        """The line under the clocks."""
        rates = f"shot at {_rate(self.take, 'capture_rate')}"
        watched = f"watched at {_rate(self.take, 'playback_rate')}"
        return ", ".join(filter(None, (self.take.name, rates, watched, self.note)))

    def drawn(self, frame: int) -> Pixels8:
        """The strip of one frame, shape (rows, cols, 3)."""
        lines = self._lines(frame)
        gap = self._text_px // 2
        heights = [sum(_height(px) for _, _, px, _ in line[:1]) for line in lines]
        rows = sum(heights) + 2 * gap
        image = Image.new("RGB", (self.cols, rows + rows % 2), _BACKING)
        draw, top = ImageDraw.Draw(image), gap
        for line, height in zip(lines, heights, strict=True):
            for left, text, px, colour in line:
                draw.text((left, top), drawable(text), colour, _font(px))
            top += height
        return np.asarray(image)

    def _lines(self, frame: int) -> list[list[tuple[int, str, int, tuple[int, int, int]]]]:
        """Texts by line: left edge, text, size, colour."""
        px, small = self._text_px, _small(self._text_px)
        left, clocks = px // 2, self.clocks(frame)
        if self._columns:
            edges = [left + k * self.cols // 3 for k in range(3)]
            names = [(at, name, small, _LABEL) for at, (name, _) in zip(edges, clocks, strict=True)]
            values = [(at, said, px, _VALUE) for at, (_, said) in zip(edges, clocks, strict=True)]
            lines = [names, values]
        else:
            lines = [[(left, f"{name}: {said}", px, _VALUE)] for name, said in clocks]
        about = _folded(self.about(), small, self.cols - 2 * left)
        return lines + [[(left, text, small, _LABEL)] for text in about]

    def _widest(self, px: int) -> float:
        return max(
            max(_width(name, _small(px)), _width(said, px))
            for frame in self.frames
            for name, said in self.clocks(frame)
        )

    def _widest_line(self, px: int) -> float:
        return max(
            _width(f"{name}: {said}", px)
            for frame in self.frames
            for name, said in self.clocks(frame)
        )


def drawable(text: str) -> str:
    """Text in letters that the font has: ``us`` for microseconds, ``a`` for ``ä``, else ``?``."""
    return "".join(next(filter(_is_in_font, _spellings(char)), "?") for char in text)


def _spellings(char: str) -> str:
    """A character, what stands for it, and its letter without accents."""
    return char + _INSTEAD.get(char, "") + unicodedata.normalize("NFD", char)[0]


def enlargement(shape: tuple[int, int]) -> int:
    """By which whole factor a small picture is enlarged: to 480 columns, if the height allows."""
    rows, cols = shape
    wanted = -(-_LEAST_COLS // cols)
    return max(1, min(wanted, _MOST_ROWS // rows))


def centred(picture: Pixels8, cols: int) -> Pixels8:
    """A picture (rows, cols, 3) with as much dark at both sides as makes it so wide."""
    spare = cols - picture.shape[1]
    if spare <= 0:
        return picture
    left = spare // 2
    padded = cv2.copyMakeBorder(
        picture, 0, 0, left, spare - left, cv2.BORDER_CONSTANT, value=_BACKING
    )
    return np.asarray(padded, np.uint8)


def enlarged(picture: Pixels8, factor: int) -> Pixels8:
    """Every pixel as a square of ``factor`` by ``factor``."""
    return picture.repeat(factor, 0).repeat(factor, 1) if factor > 1 else picture


def in_colour(picture: Pixels8) -> Pixels8:
    """Three channels, equal ones where the picture is grey."""
    return picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, 2)


def made_even(picture: Pixels8) -> Pixels8:
    """An odd side gets one more row or column, a copy of the last, for 4:2:0 coding."""
    rows, cols = picture.shape[:2]
    if not (rows % 2 or cols % 2):
        return picture
    padded = cv2.copyMakeBorder(picture, 0, rows % 2, 0, cols % 2, cv2.BORDER_REPLICATE)
    return np.asarray(padded, np.uint8)


def _rate(take: TakeInfo, name: str) -> str:
    rate = getattr(take, name)
    return "an unknown rate" if rate is None else f"{format_rate(rate)} frames/s"


def _small(px: int) -> int:
    return max(_LEAST_TEXT_PX, px * 2 // 3)


@lru_cache(maxsize=1024)
def _is_in_font(char: str) -> bool:
    """Whether a character has a shape of its own, other than the one for all that are missing."""
    shape, missing = (_font(_LEAST_TEXT_PX).getmask(one) for one in (char, _NO_CHARACTER))
    return shape.size != missing.size or bytes(shape) != bytes(missing)


@lru_cache(maxsize=64)
def _font(px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(px)


def _width(text: str, px: int) -> float:
    return float(_font(px).getlength(drawable(text)))


def _height(px: int) -> int:
    return px * 4 // 3


def _folded(text: str, px: int, width: int) -> list[str]:
    """Break a line between words where it is wider than there is room."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and _width(longer, px) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
