"""The catalog of a night: one SQLite file in the destination that remembers all of it.

One process writes, workers never do.  Every change is one transaction that is on the disk when
the method returns, so that a run that is killed loses no more than the takes in hand.  Readers
may look on at any time.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from flashpan.atomic import remove_left_over
from flashpan.errors import CatalogError
from flashpan.night.clock import of_file_time
from flashpan.night.database import Database
from flashpan.night.discovery import CATALOG_NAME
from flashpan.night.edits import regions_of, with_regions
from flashpan.night.found import Found, stamp
from flashpan.night.identity import TIME_STEP_NS, UNKNOWN_TIME_NS, Identity
from flashpan.night.key import said
from flashpan.night.lock import only_run
from flashpan.night.mend import Mended, mend
from flashpan.night.record import NightRecord, identity_in
from flashpan.night.results import put_clips, put_results
from flashpan.night.rows import CIRCLED, DONE, FAILED, NEW, REJECTED, RUNNING, ClipReport
from flashpan.night.sums import TO_COME

if TYPE_CHECKING:
    from flashpan.cut.plan import TrimSettings
    from flashpan.night.job import Report
    from flashpan.settings import Settings

STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class DoneTake:
    """A take that is done, and how it lay there then; see `TakeRow`.

    None for which the operator drew regions: what is asked of it has to be worked out.
    """

    id: int
    settings_key: str
    path: str
    place: str
    name: str
    kind: str
    bytes: int
    n_files: int
    mtime_ns: int
    slate: str

    def is_as(self, found: Found, settings_key: str) -> bool:
        """Whether it lies there as it did, and is to be done as it was."""
        return self.settings_key == settings_key and all(
            getattr(self, fact) == getattr(found, fact) for fact in _LYING
        )


_LYING = ("path", "place", "name", "kind", "bytes", "n_files", "mtime_ns")


def slate_text(slate: Mapping[str, str]) -> str:
    """A slate as the catalog holds it."""
    return json.dumps(dict(slate))


class Catalog(NightRecord):
    """A night's memory, open to write: `Catalog.open`.

    Attributes
    ----------
    mended : Mended or None
        What came of it where the file was damaged when it was opened.

    Raises
    ------
    CatalogError
        From every method: the file is damaged, or the disk takes no more.
    """

    mended: Mended | None = None

    @classmethod
    def open(cls, dest: str | os.PathLike[str]) -> Self:
        """Open the catalog of a destination to write; both are made if need be.

        No other run may have it open to write.  A file of an earlier version is brought up to
        this one.  What killed runs left beside it under temporary names goes.  The file is looked
        through first; a damaged one is kept under another name and made anew, see
        `flashpan.night.mend`.

        Raises
        ------
        NightBusy
            Another run is at work on this night.
        CatalogError
            The file is of a later version or no catalog, or cannot be written.
        """
        with ExitStack() as closing:
            _make_folder(dest)
            closing.enter_context(only_run(dest))
            remove_left_over(dest)
            mended = mend(dest)
            database = closing.enter_context(Database.to_write(Path(dest, CATALOG_NAME)))
            catalog = cls(dest, database, closing.pop_all())
        catalog.mended = mended
        return catalog

    @contextmanager
    def together(self) -> Iterator[None]:
        """Make all changes of a block one: faster for many, and all or none are kept."""
        with self._db.change():
            yield

    # takes

    def known_identity(self, found: Found) -> Identity | None:
        """Identity of a take that lies where it did, as it did, without reading it again."""
        row = self._db.first(
            "SELECT bytes, n_files, mtime_ns, digest FROM take WHERE path = ? AND bytes = ?"
            " AND n_files = ? AND mtime_ns = ? AND replaced_by IS NULL",
            *(found.path, found.bytes, found.n_files, found.mtime_ns),
        )
        return None if row is None else identity_in(row)

    def add(self, found: Found, identity: Identity) -> int:
        """Note a take, and return its number; one that is known keeps its own.

        Where a known take was moved or renamed, its path is brought up to date; a copy beside
        it is the same take, and its first place stays.  A take that lay where this one lies now
        is replaced by it.
        """
        known = self._same(identity)
        if known is not None and _is_as_noted(known, found):
            return int(known["id"])  # nothing to write, and no disk to wait for
        with self._db.change():
            take_id = self._insert(found, identity) if known is None else int(known["id"])
            if known is not None and self._is_its_place(known, found):
                self._move(take_id, found, identity)
            self._db.run(
                "UPDATE take SET replaced_by = ?1"
                " WHERE path = ?2 AND id <> ?1 AND replaced_by IS NULL",
                *(take_id, found.path),
            )
        return take_id

    def _same(self, identity: Identity) -> sqlite3.Row | None:
        return self._db.first(
            "SELECT * FROM take WHERE digest = ?1 AND bytes = ?2 AND n_files = ?3"
            " AND (abs(mtime_ns - ?4) <= ?5 OR mtime_ns = ?6)"
            " ORDER BY abs(mtime_ns - ?4), id LIMIT 1",
            *(identity.digest, identity.bytes, identity.n_files, identity.mtime_ns),
            *(TIME_STEP_NS, UNKNOWN_TIME_NS),
        )

    def _is_its_place(self, known: sqlite3.Row, found: Found) -> bool:
        """Whether a known take has this path from now on: not while it lies at its old one."""
        if known["path"] == found.path:
            return True
        return stamp(known["path"]) != (known["bytes"], known["n_files"], known["mtime_ns"])

    def _insert(self, found: Found, identity: Identity) -> int:
        return self._db.insert(
            "take",
            path=found.path,
            place=found.place,
            name=found.name,
            kind=found.kind,
            bytes=identity.bytes,
            n_files=identity.n_files,
            mtime_ns=identity.mtime_ns,
            digest=identity.digest,
            shot_at=of_file_time(identity.mtime_ns),
        )

    def _move(self, take_id: int, found: Found, identity: Identity) -> None:
        self._db.run(
            "UPDATE take SET path = ?, place = ?, name = ?, kind = ?, mtime_ns = ?,"
            " replaced_by = NULL WHERE id = ?",
            *(found.path, found.place, found.name, found.kind, identity.mtime_ns, take_id),
        )

    def done_as_they_lie(self) -> dict[str, DoneTake]:
        """Takes that are done, by their paths, all at once: for many it is much quicker."""
        rows = self._db.rows(_DONE_TAKES, DONE)
        return {row["path"]: DoneTake(*row) for row in rows}

    def paths(self) -> set[str]:
        """Where takes lie that were ever begun or are known, as they were seen last."""
        rows = self._db.rows("SELECT path FROM take WHERE replaced_by IS NULL")
        return {str(row["path"]) for row in rows}

    def put_to_come(self, n_takes: int) -> None:
        """Note how many takes of the source have never been begun."""
        with self._db.change():
            self._put_note(TO_COME, str(n_takes))

    def set_slate(self, take_id: int, slate: Mapping[str, str]) -> None:
        """Note what stands on a take's slate, in place of what stood there."""
        said = slate_text(slate)
        known = self._db.first("SELECT slate FROM take WHERE id = ?", take_id)
        if known is None or known["slate"] != said:  # else no disk to wait for
            self._db.run("UPDATE take SET slate = ? WHERE id = ?", said, take_id)

    def state(self, take_id: int) -> str:
        """``new``, ``running``, ``done`` or ``failed``."""
        row = self._db.first("SELECT state FROM take WHERE id = ?", take_id)
        if row is None:
            raise KeyError(take_id)
        return str(row["state"])

    def is_done(self, identity: Identity, settings_key: str) -> bool:
        """Whether a take has been done with these settings."""
        row = self._same(identity)
        return (
            row is not None and row["state"] == DONE and (row["settings_key"] or "") == settings_key
        )

    def folder_of(self, take_id: int) -> str | None:
        """Where a take's results go, once it has been begun."""
        row = self._db.first("SELECT folder FROM take WHERE id = ?", take_id)
        return None if row is None else row["folder"]

    def settings_key_of(self, take_id: int) -> str:
        """What a take was begun with last; empty where it was not."""
        row = self._db.first("SELECT settings_key FROM take WHERE id = ?", take_id)
        return "" if row is None else str(row["settings_key"] or "")

    def folders(self) -> set[str]:
        """Where the results of all takes go, replaced ones included."""
        rows = self._db.rows("SELECT folder FROM take WHERE folder IS NOT NULL")
        return {str(row["folder"]) for row in rows}

    def with_regions(self, take_id: int, settings: Settings, wanted: TrimSettings) -> Settings:
        """Add the regions that the operator drew on a take to what is asked for it.

        What was asked without them is remembered: they may be taken away again.
        """
        regions = regions_of(self._db, take_id)
        row = self._db.first("SELECT said FROM asked_before WHERE take_id = ?", take_id)
        if not regions:
            if row is not None:
                self._db.run("DELETE FROM asked_before WHERE take_id = ?", take_id)
            return settings
        said_text = json.dumps(said(settings, wanted), sort_keys=True)
        if row is None or row["said"] != said_text:
            with self._db.change():
                self._db.run(
                    "INSERT OR REPLACE INTO asked_before VALUES (?, ?)", take_id, said_text
                )
        return with_regions(settings, regions)

    # what becomes of them

    def begin(self, take_id: int, settings: dict[str, Any], settings_key: str, folder: str) -> None:
        """Note that a take is begun: one more attempt.

        Parameters
        ----------
        take_id : int
        settings : dict
            What is used, as JSON holds it.
        settings_key : str
            A hash of what counts in it: the same key, the same results.
        folder : str
            Where its results go, below the destination, with ``/``.
        """
        said = json.dumps(settings, sort_keys=True)
        with self._db.change():
            self._db.run("INSERT OR IGNORE INTO setting VALUES (?, ?)", settings_key, said)
            self._db.run(
                "UPDATE take SET state = ?, settings_key = ?, folder = ?, error = '' WHERE id = ?",
                *(RUNNING, settings_key, folder, take_id),
            )
            self._db.insert(
                "attempt",
                take_id=take_id,
                settings_key=settings_key,
                began_at=_now(),
                outcome=RUNNING,
            )

    def finish(self, take_id: int, report: Report) -> None:
        """Note what came of a take: done, or failed where the report has an error.

        Events and clips of an earlier attempt give way, unless the take could not be searched
        this time: then they are what there is.
        """
        state = FAILED if report.error else DONE
        with self._db.change():
            if report.log is not None:
                put_results(self._db, take_id, report, report.log)
            self._end(take_id, state, report.error, report.seconds, report.bytes_read)

    def fail(self, take_id: int, error: str, seconds: float = 0.0) -> None:
        """Note that a take failed and left no report: its worker died."""
        with self._db.change():
            self._end(take_id, FAILED, error, seconds)

    def release(self, take_id: int) -> None:
        """Note that a take in hand was given up unfinished: it will have its turn again."""
        with self._db.change():
            self._end(take_id, NEW, "")

    def reset_running(self) -> int:
        """Give up the takes that a killed run had in hand; return how many there were."""
        with self._db.change():
            in_hand = [row["id"] for row in self._db.rows(_IN_HAND, RUNNING)]
            for take_id in in_hand:
                self._end(take_id, NEW, "")
        return len(in_hand)

    def _end(
        self, take_id: int, state: str, error: str, seconds: float = 0.0, bytes_read: int = 0
    ) -> None:
        outcome = STOPPED if state == NEW else state
        self._db.run("UPDATE take SET state = ?, error = ? WHERE id = ?", state, error, take_id)
        self._db.run(
            "UPDATE attempt SET outcome = ?, ended_at = ?, error = ?, seconds = ?, bytes_read = ?"
            " WHERE take_id = ? AND outcome = ?",
            *(outcome, _now(), error, seconds, bytes_read, take_id, RUNNING),
        )

    # what the operator makes of them

    def set_mark(self, take_id: int, event: int, mark: str | None) -> None:
        """Mark an event as ``circled`` or ``rejected``; None takes the mark off.

        Raises
        ------
        KeyError
            The take has no event of that number.
        ValueError
            No such mark.
        """
        if mark not in (None, CIRCLED, REJECTED):
            raise ValueError(f"mark {mark!r} is none of {CIRCLED}, {REJECTED} and None")
        self._set(take_id, event, "mark", mark)

    def set_note(self, take_id: int, event: int, note: str) -> None:
        """Write a note beside an event, in place of the one that is there; empty for none.

        Raises
        ------
        KeyError
            The take has no event of that number.
        """
        self._set(take_id, event, "note", note)

    def _set(self, take_id: int, event: int, column: str, value: str | None) -> None:
        with self._db.change():
            done = self._db.run(
                f"UPDATE event SET {column} = ? WHERE take_id = ? AND number = ?",
                *(value, take_id, event),
            )
        if not done.rowcount:
            raise KeyError((take_id, event))

    def put_clips(self, take_id: int, number: int, clips: Iterable[ClipReport]) -> None:
        """Note what there is of one range now, in place of all that was."""
        with self._db.change():
            self._db.run("DELETE FROM clip WHERE take_id = ? AND number = ?", take_id, number)
            put_clips(self._db, take_id, clips)

    def put_problems(self, found: Iterable[Found]) -> None:
        """Note what could not be read in the last look at the source, in place of all before."""
        now = _now()
        with self._db.change():
            self._db.run("DELETE FROM problem")
            for one in found:
                self._db.run(
                    "INSERT OR REPLACE INTO problem VALUES (?, ?, ?, ?, ?)",
                    *(one.path, one.place, one.kind, one.problem or "", now),
                )

    def _put_note(self, name: str, value: str) -> None:
        self._db.run("INSERT OR REPLACE INTO night VALUES (?, ?)", name, value)


def mended(dest: str | os.PathLike[str]) -> Mended | None:
    """Make the catalog of a night anew where it is damaged.

    Returns
    -------
    Mended or None
        What came of it; None where it is sound.

    Raises
    ------
    NightBusy
        A run is at work on this night.
    CatalogError
        There is no night, or nothing can be written.
    """
    if not Path(dest, CATALOG_NAME).is_file():
        raise CatalogError(f"{dest}: holds no night ({CATALOG_NAME}); check the folder")
    with only_run(dest):
        return mend(dest)


_DONE_TAKES = (
    "SELECT id, ifnull(settings_key, '') AS settings_key, path, place, name, kind, bytes, n_files,"
    " mtime_ns, slate FROM take WHERE state = ? AND replaced_by IS NULL"
    " AND id NOT IN (SELECT take_id FROM take_region)"
    " AND id NOT IN (SELECT take_id FROM asked_before)"
)
_IN_HAND = "SELECT id FROM take WHERE state = ?"


def _is_as_noted(known: sqlite3.Row, found: Found) -> bool:
    facts = ("path", "place", "name", "kind", "mtime_ns")
    return known["replaced_by"] is None and all(
        known[fact] == getattr(found, fact) for fact in facts
    )


def _make_folder(dest: str | os.PathLike[str]) -> None:
    try:
        os.makedirs(dest, exist_ok=True)
    except OSError as error:
        raise CatalogError(
            f"{dest}: cannot be made ({error.strerror}); choose another folder"
        ) from error


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
