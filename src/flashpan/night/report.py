"""The night report: what came of a night, from its catalog.

Failures first.  Frames and clips are those of takes as they lie there now; what was replaced by
another take does not count.  Space saved is what the takes weigh less what their clips do, of
takes that are done; of others nobody knows yet what may go.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from fractions import Fraction

from flashpan.cut.budget import parse_budget
from flashpan.errors import SettingsError
from flashpan.night.discovery import natural_key
from flashpan.night.record import NightRecord
from flashpan.night.rows import (
    DONE,
    FAILED,
    ClipRow,
    EventRow,
    ProblemRow,
    RangeRow,
    TakeRow,
)

CLIP = "clip"


@dataclass(slots=True, kw_only=True)
class NightTotals:
    """Sums over a night.

    Attributes
    ----------
    takes, done, failed, waiting, unreadable : int
        Takes known; done, failed, not done yet; and what could not even be read.
    frames, kept : int
        Searched, and in clips.
    events, clips : int
    take_bytes : int
        Of the takes that are done.
    clip_bytes, copy_bytes : int
        Of their clips, and of copies beside them.
    seconds : float
        Work of all attempts, as if done one after the other.
    bytes_read : int
        In all attempts.
    """

    takes: int = 0
    done: int = 0
    failed: int = 0
    waiting: int = 0
    unreadable: int = 0
    frames: int = 0
    kept: int = 0
    events: int = 0
    clips: int = 0
    take_bytes: int = 0
    clip_bytes: int = 0
    copy_bytes: int = 0
    seconds: float = 0.0
    bytes_read: int = 0

    @property
    def saved_bytes(self) -> int:
        """What need not be copied or kept; below zero where clips weigh more than takes."""
        return self.take_bytes - self.clip_bytes


@dataclass(slots=True, kw_only=True)
class Hour:
    """An hour by the clock on the wall.

    Attributes
    ----------
    begins : datetime or None
        None for takes of which the time is not known.
    takes, events, kept : int
        Takes shot then, their events, and frames in their clips.
    kinds : dict of str to int
        Events of each kind.
    """

    begins: datetime | None
    takes: int = 0
    events: int = 0
    kept: int = 0
    kinds: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class NightEvent:
    """One event of a night.

    Attributes
    ----------
    take : TakeRow
    shot_at : datetime or None
        When its take was shot.
    event : EventRow
    kept : RangeRow or None
        The trim range that keeps it.
    clip : ClipRow or None
        The clip of that range, where there is one.
    """

    take: TakeRow
    shot_at: datetime | None
    event: EventRow
    kept: RangeRow | None
    clip: ClipRow | None


@dataclass(slots=True, kw_only=True)
class NightReport:
    """What came of a night.

    Attributes
    ----------
    dest : str
        Folder of the night.
    totals : NightTotals
    failures : list of TakeRow
        Takes that failed, in natural order.
    problems : list of ProblemRow
        What could not be read in the last look at the source.
    hours : list of Hour
        In order; hours in which nothing was shot are left out.
    events : list of NightEvent
        By time of night, then take, then frame.
    offload_rate : Fraction or None
        Bytes per second, where one was given.
    """

    dest: str
    totals: NightTotals
    failures: list[TakeRow]
    problems: list[ProblemRow]
    hours: list[Hour]
    events: list[NightEvent]
    offload_rate: Fraction | None = None

    @property
    def offload_saved_s(self) -> float | None:
        """Seconds that copying the clips takes less than copying the takes would."""
        if self.offload_rate is None:
            return None
        return float(self.totals.saved_bytes / self.offload_rate)


def night_report(
    record: NightRecord, *, offload_rate: Fraction | None = None, zone: tzinfo | None = None
) -> NightReport:
    """Sum up a night.

    Parameters
    ----------
    record : NightRecord
        Open; a run may be at work on it.
    offload_rate : Fraction, optional
        Bytes per second that takes are copied at; see `parse_offload_rate`.
    zone : tzinfo, optional
        Of the clock on the wall; this machine's by default.
    """
    with record.at_one_moment():
        takes = {take.id: take for take in record.takes()}
        times = {take.id: _wall_time(take, zone) for take in takes.values()}
        ranges = {(kept.take_id, kept.number): kept for kept in record.ranges()}
        clips = list(record.clips())
        events = list(record.events())
        problems = record.problems()
        seconds, bytes_read = record.work()
    totals = _totals(takes, clips, len(events))
    totals.unreadable, totals.seconds, totals.bytes_read = len(problems), seconds, bytes_read
    return NightReport(
        dest=str(record.dest),
        totals=totals,
        failures=sorted(
            (take for take in takes.values() if take.state == FAILED),
            key=lambda take: natural_key(take.place),
        ),
        problems=sorted(problems, key=lambda problem: natural_key(problem.place)),
        hours=_hours(times, events, clips),
        events=list(_in_order(takes, times, events, ranges, clips)),
        offload_rate=offload_rate,
    )


def parse_offload_rate(text: str) -> Fraction:
    """Read ``120MB``, ``120 MB/s`` or ``1.2GB/s``: bytes per second.

    Raises
    ------
    SettingsError
        No amount of bytes above zero.
    """
    amount = text.strip()
    for ending in ("/s", "ps"):
        amount = amount.removesuffix(ending)
    try:
        rate = parse_budget(amount)
    except SettingsError:
        rate = None
    if rate is None or not rate.in_bytes or not rate.amount:
        raise SettingsError(f"--offload-rate {text!r} is no rate; write 120MB/s or 1.2GB/s")
    return Fraction(rate.amount)


def _wall_time(take: TakeRow, zone: tzinfo | None) -> datetime | None:
    try:
        return datetime.fromisoformat(take.shot_at).astimezone(zone)
    except (ValueError, OverflowError):
        return None


def _totals(takes: dict[int, TakeRow], clips: list[ClipRow], n_events: int) -> NightTotals:
    totals = NightTotals(takes=len(takes), events=n_events)
    for take in takes.values():
        totals.done += take.state == DONE
        totals.failed += take.state == FAILED
        totals.frames += take.frames
        totals.take_bytes += take.identity.bytes if take.state == DONE else 0
    totals.waiting = totals.takes - totals.done - totals.failed
    for clip in clips:
        is_clip = clip.form == CLIP
        totals.clips += is_clip
        totals.kept += _kept(clip)
        if takes[clip.take_id].state == DONE:
            totals.clip_bytes += clip.bytes if is_clip else 0
            totals.copy_bytes += 0 if is_clip else clip.bytes
    return totals


def _kept(clip: ClipRow) -> int:
    """Frames of the take in a clip; a copy beside it holds the same once more."""
    return clip.last - clip.first + 1 if clip.form == CLIP else 0


def _hours(
    times: dict[int, datetime | None], events: list[EventRow], clips: list[ClipRow]
) -> list[Hour]:
    hours: dict[datetime | None, Hour] = {}
    of_take: dict[int, Hour] = {}
    for take_id, time in times.items():
        begins = None if time is None else time.replace(minute=0, second=0, microsecond=0)
        hour = of_take[take_id] = hours.setdefault(begins, Hour(begins=begins))
        hour.takes += 1
    for event in events:
        hour = of_take[event.take_id]
        hour.events += 1
        hour.kinds[event.kind] = hour.kinds.get(event.kind, 0) + 1
    for clip in clips:
        of_take[clip.take_id].kept += _kept(clip)
    return sorted(hours.values(), key=lambda hour: _time_key(hour.begins))


def _in_order(
    takes: dict[int, TakeRow],
    times: dict[int, datetime | None],
    events: list[EventRow],
    ranges: dict[tuple[int, int], RangeRow],
    clips: list[ClipRow],
) -> Iterator[NightEvent]:
    of_range = {(clip.take_id, clip.number): clip for clip in clips if clip.form == CLIP}
    with_events = {event.take_id for event in events}
    ranks = {
        take_id: rank
        for rank, take_id in enumerate(
            sorted(
                with_events,
                key=lambda one: (_time_key(times[one]), natural_key(takes[one].place)),
            )
        )
    }
    for event in sorted(events, key=lambda one: (ranks[one.take_id], one.number)):
        where = None if event.trim_range is None else (event.take_id, event.trim_range)
        yield NightEvent(
            take=takes[event.take_id],
            shot_at=times[event.take_id],
            event=event,
            kept=ranges.get(where) if where else None,
            clip=of_range.get(where) if where else None,
        )


def _time_key(time: datetime | None) -> float:
    """What is not known comes last."""
    return float("inf") if time is None else time.timestamp()
