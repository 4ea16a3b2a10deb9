"""SMPTE ST 12-1 timecode: rates that have one, labels that exist, drop-frame where asked for."""

from __future__ import annotations

from fractions import Fraction

from flashpan.cut.timecode import fits, shifted
from flashpan.errors import SettingsError, quoted
from flashpan.units import format_rate

NTSC = frozenset({Fraction(30_000, 1001), Fraction(60_000, 1001)})
"""Rates that may count with drop-frame labels."""

SMPTE_RATES = frozenset(
    {*NTSC, Fraction(24_000, 1001), Fraction(48_000, 1001)}
    | {Fraction(rate) for rate in (24, 25, 30, 48, 50, 60)}
)
"""Rates that timecode labels count at; as OpenTimelineIO has them."""


def has_labels(rate: Fraction) -> bool:
    """Whether frames of this rate can be named by timecode."""
    return rate in SMPTE_RATES


def read_label(text: str, rate: Fraction, *, drop: bool, option: str = "") -> int:
    """Frames from midnight to a timecode.

    Raises
    ------
    SettingsError
        No timecode at that rate: also a label that drop-frame counting leaves out, such as
        00:01:00;00, which many programs take for the frame before.
    """
    label = with_mark(text, drop=drop)
    if not fits(label, rate):
        kind = "drop-frame " if drop else ""
        raise SettingsError(
            f"{option} {quoted(text)} is no {kind}timecode at {format_rate(rate)} frames/s; write"
            f" hours:minutes:seconds:frames, as {with_mark('01:00:00:00', drop=drop)}".strip()
        )
    return frames_of(label, rate)


def frames_of(label: str, rate: Fraction) -> int:
    """Frames from midnight to a label that exists."""
    hours, minutes, seconds, frame = (int(part) for part in label.replace(";", ":").split(":"))
    nominal = round(rate)
    dropped = nominal // 15 if ";" in label else 0
    minute = 60 * hours + minutes
    return (60 * minute + seconds) * nominal + frame - dropped * (minute - minute // 10)


def label_of(frame: int, rate: Fraction, *, drop: bool) -> str:
    """Timecode of a frame counted from midnight; over the next midnight it begins anew."""
    return shifted(with_mark("00:00:00:00", drop=drop), frame, rate) or ""


def with_mark(text: str, *, drop: bool) -> str:
    """A label with the mark before its frames that says how it is counted."""
    head, _, frame = text.strip().replace(";", ":").rpartition(":")
    return f"{head}{';' if drop else ':'}{frame}"


def is_drop(text: str) -> bool:
    """Whether a label is marked as drop-frame."""
    return ";" in text


def rate_name(rate: Fraction, *, drop: bool = False) -> str:
    """A rate in a file name: ``25``, ``29.97df``."""
    text = f"{float(rate):.3f}".rstrip("0").rstrip(".")
    return f"{text}df" if drop else text
