"""Exact conversions between frames, real time and playback time, and regions of a picture.

Three clocks run side by side: the frame number, real time (frame number over capture
rate) and playback time (frame number over playback rate).  All arithmetic is in
`fractions.Fraction`: ``int(0.29 * 100)`` is 28, and one frame lost is one event missed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from flashpan.errors import RegionError, SettingsError, quoted
from flashpan.model import Region

Rounding = Literal["up", "down", "nearest"]

_ROUND: dict[str, Callable[[Fraction], int]] = {
    "up": math.ceil,
    "down": math.floor,
    "nearest": round,  # a tie goes to the even frame
}
# Longer numbers are none that anybody means, and their powers of ten would fill the memory.
DECIMAL = r"[0-9]{1,18}(?:\.[0-9]{0,30})?|\.[0-9]{1,30}"
"""Pattern of a number as people write it."""
_DURATION = re.compile(rf"({DECIMAL})\s*(s|ms|μs|us)?")
_COORDINATE = re.compile(rf"({DECIMAL})\s*(%)?")
_EXACT = re.compile(
    rf"[+-]?(?:{DECIMAL})(?:[eE][+-]?[0-9]{{1,2}})?|[+-]?[0-9]{{1,50}}/0*[1-9][0-9]{{0,49}}"
)

LEAST_RATE, MOST_RATE = Fraction(1, 10**6), Fraction(10**15)
"""Frames per second: one frame in eleven days; a thousand times what light in flight needs."""
MOST_FRAMES = 1 << 53
"""No take has more; durations that come to more than that do not."""
_SECONDS = {
    "s": Fraction(1),
    "ms": Fraction(1, 1000),
    "us": Fraction(1, 10**6),
    "μs": Fraction(1, 10**6),
}

# Integer rates whose 1000/1001 relatives are in use; a rate written as a decimal means those.
_NTSC_PARENTS = (24, 30, 48, 60, 96, 120, 240)


@dataclass(frozen=True, slots=True)
class Duration:
    """A length of a take: so many frames, or so much real time.

    Attributes
    ----------
    amount : Fraction
        Frames (then whole) or seconds; never negative.
    is_real_time : bool
        True where ``amount`` is in seconds of real time.
    """

    amount: Fraction
    is_real_time: bool = False

    def __post_init__(self) -> None:
        if self.amount < 0:
            raise SettingsError(f"a duration cannot be negative: {self}")
        if not self.is_real_time and self.amount.denominator != 1:
            raise SettingsError(f"{float(self.amount)} frames: frames are whole; add ms for time")

    @classmethod
    def of_frames(cls, n_frames: int) -> Duration:
        """So many frames."""
        return cls(Fraction(n_frames))

    @classmethod
    def of_seconds(cls, seconds: Fraction | int | str) -> Duration:
        """So much real time."""
        return cls(Fraction(seconds), is_real_time=True)

    def frames(
        self, capture_rate: Fraction | None, rounding: Rounding = "up", *, option: str = ""
    ) -> int:
        """Number of frames in this duration.

        Parameters
        ----------
        capture_rate : Fraction or None
            Frames per second of real time; only real time needs it.
        rounding : {"up", "down", "nearest"}
            What becomes of a part of a frame.  Rolls round up: better a frame too many.
        option : str
            Where the duration comes from, for the error text.

        Raises
        ------
        SettingsError
            Real time, and no capture rate.
        """
        if not self.is_real_time:
            return min(int(self.amount), MOST_FRAMES)
        if capture_rate is None:
            said = f"{option} {self}".strip()
            raise SettingsError(
                f"{said} is real time and needs the capture rate; give --capture-rate, or frames"
            )
        return min(_ROUND[rounding](self.amount * capture_rate), MOST_FRAMES)

    def __str__(self) -> str:
        """Text that `parse_duration` reads back, where the amount has a finite decimal."""
        if not self.is_real_time:
            return str(self.amount)
        for unit in ("s", "ms"):
            if (self.amount / _SECONDS[unit]).denominator == 1:
                return f"{self.amount / _SECONDS[unit]}{unit}"
        return f"{decimal_text(self.amount / _SECONDS['us'])}us"


def parse_duration(text: str, option: str = "") -> Duration:
    """Read ``12`` (frames), ``5ms``, ``200us`` (or ``µs``) or ``1.5s`` (real time).

    Raises
    ------
    SettingsError
        Not a duration, negative, or a part of a frame.
    """
    # casefold also turns the micro sign U+00B5 into the Greek letter that the table has
    match = _DURATION.fullmatch(text.strip().casefold())
    if match is None:
        raise SettingsError(
            f"{option} {quoted(text)} is no duration; write frames (12) or real time"
            " (5ms, 200us, 1.5s), not negative".strip()
        )
    amount, unit = Fraction(match[1]), match[2]
    if unit:
        return Duration(amount * _SECONDS[unit], is_real_time=True)
    if amount.denominator != 1:
        raise SettingsError(
            f"{option} {text!r}: frames are whole; write {text.strip()}ms for time".strip()
        )
    return Duration(amount)


def exact(text: str) -> Fraction:
    """A number or a fraction as it is written, exactly.

    Raises
    ------
    ValueError
        It is none, or one so long that nobody can mean it.
    """
    if _EXACT.fullmatch(text) is None:
        raise ValueError(f"{quoted(text)} is no number")
    return Fraction(text)


def parse_rate(text: str, option: str = "rate") -> Fraction:
    """Read a rate in frames per second: ``100000``, ``29.97``, ``30000/1001``.

    A decimal with at least two digits that is a thousandth-and-one relative of 24, 30, 48,
    60, 96, 120 or 240, rounded to the digits written, is taken as that exact rate:
    ``23.976`` and ``23.98`` are 24000/1001, ``29.97`` is 30000/1001, ``59.94`` is
    60000/1001.  Every other decimal is taken as written.

    Raises
    ------
    SettingsError
        Not a number, or not above zero.
    """
    cleaned = text.strip()
    try:
        rate = exact(cleaned)
    except ValueError:
        raise SettingsError(
            f"{option} {quoted(text)} is no rate;"
            " write frames per second as 100000, 29.97 or 30000/1001"
        ) from None
    if rate <= 0:
        raise SettingsError(f"{option} {text!r} must be above zero frames per second")
    if not LEAST_RATE <= rate <= MOST_RATE:
        raise SettingsError(f"{option} {text!r} is no rate of any camera; write frames per second")
    return _snapped(rate, digits=len(cleaned.partition(".")[2]))


def _snapped(rate: Fraction, digits: int) -> Fraction:
    if digits < 2:
        return rate  # 24.0 is also 23.976 rounded to one digit, and means 24
    for parent in _NTSC_PARENTS:
        relative = Fraction(parent * 1000, 1001)
        if round(relative, digits) == rate:
            return relative
    return rate


@dataclass(frozen=True, slots=True)
class Coordinate:
    """One number of a region: pixels, or percent of the picture's side."""

    amount: Fraction
    is_percent: bool = False

    def pixels(self, side_px: int) -> Fraction:
        """Length in pixels on a side of ``side_px``; may be a fraction."""
        return self.amount * side_px / 100 if self.is_percent else self.amount

    def __str__(self) -> str:
        return decimal_text(self.amount) + ("%" if self.is_percent else "")


@dataclass(frozen=True, slots=True)
class RegionSpec:
    """A region as asked for, before the picture's size is known."""

    x: Coordinate
    y: Coordinate
    width: Coordinate
    height: Coordinate

    def resolve(self, shape: tuple[int, int]) -> Region:
        """Pixels of this region in a picture of ``(rows, cols)``.

        Percent edges that fall inside a pixel round outward, so that no pixel which the
        region touches is left out.

        Raises
        ------
        RegionError
            The region reaches outside the picture.
        """
        rows, cols = shape
        left, right = _span(self.x, self.width, cols)
        top, bottom = _span(self.y, self.height, rows)
        if right > cols or bottom > rows:
            raise RegionError(
                f"region {self} reaches outside the picture of {cols}x{rows} pixels;"
                f" keep x + w within {cols} and y + h within {rows}"
            )
        return Region(top, left, bottom - top, right - left)

    def __str__(self) -> str:
        return f"{self.x},{self.y},{self.width},{self.height}"


def _span(start: Coordinate, length: Coordinate, side_px: int) -> tuple[int, int]:
    first = start.pixels(side_px)
    return math.floor(first), math.ceil(first + length.pixels(side_px))


def parse_region(text: str, option: str = "region") -> RegionSpec:
    """Read ``x,y,w,h``, each in pixels or percent: ``10%,0,50%,100%``.

    Raises
    ------
    RegionError
        Not four numbers, a part of a pixel, or no width or height.
    """
    matches = [_COORDINATE.fullmatch(part.strip()) for part in text.split(",")]
    if len(matches) != 4 or not all(matches):
        raise RegionError(
            f"{option} {quoted(text)} is no region; write x,y,w,h in pixels or percent,"
            " such as 0,0,320,240 or 10%,0,50%,100%"
        )
    parts = [Coordinate(Fraction(m[1]), m[2] == "%") for m in matches if m]
    if any(not part.is_percent and part.amount.denominator != 1 for part in parts):
        raise RegionError(f"{option} {text!r}: pixels are whole; add % for percent")
    if not (parts[2].amount and parts[3].amount):
        raise RegionError(f"{option} {text!r} covers nothing; give a width and height above 0")
    return RegionSpec(*parts)


def real_time(
    frame: int, capture_rate: Fraction | None, trigger_frame: int | None = None
) -> Fraction | None:
    """Seconds of real time from the trigger frame (else frame 0) to ``frame``, exact.

    None where the capture rate is not known.
    """
    if capture_rate is None:
        return None
    return (frame - (trigger_frame or 0)) / capture_rate


def playback_time(frame: int, playback_rate: Fraction | None) -> Fraction | None:
    """Seconds into the take as watched, exact; None where the playback rate is not known."""
    return None if playback_rate is None else frame / playback_rate


def format_real(seconds: Fraction | None, *, signed: bool = True) -> str:
    """Real time for people: ``+12.5 µs`` below a millisecond, then ms, then s.

    Rounded to a nanosecond, microsecond and microsecond: each fine enough to tell the
    frames of a take at 1,000,000 frames per second apart.  ``-`` for None.
    """
    if seconds is None:
        return "-"
    sign = "-" if seconds < 0 else "+" if signed and seconds > 0 else ""
    size = abs(seconds)
    nanoseconds = round(size * 10**9)
    if nanoseconds < 10**6:
        return f"{sign}{decimal_text(Fraction(nanoseconds, 1000))} µs" if size else "0 s"
    microseconds = round(size * 10**6)
    if microseconds < 10**6:
        return f"{sign}{microseconds // 1000}.{microseconds % 1000:03d} ms"
    return f"{sign}{microseconds // 10**6}.{microseconds % 10**6:06d} s"


def format_playback(frame: int, playback_rate: Fraction | None) -> str:
    """Playback time as H:MM:SS.mmm, to the nearest millisecond; else ``<n> fr``."""
    seconds = playback_time(frame, playback_rate)
    if seconds is None:
        return f"{frame} fr"
    whole, milliseconds = divmod(round(seconds * 1000), 1000)
    minutes, second = divmod(whole, 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{second:02d}.{milliseconds:03d}"


def format_rate(rate: Fraction | None) -> str:
    """A rate for people: ``100,000``, ``29.97``, ``12.5``; ``unknown`` for None."""
    if rate is None:
        return "unknown"
    return f"{int(rate):,}" if rate.denominator == 1 else f"{float(rate):,.6g}"


def decimal_text(value: Fraction) -> str:
    """Shortest exact decimal of a fraction, or ``a/b`` where there is none."""
    rest = value.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    if rest != 1:
        return str(value)
    digits = 0
    while (value * 10**digits).denominator != 1:
        digits += 1
    sign, whole = "-" if value < 0 else "", str(abs(int(value * 10**digits)))
    whole = whole.zfill(digits + 1)
    return sign + (f"{whole[:-digits]}.{whole[-digits:]}" if digits else whole)
