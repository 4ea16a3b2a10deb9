"""The night report: what came of a night, from its catalog.

Failures first.  Frames and clips are those of takes as they lie there now; what was replaced by
another take does not count.  Space saved is what the takes weigh less what their clips do, of
takes that are done; of others nobody knows yet what may go.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from fractions import Fraction
from functools import lru_cache

from flashpan.cut.budget import parse_budget
from flashpan.errors import SettingsError, quoted
from flashpan.night.record import NightRecord
from flashpan.night.rows import FAILED, NightEvent, NightTotals, ProblemRow, TakeRow
from flashpan.night.sums import QUARTER_S


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
    kept: int = 0
    kinds: dict[str, int] = field(default_factory=dict)

    @property
    def events(self) -> int:
        """Of all kinds."""
        return sum(self.kinds.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class NightReport:
    """What came of a night; to be used while its record is open.

    Attributes
    ----------
    record : NightRecord
    totals : NightTotals
    failures : list of TakeRow
        Takes that failed, in the order they were found.
    problems : list of ProblemRow
        What could not be read in the last look at the source.
    hours : list of Hour
        In order; hours in which nothing was shot are left out.
    offload_rate : Fraction or None
        Bytes per second, where one was given.
    zone : tzinfo or None
        Of the clock on the wall; None for this machine's.
    """

    record: NightRecord
    totals: NightTotals
    failures: list[TakeRow]
    problems: list[ProblemRow]
    hours: list[Hour]
    offload_rate: Fraction | None = None
    zone: tzinfo | None = None

    @property
    def offload_saved_s(self) -> float | None:
        """Seconds that copying the clips takes less than copying the takes would."""
        if self.offload_rate is None:
            return None
        return float(self.totals.saved_bytes / self.offload_rate)

    def events(self, most: int | None = None) -> Iterator[NightEvent]:
        """Events by time of night, then take, then frame; so many at most."""
        return self.record.events_by_time(most)

    def wall_time(self, shot_at: str) -> datetime | None:
        """When a take was shot, by the clock on the wall; None where that is not known."""
        return wall_time(shot_at, self.zone)


def night_report(
    record: NightRecord, *, offload_rate: Fraction | None = None, zone: tzinfo | None = None
) -> NightReport:
    """Sum up a night.

    Parameters
    ----------
    record : NightRecord
        Open; a run may be at work on it, see `NightRecord.at_one_moment`.
    offload_rate : Fraction, optional
        Bytes per second that takes are copied at; see `parse_offload_rate`.
    zone : tzinfo, optional
        Of the clock on the wall; this machine's by default.
    """
    return NightReport(
        record=record,
        totals=record.totals(),
        failures=list(record.takes(state=FAILED)),
        problems=record.problems(),
        hours=_hours(record, zone),
        offload_rate=offload_rate,
        zone=zone,
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
        raise SettingsError(f"--offload-rate {quoted(text)} is no rate; write 120MB/s or 1.2GB/s")
    return Fraction(rate.amount)


def _hours(record: NightRecord, zone: tzinfo | None) -> list[Hour]:
    hours: dict[datetime | None, Hour] = {}
    for quarter in record.quarters():
        begins = None if quarter.number is None else _hour_of(quarter.number, zone)
        hour = hours.setdefault(begins, Hour(begins=begins))
        if quarter.what == "takes":
            hour.takes += quarter.count
        elif quarter.what == "kept":
            hour.kept += quarter.count
        else:
            kind = quarter.what.removeprefix("event ")
            hour.kinds[kind] = hour.kinds.get(kind, 0) + quarter.count
    return sorted(hours.values(), key=lambda hour: _time_key(hour.begins))


@lru_cache(maxsize=1024)  # the events of a take have one time
def wall_time(shot_at: str, zone: tzinfo | None = None) -> datetime | None:
    """A time of the catalog by the clock on the wall; None where it is not known."""
    try:
        return datetime.fromisoformat(shot_at).astimezone(zone)
    except (ValueError, OverflowError):
        return None


def _hour_of(quarter: int, zone: tzinfo | None) -> datetime:
    return datetime.fromtimestamp(quarter * QUARTER_S, UTC).astimezone(zone).replace(minute=0)


def _time_key(time: datetime | None) -> float:
    """What is not known comes last."""
    return float("inf") if time is None else time.timestamp()
