"""SQLite as the catalog uses it: text that need not be Unicode, errors of one line.

Journal: SQLite's write-ahead log, so that others may read while one writes; the older rollback
journal on network disks, where that log must not be used.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from flashpan.errors import CatalogError
from flashpan.night.disks import is_on_network
from flashpan.night.schema import VERSION, migrate, require_known, version_of

Value = str | bytes | int | float | None
_PATIENCE_S = 10.0


class Database:
    """A connection; every `sqlite3.Error` leaves it as a `CatalogError`."""

    def __init__(self, path: Path, connection: sqlite3.Connection, *, writes: bool) -> None:
        self.path, self.writes = path, writes
        self._connection = connection
        self._depth = 0
        connection.row_factory = _row

    @classmethod
    @contextmanager
    def to_write(cls, path: Path) -> Iterator[Database]:
        """Open or make a file, at the present version, and close it after the block."""
        with _told(path), _closing(_connect(path)) as connection:
            require_known(connection, path)
            journal = "DELETE" if is_on_network(path.parent) else "WAL"
            connection.execute(f"PRAGMA journal_mode = {journal}").fetchone()
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")
            migrate(connection)
            yield cls(path, connection, writes=True)

    @classmethod
    @contextmanager
    def to_read(cls, path: Path) -> Iterator[Database]:
        """Open a file of the present version to look only, and close it after the block."""
        with _told(path), _closing(_connected_to_read(path)) as connection:
            require_known(connection, path)
            if version_of(connection) < VERSION:
                raise CatalogError(
                    f"{path}: is of an earlier version ({version_of(connection)} of {VERSION});"
                    " run flashpan ingest on it once, which brings it up to date"
                )
            yield cls(path, connection, writes=False)

    @contextmanager
    def change(self) -> Iterator[None]:
        """One transaction, on the disk when the block ends well; inner ones are part of it."""
        self._depth += 1
        try:
            if self._depth == 1:
                self.run("BEGIN IMMEDIATE")
            yield
            if self._depth == 1:
                self.run("COMMIT")
        except BaseException:
            if self._depth == 1 and self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        finally:
            self._depth -= 1

    @contextmanager
    def looking(self) -> Iterator[None]:
        """All answers of a block are of one moment, whatever others write meanwhile."""
        if self._connection.in_transaction:
            yield
            return
        self.run("BEGIN")
        try:
            yield
        finally:
            self._connection.execute("ROLLBACK")

    def run(self, sql: str, *values: Value) -> sqlite3.Cursor:
        """Carry out one statement."""
        with _told(self.path):
            return self._connection.execute(sql, [_stored(value) for value in values])

    def insert(self, table: str, **columns: Value) -> int:
        """Add a row, and return its number."""
        names = ", ".join(f'"{name}"' for name in columns)
        marks = ", ".join("?" * len(columns))
        cursor = self.run(f"INSERT INTO {table} ({names}) VALUES ({marks})", *columns.values())
        return int(cursor.lastrowid or 0)

    def first(self, sql: str, *values: Value) -> sqlite3.Row | None:
        """The first row of an answer, if any."""
        return next(self.rows(sql, *values), None)

    def rows(self, sql: str, *values: Value) -> Iterator[sqlite3.Row]:
        """The rows of an answer, one after the other."""
        with _told(self.path):
            yield from self._connection.execute(sql, [_stored(value) for value in values])

    def faults(self) -> list[str]:
        """What is wrong with the file; nothing where it is sound."""
        texts = [str(row[0]) for row in self.rows("PRAGMA integrity_check")]
        lost = [
            f"row without its take in {row[0]}" for row in self.rows("PRAGMA foreign_key_check")
        ]
        return [text for text in texts if text != "ok"] + lost


def _connect(path: Path, *, uri: str = "") -> sqlite3.Connection:
    return sqlite3.connect(
        uri or os.fspath(path), uri=bool(uri), timeout=_PATIENCE_S, isolation_level=None
    )


def _connected_to_read(path: Path) -> sqlite3.Connection:
    """A connection that changes nothing, also on a disk that takes nothing."""
    uri = path.absolute().as_uri()
    # one that may not write at all would leave the files of the write-ahead log behind
    connection = _connect(path, uri=f"{uri}?mode=rw")
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        connection.close()  # the log of writes cannot be set up: nobody writes there
        return _connect(path, uri=f"{uri}?immutable=1")
    connection.execute("PRAGMA query_only = ON")
    return connection


@contextmanager
def _closing(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    try:
        yield connection
    finally:
        connection.close()


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn what SQLite raises into one line with the cure."""
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise _damaged(path, str(error)) from error
        raise CatalogError(f"{path}: {error}; {_cure(code)}") from error


def _damaged(path: Path, what: str) -> CatalogError:
    return CatalogError(
        f"{path}: is damaged ({what}); flashpan verify --mend {path.parent} keeps it under another"
        " name and makes it anew, as the next ingest does"
    )


def _cure(code: int) -> str:
    if code == sqlite3.SQLITE_FULL:
        return "free some space and run again"
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return "another program has it open; close that and run again"
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return "choose a folder you may write to"
    return "check the disk and run again"


def _stored(value: Value) -> Value:
    """Text as SQLite takes it: a file name that is no Unicode is stored as its bytes."""
    if not isinstance(value, str):
        return value
    try:
        value.encode()
    except UnicodeEncodeError:
        return value.encode(errors="surrogateescape" if _is_of_bytes(value) else "backslashreplace")
    return value


def _is_of_bytes(text: str) -> bool:
    """Whether what is no Unicode in a text are bytes of a file name."""
    return all("\udc80" <= char <= "\udcff" for char in text if "\ud800" <= char <= "\udfff")


def _row(cursor: sqlite3.Cursor, values: tuple[Any, ...]) -> sqlite3.Row:
    if bytes in map(type, values):
        values = tuple(os.fsdecode(v) if isinstance(v, bytes) else v for v in values)
    return sqlite3.Row(cursor, values)
