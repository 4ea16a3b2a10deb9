"""A damaged catalog: kept under a name that says so, and made anew.

What can be read of it is taken over, with all that the operator did; takes of which that is not
all are made up from their event logs and clips.  The new file is whole before it gets its name;
killed at any moment, the next run does what is left to do.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Collection
from contextlib import closing, suppress
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

from flashpan.atomic import new_file, scratch_file, sync_folder
from flashpan.errors import CatalogError
from flashpan.night.database import Database
from flashpan.night.discovery import CATALOG_NAME
from flashpan.night.fromlogs import Logged, logged_takes
from flashpan.night.results import put_results
from flashpan.night.rows import DONE, FAILED, NEW, RUNNING
from flashpan.night.salvage import OF_TAKE, Row, Salvaged, salvage
from flashpan.night.schema import APPLICATION_ID

_EDITS = "range_edit"
_MENDED = "night.mended.sqlite"
_BESIDE = ("-wal", "-shm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mended:
    """What came of a damaged catalog.

    Attributes
    ----------
    kept : Path
        The damaged file, as it was.
    damage : str
        What was wrong.
    n_read, n_completed, n_rebuilt : int
        Takes that could be read, those of them that their logs made whole, and those that are
        known from their logs alone.
    n_unjudged : int
        Takes whose marks, notes, ranges or regions may be lost.
    """

    kept: Path
    damage: str
    n_read: int
    n_completed: int
    n_rebuilt: int
    n_unjudged: int

    def __str__(self) -> str:
        """One line that says what was lost, too."""
        lost = (
            f"marks, notes and ranges of a review are lost of {self.n_unjudged} takes, unless"
            f" somebody can read them in {self.kept.name}"
            if self.n_unjudged
            else "nothing of a review is lost"
        )
        return (
            f"{self.kept.with_name(CATALOG_NAME)}: was damaged ({self.damage}) and has been made"
            f" anew; it is kept as {self.kept.name}; {self.n_read} takes could be read, of"
            f" {self.n_completed} of them logs and clips told the rest, {self.n_rebuilt} are made"
            f" up from their logs; {lost}"
        )


def mend(dest: str | os.PathLike[str]) -> Mended | None:
    """Make the catalog of a night anew where it is damaged; to be called by its only run.

    Returns
    -------
    Mended or None
        None where it is sound, or there is none.

    Raises
    ------
    CatalogError, TakeError
        The disk takes no more, or cannot be read.
    """
    folder = Path(dest)
    if (folder / _MENDED).exists():  # a run before this one was killed at its last step
        _switch(folder)
    damage = damage_of(folder / CATALOG_NAME)
    if not damage:
        return None
    kept = _kept(folder / CATALOG_NAME)
    with scratch_file(folder) as copy:
        found = salvage(_copied(kept, copy))
        for ending in _BESIDE:
            Path(f"{copy}{ending}").unlink(missing_ok=True)
    counted = _made_anew(folder, found)
    _switch(folder)
    return Mended(kept=kept, damage=damage, **counted)


def damage_of(path: Path) -> str:
    """What is wrong with a catalog, one line; empty where it is sound, foreign or not there."""
    try:
        n_bytes = path.stat().st_size
    except OSError:
        return ""
    if not n_bytes:
        return "it is empty" if _has_results(path.parent) else ""
    try:
        with closing(sqlite3.connect(path, timeout=10.0)) as connection:
            return _faults(connection, path.parent)
    except sqlite3.DatabaseError as error:
        is_damage = (getattr(error, "sqlite_errorcode", 0) & 0xFF) in (
            sqlite3.SQLITE_CORRUPT,
            sqlite3.SQLITE_NOTADB,
        )
        return str(error) if is_damage else ""  # else it will be said when it is opened


def _faults(connection: sqlite3.Connection, folder: Path) -> str:
    if not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        return "it holds nothing" if _has_results(folder) else ""
    if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        return ""
    text = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    return "" if text == "ok" else " ".join(text.replace("*", " ").split())


def _has_results(folder: Path) -> bool:
    return next(iter(logged_takes(folder)), None) is not None


def _kept(path: Path) -> Path:
    """Copy a damaged file, and what SQLite keeps beside it, to a name that is free."""
    names = (path.with_name(f"night.damaged-{number}.sqlite") for number in count(1))
    kept = next(name for name in names if not os.path.lexists(name))
    for ending in (*_BESIDE[:1], ""):  # the catalog last: then all of it is there
        source = Path(f"{path}{ending}")
        if source.exists():
            with new_file(f"{kept}{ending}") as part:
                shutil.copyfile(source, part)
    return kept


def _copied(kept: Path, copy: Path) -> Path:
    """A copy to be looked into: SQLite would change what was kept."""
    for ending in ("", *_BESIDE[:1]):
        with suppress(FileNotFoundError):
            shutil.copyfile(f"{kept}{ending}", f"{copy}{ending}")
    return copy


def _switch(folder: Path) -> None:
    """Give the new catalog its name; the old one's log of writes must not be taken for its own."""
    path = folder / CATALOG_NAME
    try:
        for ending in _BESIDE:
            Path(f"{path}{ending}").unlink(missing_ok=True)
        (folder / _MENDED).replace(path)
        sync_folder(folder)
    except OSError as error:
        raise CatalogError(
            f"{path}: cannot be replaced ({error.strerror}); choose a folder you may write to"
        ) from error


def _made_anew(folder: Path, found: Salvaged) -> dict[str, int]:
    with new_file(folder / _MENDED) as part:
        with Database.to_write(part) as db, db.change():
            hurt = _put_back(db, found)
            counted = _add_logged(db, folder, found, hurt)
            for row in found.tables.get(_EDITS, ()):  # now that all ranges are there
                _put(db, _EDITS, row)
        for ending in _BESIDE:
            Path(f"{part}{ending}").unlink(missing_ok=True)
    return counted


def _put_back(db: Database, found: Salvaged) -> set[int]:
    """Put the rows that were read into a new file; gives takes of which not all fits."""
    hurt = set(found.hurt)
    for row in found.tables.get("setting", ()):
        _put(db, "setting", row)
    known = {row["key"] for row in db.rows("SELECT key FROM setting")}
    takes = found.tables.get("take", [])
    for row in takes:
        key = row["settings_key"] if row["settings_key"] in known else None
        state = NEW if row["state"] == RUNNING else row["state"]
        if not _put(db, "take", row | {"settings_key": key, "state": state, "replaced_by": None}):
            hurt.add(row["id"])
    for row in takes:
        if row["replaced_by"] is not None:
            _try(lambda row=row: _replace(db, row))  # type: ignore[misc]
    for table in OF_TAKE:
        for row in found.tables.get(table, ()) if table != _EDITS else ():
            if not _put(db, table, row):
                hurt.add(row["take_id"])
                # its mark goes over to the log's event, whatever became of its range
                _put(db, table, row | {"trim_range": None} if table == "event" else row)
    return hurt


def _replace(db: Database, row: Row) -> None:
    db.run("UPDATE take SET replaced_by = ? WHERE id = ?", row["replaced_by"], row["id"])


def _put(db: Database, table: str, row: Row) -> bool:
    """Add a row; false where it makes no sense."""
    return _try(lambda: db.insert(table, **row))


def _try(work: Callable[[], Any]) -> bool:
    try:
        work()
    except CatalogError as error:
        if not isinstance(error.__cause__, sqlite3.IntegrityError):
            raise
        return False
    return True


def _add_logged(
    db: Database, folder: Path, found: Salvaged, hurt: Collection[int]
) -> dict[str, int]:
    """Make takes whole from their logs, and add those that only logs tell of."""
    known = {str(row["folder"]): int(row["id"]) for row in db.rows(_FOLDERS)}
    n_read, n_completed, n_rebuilt = len(known), 0, 0
    for taken in logged_takes(folder):
        take_id = known.get(taken.folder)
        if take_id is None:
            _finish(db, _add(db, taken), taken)
            n_rebuilt += 1
        elif take_id in hurt:
            _finish(db, take_id, taken)
            n_completed += 1
    return {
        "n_read": n_read,
        "n_completed": n_completed,
        "n_rebuilt": n_rebuilt,
        "n_unjudged": n_rebuilt + len(found.judged_hurt),
    }


def _add(db: Database, taken: Logged) -> int:
    facts = taken.found
    return db.insert(
        "take",
        path=facts.path,
        place=facts.place,
        name=facts.name,
        kind=facts.kind,
        bytes=facts.bytes,
        n_files=facts.n_files,
        mtime_ns=facts.mtime_ns,
        digest=taken.identity.digest,
        folder=taken.folder,
    )


def _finish(db: Database, take_id: int, taken: Logged) -> None:
    report = taken.report
    assert report.log is not None
    put_results(db, take_id, report, report.log)
    state = FAILED if report.error else DONE
    db.run("UPDATE take SET state = ?, error = ? WHERE id = ?", state, report.error, take_id)


_FOLDERS = "SELECT id, folder FROM take WHERE folder IS NOT NULL"
