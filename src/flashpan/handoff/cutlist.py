"""A cut list before it has a format: which frames of which media, one after the other.

A cut list has one rate.  High-speed frames go in one for one, whatever the rate that a take was
shot at: a frame is never left out, doubled or blended.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import count

from flashpan.cut.timecode import fits
from flashpan.handoff.kept import Kept
from flashpan.handoff.labels import (
    NTSC,
    frames_of,
    has_labels,
    is_drop,
    label_of,
    read_label,
)

DEFAULT_RATE = Fraction(25)
"""For takes of which no playback rate is known."""

START = "01:00:00:00"
"""Where records begin: common practice, no source."""

CLIPS, TAKES = "clips", "takes"
"""What a cut list may refer to."""

_REEL = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """One entry of a cut list; frames are counted at its rate.

    Attributes
    ----------
    kept : Kept
    name, reel : str
        Of the clip, and eight letters and digits that are its own in this list.
    media_start : int
        Timecode of the media's first frame, in frames; 0 where it has none.
    media_frames : int
        In the media, all of them.
    first : int
        Of the media's frames, the first one that is asked for, from 0.
    record : int
        Where it begins in the list, in frames from its start.
    """

    kept: Kept
    name: str
    reel: str
    media_start: int
    media_frames: int
    first: int
    record: int

    @property
    def n_frames(self) -> int:
        """Asked for."""
        return self.kept.n_frames

    @property
    def source_in(self) -> int:
        """First frame asked for, as timecode counts."""
        return self.media_start + self.first

    def source_of(self, frame: int) -> int:
        """A frame of the take, as timecode counts in the media."""
        return self.source_in + max(frame - self.kept.kept.first, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class CutList:
    """Cuts of one rate.

    Attributes
    ----------
    name : str
    rate : Fraction
        Frames per second as watched.
    drop : bool
        Whether timecode is counted with drop-frame labels.
    start : int
        Frames from midnight to the record's first frame.
    media : str
        ``clips`` or ``takes``.
    cuts : tuple of Cut
    """

    name: str
    rate: Fraction
    drop: bool
    start: int
    media: str
    cuts: tuple[Cut, ...]

    def label(self, frame: int) -> str:
        """Timecode of a frame; empty where the rate has none."""
        return label_of(frame, self.rate, drop=self.drop) if has_labels(self.rate) else ""

    @property
    def n_frames(self) -> int:
        """Of all cuts."""
        return sum(cut.n_frames for cut in self.cuts)


def cut_lists(
    kept: Iterable[Kept],
    name: str,
    *,
    media: str = CLIPS,
    playback_rate: Fraction | None = None,
    drop: bool | None = None,
    start: str = START,
) -> list[CutList]:
    """Cut lists of ranges, one for each rate, the one with most ranges first.

    Parameters
    ----------
    kept : iterable of Kept
        In order; those without a clip are left out of lists that refer to clips.
    name : str
        Title.
    media : {"clips", "takes"}
        What is referred to.
    playback_rate : Fraction, optional
        For all of them; by default each as its take is watched, or 25 where that is unknown.
    drop : bool, optional
        Count with drop-frame labels where the rate has them; by default where the media do.
    start : str
        Timecode of the first frame.

    Raises
    ------
    SettingsError
        ``start`` is no timecode at the rate.
    """
    usable = [one for one in kept if media == TAKES or one.clip is not None]
    rates = [playback_rate or one.take.playback_rate or DEFAULT_RATE for one in usable]
    lists = []
    for rate, _ in Counter(rates).most_common():
        of_rate = [one for one, its in zip(usable, rates, strict=True) if its == rate]
        by_labels = _is_drop(of_rate, rate) if drop is None else drop and rate in NTSC
        lists.append(
            CutList(
                name=name,
                rate=rate,
                drop=by_labels,
                start=_start(start, rate, by_labels),
                media=media,
                cuts=tuple(_cuts(of_rate, rate, media)),
            )
        )
    return lists


def _is_drop(kept: list[Kept], rate: Fraction) -> bool:
    return rate in NTSC and any(is_drop(one.timecode) for one in kept)


def _start(text: str, rate: Fraction, drop: bool) -> int:
    return read_label(text, rate, drop=drop, option="--start") if has_labels(rate) else 0


def _cuts(kept: list[Kept], rate: Fraction, media: str) -> Iterator[Cut]:
    record, reels = 0, Reels()
    for one in kept:
        start, n_frames, first = _media(one, rate, media)
        yield Cut(
            kept=one,
            name=one.path.stem if media == CLIPS and one.path else one.take.name,
            reel=reels.reel_for(one, media),
            media_start=start,
            media_frames=n_frames,
            first=first,
            record=record,
        )
        record += one.n_frames


def _media(kept: Kept, rate: Fraction, media: str) -> tuple[int, int, int]:
    """Timecode in frames, length, and the first frame asked for, of what is referred to."""
    own_rate = kept.take.playback_rate or rate  # that its own timecode counts at
    if media == CLIPS:
        return _frames_at(kept.timecode, own_rate), kept.media_frames, kept.head_frames
    label = kept.take_timecode(own_rate)
    return _frames_at(label, own_rate), kept.take.frames, kept.kept.first


def _frames_at(label: str, rate: Fraction) -> int:
    """Frames of a media's own timecode; media without one begin at midnight."""
    return frames_of(label, rate) if label and fits(label, rate) else 0


class Reels:
    """Reel names of CMX 3600: eight letters and digits, one for each source."""

    def __init__(self) -> None:
        self._of: dict[tuple[int, int | None], str] = {}

    def reel_for(self, kept: Kept, media: str) -> str:
        """The reel of a clip, or of a take; the same source has the same one."""
        number = kept.kept.number if media == CLIPS else None
        key = (kept.take.id, number)
        if key not in self._of:
            self._of[key] = self._new(kept.take.name, number)
        return self._of[key]

    def _new(self, take: str, number: int | None) -> str:
        plain = "".join(char for char in take.upper() if char.isascii() and char.isalnum())
        ending = "" if number is None else f"{number:03d}"
        taken = set(self._of.values())
        names = ((plain or "TAKE")[: _REEL - len(end)] + end for end in _endings(ending))
        return next(name for name in names if name not in taken)


def _endings(first: str) -> Iterator[str]:
    yield first
    yield from (str(number) for number in count(1))
