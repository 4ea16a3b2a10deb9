"""What a night holds for the edit: every range that is kept, with its clip and its events."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from flashpan.cut.report import CLIP
from flashpan.cut.sidecar import read_sidecar
from flashpan.cut.timecode import shifted
from flashpan.night.edits import RangeEdit
from flashpan.night.places import inside_night
from flashpan.night.record import NightRecord
from flashpan.night.rows import CIRCLED, REJECTED, ClipRow, EventRow, RangeRow, TakeRow

_NUMBERED = re.compile(r"(.*?)(\d+)(\.[^.]+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stills:
    """A clip that is a folder of numbered stills without a gap.

    Attributes
    ----------
    prefix, suffix : str
        Of every name, around the number.
    first, n_digits, n_files : int
        Number of the first one, its digits with leading zeros, and how many there are.
    """

    prefix: str
    suffix: str
    first: int
    n_digits: int
    n_files: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One range of a take.

    Attributes
    ----------
    take : TakeRow
    kept : RangeRow
        First and last frame of the take, inclusive.
    events : tuple of EventRow
        Those that the range is kept for.
    clip : ClipRow or None
        None where it was not cut.
    path : Path or None
        Of the clip.
    head_frames, media_frames : int
        Frames of the clip before those asked for, and in all.
    timecode : str
        Of the clip's first frame; empty where it has none.
    """

    take: TakeRow
    kept: RangeRow
    events: tuple[EventRow, ...]
    clip: ClipRow | None
    path: Path | None
    head_frames: int = 0
    media_frames: int = 0
    timecode: str = ""

    @property
    def n_frames(self) -> int:
        """Frames asked for."""
        return self.kept.last - self.kept.first + 1

    @property
    def is_circled(self) -> bool:
        """Whether one of its events is a keeper."""
        return any(event.mark == CIRCLED for event in self.events)

    @property
    def is_rejected(self) -> bool:
        """Whether all of its events are marked as none."""
        marks = [event.mark for event in self.events]
        return bool(marks) and all(mark == REJECTED for mark in marks)

    def take_timecode(self, rate: Fraction) -> str:
        """Of the take's frame 0; empty where the clip has none."""
        before = self.kept.first - self.head_frames
        return shifted(self.timecode, -before, rate) or ""

    def stills(self) -> Stills | None:
        """How the clip's files are numbered, where it is a folder of stills."""
        if self.path is None or not self.path.is_dir():
            return None
        return _stills_in(sorted(one.name for one in self.path.iterdir() if one.is_file()))


def kept_ranges(record: NightRecord) -> Iterator[Kept]:
    """Every range of a night by the time of its take, then frame.

    Raises
    ------
    TakeError
        A clip, as the catalog names it, lies outside the night.
    """
    takes = sorted(record.takes(), key=lambda take: (not take.shot_at, take.shot_at, take.id))
    for take in takes:
        yield from _of_take(record, take)


def _of_take(record: NightRecord, take: TakeRow) -> Iterator[Kept]:
    clips = {clip.number: clip for clip in record.clips(take.id) if clip.form == CLIP}
    events = list(record.events(take.id))
    folder = record.dest / take.folder
    edits = record.range_edits(take.id)
    for found in record.ranges(take.id):
        clip = clips.get(found.number)
        path = folder / clip.name if clip else None
        if path is not None:
            inside_night(record.dest, path)
        kept = as_wanted(found, edits.get(found.number), clip)
        yield Kept(
            take=take,
            kept=kept,
            events=tuple(
                event
                for event in events
                if event.trim_range == kept.number
                and event.onset <= kept.last
                and event.end >= kept.first
            ),
            clip=clip,
            path=path,
            **(_media(kept, clip, read_sidecar(path)) if clip and path else {}),
        )


def as_wanted(found: RangeRow, edit: RangeEdit | None, clip: ClipRow | None) -> RangeRow:
    """A range as the operator wants it, as far as its clip has the frames."""
    first, last = (found.first, found.last) if edit is None else (edit.first, edit.last)
    if clip is not None:
        inner = max(first, clip.first), min(last, clip.last)
        first, last = inner if inner[0] <= inner[1] else (clip.first, clip.last)
    return replace(found, first=first, last=last)


def _media(kept: RangeRow, clip: ClipRow, beside: dict[str, Any]) -> dict[str, Any]:
    """What the clip's sidecar says; where it is gone, what the catalog does."""
    return {
        "head_frames": int(beside.get("head_frames") or 0) + kept.first - clip.first,
        "media_frames": int(beside.get("frames") or clip.frames),
        "timecode": str(beside.get("timecode") or ""),
    }


def _stills_in(names: list[str]) -> Stills | None:
    matches = [match for name in names if (match := _NUMBERED.fullmatch(name))]
    if not matches or len({(match[1], match[3]) for match in matches}) != 1:
        return None
    numbers = sorted(int(match[2]) for match in matches)
    if numbers != list(range(numbers[0], numbers[0] + len(numbers))):
        return None
    first = min(matches, key=lambda match: int(match[2]))
    return Stills(
        prefix=first[1],
        suffix=first[3],
        first=numbers[0],
        n_digits=len(first[2]),
        n_files=len(numbers),
    )
