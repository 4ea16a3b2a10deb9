"""The shot log of a night: a row for every event, and one for every take without any.

What stands on the slates comes first after the take; every name that some take has is a column.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import PurePosixPath

from flashpan.cut.report import CLIP
from flashpan.handoff.kept import as_wanted
from flashpan.night.record import NightRecord
from flashpan.night.report import wall_time
from flashpan.night.rows import ClipRow, EventRow, RangeRow, TakeRow
from flashpan.units import format_playback, format_real
from flashpan.visible import csv_text

Value = str | int | float | None

COLUMNS = {
    "take": "name",
    "place": "below the card or folder it came from",
    "shot_at": "when it was shot, by this machine's clock",
    "time_from": "container (the camera's clock) or file (when it was last written)",
    "slate …": "every name on the slates of flashpan.toml, a column each",
    "state": "done, failed or not done yet",
    "frames": "of the take",
    "capture_rate, playback_rate": "frames per second",
    "event": "number in the take's log",
    "kind": "of the event",
    "onset, peak, end": "frames of the take",
    "onset_real": "onset in real time, seconds",
    "onset_playback": "onset in playback time, seconds",
    "strength": "in noise units",
    "mark": "circled or rejected",
    "note": "the operator's words",
    "clip": "in the night's folder",
    "clip_first, clip_last": "frames of the take in it",
    "verified": "what was proved of it",
    "sha256": "its checksum",
    "error": "why a take failed",
}
"""What the columns hold, for help texts."""

_BEFORE_SLATE = ("take", "place", "shot_at", "time_from")
_AFTER_SLATE = tuple(
    name for names in list(COLUMNS)[len(_BEFORE_SLATE) + 1 :] for name in names.split(", ")
)


@dataclass(frozen=True, slots=True)
class Entry:
    """A row: a take, and one of its events with its range and clip."""

    take: TakeRow
    event: EventRow | None = None
    kept: RangeRow | None = None
    clip: ClipRow | None = None

    def onset_real(self) -> str:
        """For people."""
        if self.event is None or self.event.onset_s is None:
            return "-"
        return format_real(Fraction(self.event.onset_s).limit_denominator(10**9))

    def onset_playback(self) -> str:
        """For people."""
        if self.event is None or self.take.playback_rate is None:
            return "-"
        return format_playback(self.event.onset, self.take.playback_rate)


@dataclass(frozen=True, slots=True)
class ShotLog:
    """The shot log of a night.

    Attributes
    ----------
    name : str
    slate : tuple of str
        Names that stand on some slate, in the order of the takes.
    entries : tuple of Entry
        By time of night, then take, then frame.
    """

    name: str
    slate: tuple[str, ...]
    entries: tuple[Entry, ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns of `rows`."""
        slate = tuple(f"slate {name}" for name in self.slate)
        return (*_BEFORE_SLATE, *slate, *_AFTER_SLATE)

    def rows(self) -> Iterator[tuple[Value, ...]]:
        """Values under `columns`."""
        for entry in self.entries:
            slate = (entry.take.slate.get(name) for name in self.slate)
            known = _of_take(entry.take) | _of_event(entry) | _of_clip(entry)
            yield (
                *(known[name] for name in _BEFORE_SLATE),
                *slate,
                *(known[name] for name in _AFTER_SLATE),
            )


def shot_log(record: NightRecord) -> ShotLog:
    """The shot log of a night, from its catalog."""
    takes = sorted(record.takes(), key=lambda take: (not take.shot_at, take.shot_at, take.id))
    entries = tuple(entry for take in takes for entry in _entries(record, take))
    names = tuple(dict.fromkeys(name for take in takes for name in take.slate))
    return ShotLog(record.dest.absolute().name, names, entries)


def shot_log_csv(log: ShotLog) -> str:
    """A header, then a row per entry."""
    return csv_text([log.columns, *log.rows()])


def _entries(record: NightRecord, take: TakeRow) -> Iterator[Entry]:
    clips = {clip.number: clip for clip in record.clips(take.id) if clip.form == CLIP}
    edits = record.range_edits(take.id)
    ranges = {
        found.number: as_wanted(found, edits.get(found.number), clips.get(found.number))
        for found in record.ranges(take.id)
    }
    events = list(record.events(take.id))
    for event in events:
        number = event.trim_range
        kept = None if number is None else ranges.get(number)
        yield Entry(take, event, kept, None if number is None else clips.get(number))
    if not events:
        yield Entry(take)


def _of_take(take: TakeRow) -> dict[str, Value]:
    shot = wall_time(take.shot_at)
    return {
        "take": take.name,
        "place": take.place,
        "shot_at": None if shot is None else shot.isoformat(timespec="seconds"),
        "time_from": take.shot_at_from if take.shot_at else None,
        "state": take.state,
        "frames": take.frames,
        "capture_rate": _rate(take.capture_rate),
        "playback_rate": _rate(take.playback_rate),
        "error": take.error or None,
    }


def _of_event(entry: Entry) -> dict[str, Value]:
    event, rate = entry.event, entry.take.playback_rate
    if event is None:
        names = ("event", "kind", "onset", "peak", "end", "onset_real", "onset_playback")
        return dict.fromkeys((*names, "strength", "mark", "note"))
    return {
        "event": event.number,
        "kind": event.kind,
        "onset": event.onset,
        "peak": event.peak,
        "end": event.end,
        "onset_real": event.onset_s,
        "onset_playback": None if rate is None else float(event.onset / rate),
        "strength": event.strength,
        "mark": event.mark,
        "note": event.note or None,
    }


def _of_clip(entry: Entry) -> dict[str, Value]:
    kept, clip = entry.kept, entry.clip
    return {
        "clip": None if clip is None else str(PurePosixPath(entry.take.folder, clip.name)),
        "clip_first": None if kept is None else kept.first,
        "clip_last": None if kept is None else kept.last,
        "verified": None if clip is None else clip.proof or "no",
        "sha256": None if clip is None else clip.sha256,
    }


def _rate(rate: Fraction | None) -> Value:
    if rate is None:
        return None
    return int(rate) if rate.denominator == 1 else float(rate)
