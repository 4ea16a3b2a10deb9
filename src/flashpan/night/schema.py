"""The tables of a night's catalog, and the steps from each version of them to the next.

``PRAGMA user_version`` counts the steps that a file has been through; a new file goes through
all of them.  A step is never changed once it has been in use: what is to be otherwise is a
step of its own.  Frames are inclusive, times are UTC in ISO 8601, rates text of an exact
fraction, paths and names text, or bytes where a name is no Unicode.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from flashpan.errors import CatalogError

APPLICATION_ID = 0x666C7061
"""What tells the file from other databases: ``flpa`` in ASCII."""

_FIRST = """
CREATE TABLE night (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE setting (
    key TEXT PRIMARY KEY,
    said TEXT NOT NULL CHECK (json_valid(said))
) WITHOUT ROWID;

CREATE TABLE take (
    id INTEGER PRIMARY KEY,
    path TEXT NOT NULL,
    place TEXT NOT NULL,
    name TEXT NOT NULL,
    kind TEXT NOT NULL,
    bytes INTEGER NOT NULL,
    n_files INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL,
    digest TEXT NOT NULL,
    state TEXT NOT NULL DEFAULT 'new' CHECK (state IN ('new', 'running', 'done', 'failed')),
    settings_key TEXT REFERENCES setting (key),
    folder TEXT,
    log_name TEXT NOT NULL DEFAULT '',
    frames INTEGER NOT NULL DEFAULT 0,
    capture_rate TEXT,
    playback_rate TEXT,
    left_out INTEGER NOT NULL DEFAULT 0,
    error TEXT NOT NULL DEFAULT '',
    replaced_by INTEGER REFERENCES take (id)
);
CREATE INDEX take_by_path ON take (path);
CREATE INDEX take_by_digest ON take (digest);

CREATE TABLE attempt (
    id INTEGER PRIMARY KEY,
    take_id INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    settings_key TEXT NOT NULL REFERENCES setting (key),
    began_at TEXT NOT NULL,
    ended_at TEXT,
    outcome TEXT NOT NULL CHECK (outcome IN ('running', 'done', 'failed', 'stopped')),
    error TEXT NOT NULL DEFAULT '',
    seconds REAL NOT NULL DEFAULT 0,
    bytes_read INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX attempt_by_take ON attempt (take_id);

CREATE TABLE trim_range (
    take_id INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    number INTEGER NOT NULL,
    first INTEGER NOT NULL,
    last INTEGER NOT NULL CHECK (last >= first),
    PRIMARY KEY (take_id, number)
) WITHOUT ROWID;

CREATE TABLE event (
    take_id INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    number INTEGER NOT NULL,
    onset INTEGER NOT NULL,
    peak INTEGER NOT NULL,
    "end" INTEGER NOT NULL CHECK ("end" >= onset),
    kind TEXT NOT NULL,
    detector TEXT NOT NULL,
    strength REAL NOT NULL,
    chance REAL NOT NULL,
    x INTEGER NOT NULL,
    y INTEGER NOT NULL,
    width INTEGER NOT NULL,
    height INTEGER NOT NULL,
    onset_s REAL,
    trim_range INTEGER,
    PRIMARY KEY (take_id, number),
    FOREIGN KEY (take_id, trim_range) REFERENCES trim_range (take_id, number)
) WITHOUT ROWID;

CREATE TABLE clip (
    take_id INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    number INTEGER NOT NULL,
    form TEXT NOT NULL,
    name TEXT NOT NULL,
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    frames INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    way TEXT NOT NULL,
    proof TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    PRIMARY KEY (take_id, number, form),
    FOREIGN KEY (take_id, number) REFERENCES trim_range (take_id, number)
) WITHOUT ROWID;

CREATE TABLE warning (
    take_id INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    number INTEGER NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (take_id, number)
) WITHOUT ROWID;

CREATE TABLE problem (
    path TEXT PRIMARY KEY,
    place TEXT NOT NULL,
    kind TEXT NOT NULL,
    text TEXT NOT NULL,
    seen_at TEXT NOT NULL
) WITHOUT ROWID;
"""

_WHEN_SHOT = """
ALTER TABLE take ADD COLUMN shot_at TEXT NOT NULL DEFAULT '';
ALTER TABLE take ADD COLUMN shot_at_from TEXT NOT NULL DEFAULT 'file';
UPDATE take SET
    shot_at = strftime('%Y-%m-%dT%H:%M:%S+00:00', mtime_ns / 1000000000, 'unixepoch');
"""

_MARKS = """
ALTER TABLE event ADD COLUMN mark TEXT CHECK (mark IN ('circled', 'rejected'));
ALTER TABLE event ADD COLUMN note TEXT NOT NULL DEFAULT '';
"""

_SLATE = """
ALTER TABLE take ADD COLUMN slate TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(slate));
"""

_REVIEW = """
CREATE TABLE range_edit (
    take_id INTEGER NOT NULL,
    number INTEGER NOT NULL,
    first INTEGER NOT NULL CHECK (first >= 0),
    last INTEGER NOT NULL CHECK (last >= first),
    PRIMARY KEY (take_id, number),
    FOREIGN KEY (take_id, number) REFERENCES trim_range (take_id, number) ON DELETE CASCADE
) WITHOUT ROWID;

CREATE TABLE take_region (
    take_id INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    number INTEGER NOT NULL,
    role TEXT NOT NULL CHECK (role IN ('look', 'ignore')),
    x INTEGER NOT NULL CHECK (x >= 0),
    y INTEGER NOT NULL CHECK (y >= 0),
    width INTEGER NOT NULL CHECK (width > 0),
    height INTEGER NOT NULL CHECK (height > 0),
    PRIMARY KEY (take_id, number)
) WITHOUT ROWID;

CREATE TABLE asked_before (
    take_id INTEGER PRIMARY KEY REFERENCES take (id) ON DELETE CASCADE,
    said TEXT NOT NULL CHECK (json_valid(said))
);

CREATE TABLE review_step (
    id INTEGER PRIMARY KEY,
    made_at TEXT NOT NULL,
    take_id INTEGER NOT NULL REFERENCES take (id) ON DELETE CASCADE,
    what TEXT NOT NULL CHECK (what IN ('mark', 'note', 'range', 'regions')),
    number INTEGER NOT NULL,
    before TEXT NOT NULL CHECK (json_valid(before)),
    after TEXT NOT NULL CHECK (json_valid(after)),
    is_undone INTEGER NOT NULL DEFAULT 0
);
"""

STEPS: tuple[str, ...] = (_FIRST, _WHEN_SHOT, _MARKS, _SLATE, _REVIEW)
"""SQL from each version to the next."""

VERSION = len(STEPS)


def version_of(connection: sqlite3.Connection) -> int:
    """How many steps a file has been through; 0 for a new one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def require_known(connection: sqlite3.Connection, path: object) -> None:
    """Refuse a file that is no catalog, or of a version to come.

    Raises
    ------
    CatalogError
        One line with the cure.
    """
    mark = int(connection.execute("PRAGMA application_id").fetchone()[0])
    is_empty = not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if mark != APPLICATION_ID and not is_empty:
        raise CatalogError(f"{path}: is not the catalog of a night; move it away")
    if version_of(connection) > VERSION:
        raise CatalogError(
            f"{path}: is of version {version_of(connection)}, made by a later flashpan, and this"
            f" one knows {VERSION}; update flashpan"
        )


def migrate(connection: sqlite3.Connection) -> int:
    """Bring a file to the present version, whole or not at all: a new one is empty or complete.

    Returns
    -------
    int
        The version it had before.
    """
    before = version_of(connection)
    if before < VERSION:
        _take_steps(connection, STEPS[before:])
    return before


def _take_steps(connection: sqlite3.Connection, steps: Sequence[str]) -> None:
    step = " ".join(steps)
    try:
        connection.executescript(
            f"BEGIN IMMEDIATE; {step}"
            f" PRAGMA application_id = {APPLICATION_ID};"
            f" PRAGMA user_version = {VERSION}; COMMIT;"
        )
    except sqlite3.Error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
