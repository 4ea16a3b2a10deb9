"""What can be seen of a night's takes: their logs with their strips, as they lie in it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flashpan.errors import TakeError
from flashpan.eventlog import EXTENSION, read_log
from flashpan.model import EventLog
from flashpan.night.places import inside_night
from flashpan.night.record import NightRecord
from flashpan.night.rows import EventRow, TakeRow
from flashpan.sheet.looks import SUFFIX, Strips


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenTake:
    """A take of a night that has results.

    Attributes
    ----------
    row : TakeRow
    folder : Path
        Where its results are.
    stem : str
        What their names begin with.
    log : EventLog
    events : tuple of EventRow
        As the catalog has them, marks included; numbered as in the log.
    strips : Strips or None
        None where there are none (yet).
    """

    row: TakeRow
    folder: Path
    stem: str
    log: EventLog
    events: tuple[EventRow, ...]
    strips: Strips | None


def seen_takes(record: NightRecord) -> Iterator[SeenTake]:
    """Takes that were searched, by the time they were shot, then as they were found.

    A take whose log is gone, damaged or outside the night is passed over: the catalog's report
    has it.
    """
    rows = [row for row in record.takes() if row.folder and row.log_name]
    for row in sorted(rows, key=lambda row: (row.shot_at or "~", row.id)):
        folder = record.dest / row.folder
        try:
            inside_night(record.dest, folder)
            log = read_log(inside_night(record.dest, folder / row.log_name))
        except TakeError:
            continue
        stem = row.log_name.removesuffix(EXTENSION)
        events = tuple(record.events(row.id))
        if len(events) == len(log.events):
            yield SeenTake(
                row=row,
                folder=folder,
                stem=stem,
                log=log,
                events=events,
                strips=_strips_in(record.dest, folder, stem),
            )


def _strips_in(dest: Path, folder: Path, stem: str) -> Strips | None:
    """The strips of a take; None where there are none that can be read."""
    try:
        return Strips.read(inside_night(dest, folder / f"{stem}{SUFFIX}"))
    except TakeError:
        return None
