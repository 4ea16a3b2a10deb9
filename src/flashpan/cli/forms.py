"""The forms that results of a search are printed in, each as early as it allows."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from flashpan.cli.output import Results
from flashpan.visible import csv_text

if TYPE_CHECKING:
    from flashpan.model import Event, EventLog, TakeInfo


class Table:
    """A table per take; also the base of the other forms, which override what they print."""

    def __init__(self, results: Results, *, n_takes: int) -> None:
        self._results = results
        self._n_takes = n_takes
        self._n_done = 0

    def event(self, take: TakeInfo, event: Event) -> None:
        """An event has just ended."""

    def log(self, log: EventLog) -> None:
        """A take is done."""
        from flashpan.table import format_table

        self._results.write(("\n" if self._n_done else "") + format_table(log))
        self._n_done += 1

    def finish(self) -> None:
        """All takes are done."""


class Json(Table):
    """One event log for one take, an array for several."""

    def __init__(self, results: Results, *, n_takes: int) -> None:
        super().__init__(results, n_takes=n_takes)
        self._logs: list[dict[str, Any]] = []

    def log(self, log: EventLog) -> None:
        """Keep the log for the end."""
        from flashpan.eventlog import to_dict

        self._logs.append(to_dict(log))

    def finish(self) -> None:
        """Print it all; nothing where the only take failed."""
        if self._n_takes > 1:
            self._results.write(json.dumps(self._logs, indent=2, allow_nan=False))
        elif self._logs:
            self._results.write(json.dumps(self._logs[0], indent=2, allow_nan=False))


class JsonLines(Table):
    """One line per event as soon as it ends, and nothing else."""

    def event(self, take: TakeInfo, event: Event) -> None:
        """Print the event with the name of its take."""
        from flashpan.eventlog import event_to_dict

        line = {"take": take.name, "path": take.path, **event_to_dict(event)}
        self._results.write(json.dumps(line, allow_nan=False))

    def log(self, log: EventLog) -> None:
        """Everything has been printed."""


class Csv(Table):
    """A header, then a row per event."""

    def log(self, log: EventLog) -> None:
        """Print the take's rows, before the first the header."""
        from flashpan.eventlog import CSV_COLUMNS, csv_rows

        if not self._n_done:
            self._write([CSV_COLUMNS])
        if log.events:
            self._write(csv_rows(log))
        self._n_done += 1

    def _write(self, rows: Iterable[Iterable[object]]) -> None:
        self._results.write(csv_text(rows).rstrip("\n"), is_exact=True)
