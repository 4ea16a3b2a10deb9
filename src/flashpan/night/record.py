"""Looking into the catalog of a night: typed rows, one after the other."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from fractions import Fraction
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from flashpan.errors import CatalogError
from flashpan.night.database import Database
from flashpan.night.discovery import CATALOG_NAME
from flashpan.night.edits import RangeEdit, edits_of
from flashpan.night.identity import Identity
from flashpan.night.rows import (
    AttemptRow,
    ClipRow,
    EventRow,
    NightEvent,
    NightTotals,
    ProblemRow,
    Quarter,
    RangeRow,
    TakeRow,
)
from flashpan.night.sums import events_by_time, quarters_in, totals_in

_TAKES = (
    "SELECT take.*, (SELECT count(*) FROM attempt WHERE take_id = take.id) AS attempts FROM take"
)
_SIDES = ("x", "y", "width", "height")
_ATTEMPTS = (
    "SELECT take_id, settings_key, began_at, ifnull(ended_at, '') AS ended_at, outcome, error,"
    " seconds, bytes_read FROM attempt"
)


class NightRecord:
    """What a catalog holds; `NightRecord.read` opens one to look, also while a run is at work.

    Raises
    ------
    CatalogError
        From every method: the file is damaged, or the disk cannot be read.
    """

    def __init__(
        self, dest: str | os.PathLike[str], database: Database, closing: ExitStack
    ) -> None:
        self.dest = Path(dest)
        self._db, self._closing = database, closing

    @classmethod
    def read(cls, dest: str | os.PathLike[str]) -> Self:
        """Open the catalog of a destination to look, also while a run is at work.

        Raises
        ------
        CatalogError
            There is none, it is damaged, or of another version.
        """
        path = Path(dest, CATALOG_NAME)
        if not path.is_file():
            raise CatalogError(f"{dest}: holds no night ({CATALOG_NAME}); check the folder")
        with ExitStack() as closing:
            database = closing.enter_context(Database.to_read(path))
            return cls(dest, database, closing.pop_all())

    def close(self) -> None:
        """Let go of the file; may be called twice."""
        self._closing.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def takes(self, *, state: str = "", replaced: bool = False) -> Iterator[TakeRow]:
        """Takes in the order they were first seen; those replaced by others only on request."""
        where = "WHERE (? IN ('', state))" + ("" if replaced else " AND replaced_by IS NULL")
        settings = {
            row["key"]: json.loads(row["said"]) for row in self._db.rows("SELECT * FROM setting")
        }
        for row in self._db.rows(f"{_TAKES} {where} ORDER BY id", state):
            yield _take(row, settings)

    def events(self, take_id: int | None = None) -> Iterator[EventRow]:
        """Events of one take, or of all that are not replaced, in order."""
        for row in self._results("event", take_id):
            facts = dict(row)
            x, y, width, height = map(facts.pop, _SIDES)
            yield EventRow(box=(x, y, width, height), **facts)

    def ranges(self, take_id: int | None = None) -> Iterator[RangeRow]:
        """Trim ranges of one take, or of all that are not replaced, in order."""
        return (RangeRow(**dict(row)) for row in self._results("trim_range", take_id))

    def range_edits(self, take_id: int) -> dict[int, RangeEdit]:
        """What ranges of a take shall be, by their number; only those that were changed."""
        return {edit.number: edit for edit in edits_of(self._db, take_id)}

    def clips(self, take_id: int | None = None) -> Iterator[ClipRow]:
        """Clips and copies of one take, or of all that are not replaced, in order."""
        return (ClipRow(**dict(row)) for row in self._results("clip", take_id))

    def _results(self, table: str, take_id: int | None) -> Iterator[sqlite3.Row]:
        if take_id is not None:
            return self._db.rows(
                f"SELECT * FROM {table} WHERE take_id = ? ORDER BY take_id, number", take_id
            )
        return self._db.rows(
            f"SELECT {table}.* FROM {table} JOIN take ON take.id = take_id"
            " WHERE replaced_by IS NULL ORDER BY take_id, number"
        )

    def warnings(self, take_id: int) -> list[str]:
        """What was noticed in a take and its clips."""
        rows = self._db.rows("SELECT text FROM warning WHERE take_id = ? ORDER BY number", take_id)
        return [row["text"] for row in rows]

    def attempts(self, take_id: int | None = None) -> Iterator[AttemptRow]:
        """How often takes were begun, and what came of it, in order."""
        where, values = ("", ()) if take_id is None else ("WHERE take_id = ?", (take_id,))
        for row in self._db.rows(f"{_ATTEMPTS} {where} ORDER BY id", *values):
            yield AttemptRow(**dict(row))

    def problems(self) -> list[ProblemRow]:
        """What could not be read in the last look at the source."""
        return [
            ProblemRow(**dict(row)) for row in self._db.rows("SELECT * FROM problem ORDER BY path")
        ]

    def totals(self) -> NightTotals:
        """Sums over the night."""
        return totals_in(self._db)

    def quarters(self) -> Iterator[Quarter]:
        """What happened in each quarter of an hour."""
        return quarters_in(self._db)

    def events_by_time(self, most: int | None = None) -> Iterator[NightEvent]:
        """Events by the time of their takes, then take, then frame; so many at most."""
        return events_by_time(self._db, most)

    @contextmanager
    def at_one_moment(self) -> Iterator[None]:
        """Let all looks of a block see the night as it is when the block begins."""
        with self._db.looking():
            yield

    def faults(self) -> list[str]:
        """Look the whole file through; nothing where it is sound."""
        return self._db.faults()


def identity_in(row: sqlite3.Row) -> Identity:
    """The identity that a row of takes holds."""
    return Identity(
        bytes=row["bytes"],
        n_files=row["n_files"],
        mtime_ns=row["mtime_ns"],
        digest=row["digest"],
    )


def _take(row: sqlite3.Row, settings: dict[str, dict[str, Any]]) -> TakeRow:
    key = row["settings_key"] or ""
    plain = ("id", "path", "place", "name", "kind", "state", "log_name", "frames", "left_out")
    return TakeRow(
        **{name: row[name] for name in (*plain, "attempts", "error", "shot_at", "shot_at_from")},
        identity=identity_in(row),
        settings=settings.get(key, {}),
        settings_key=key,
        folder=row["folder"] or "",
        capture_rate=_rate(row["capture_rate"]),
        playback_rate=_rate(row["playback_rate"]),
        is_replaced=row["replaced_by"] is not None,
        slate=json.loads(row["slate"]),
    )


@cache  # a night has few rates
def _rate(text: str | None) -> Fraction | None:
    return None if text is None else Fraction(text)
