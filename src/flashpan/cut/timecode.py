"""Start timecodes: hours, minutes, seconds and frames on the clock of playback.

Counting is that of SMPTE ST 12-1 (from memory): at 30000/1001 and 60000/1001 frames a second
drop-frame timecode leaves out the first two (four) numbers of every minute that is no
multiple of ten, so that it keeps up with the clock on the wall.
"""

from __future__ import annotations

import re
from fractions import Fraction

_TEXT = re.compile(r"(\d\d):(\d\d):(\d\d)([:;.])(\d\d+)")
_DAY_MINUTES = 24 * 60


def shifted(text: str, n_frames: int, rate: Fraction) -> str | None:
    """Timecode ``n_frames`` after ``text`` at a playback rate; over midnight it starts anew.

    Returns
    -------
    str or None
        Drop-frame where ``text`` is (``;`` or ``.`` before the frames) and the rate has it;
        None where ``text`` is no timecode.
    """
    match = _TEXT.fullmatch(text.strip())
    if match is None:
        return None
    hours, minutes, seconds, frame = (int(match[k]) for k in (1, 2, 3, 5))
    nominal = max(round(rate), 1)
    dropped = nominal // 15 if match[4] in ";." and nominal % 30 == 0 else 0
    minute = hours * 60 + minutes
    at = (minute * 60 + seconds) * nominal + frame - dropped * (minute - minute // 10)
    day = _DAY_MINUTES * 60 * nominal - dropped * (_DAY_MINUTES - _DAY_MINUTES // 10)
    return _text((at + n_frames) % day, nominal, dropped)


def fits(text: str, rate: Fraction) -> bool:
    """Whether a timecode names a frame at a playback rate, dropped numbers included."""
    return shifted(text, 0, rate) == text


def _text(at: int, nominal: int, dropped: int) -> str:
    if dropped:
        at = _with_left_out_numbers(at, nominal, dropped)
    seconds, frame = divmod(at, nominal)
    mark = ";" if dropped else ":"
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{mark}{frame:02d}"


def _with_left_out_numbers(at: int, nominal: int, dropped: int) -> int:
    """Number that frame ``at`` of the day bears once numbers are left out."""
    minute = 60 * nominal - dropped
    ten_minutes = 10 * minute + dropped
    tens, rest = divmod(at, ten_minutes)
    minutes = 0 if rest < minute + dropped else 1 + (rest - minute - dropped) // minute
    return at + dropped * (9 * tens + minutes)
