"""What can still be read in a damaged catalog.

Rows are asked for one take at a time, by their keys, so that a page that cannot be read costs no
more than the rows on it.  Nothing is written into the file.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

Row = dict[str, Any]

OF_TAKE = (
    *("trim_range", "event", "clip", "warning", "range_edit", "take_region", "asked_before"),
    *("attempt", "review_step"),
)
"""Tables whose rows belong to a take, in the order in which they can be put back."""
JUDGED = frozenset({"event", "range_edit", "take_region", "review_step"})
"""Tables of which the operator's work is a part."""
_SMALLEST_ROW_BYTES = 40
_MOST_TAKES = 1_000_000


@dataclass(slots=True)
class Salvaged:
    """Rows of a damaged catalog.

    Attributes
    ----------
    tables : dict of str to list of dict
        Rows by table; ``night`` and ``problem``, which every run writes anew, are left out.
    hurt : set of int
        Takes some rows of which cannot be read.
    judged_hurt : set of int
        Takes of which work of the operator may be among those rows.
    is_open : bool
        False where nothing in it can be read at all.
    """

    tables: dict[str, list[Row]] = field(default_factory=dict)
    hurt: set[int] = field(default_factory=set)
    judged_hurt: set[int] = field(default_factory=set)
    is_open: bool = False


def salvage(path: Path) -> Salvaged:
    """Read what can be read of a catalog; a write-ahead log beside it is folded in first."""
    found = Salvaged()
    if not path.is_file() or not path.stat().st_size:
        return found
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            connection.text_factory = lambda text: text.decode("utf-8", "surrogateescape")
            connection.row_factory = _as_dict
            _read(connection, path.stat().st_size, found)
    except sqlite3.Error:
        return found
    return found


def _as_dict(cursor: sqlite3.Cursor, values: tuple[Any, ...]) -> Row:
    return {column[0]: value for column, value in zip(cursor.description, values, strict=True)}


def _read(connection: sqlite3.Connection, n_bytes: int, found: Salvaged) -> None:
    known = {row["name"] for row in connection.execute("SELECT name FROM sqlite_master")}
    found.is_open = "take" in known
    if not found.is_open:
        return
    ids = _take_ids(connection, n_bytes)
    takes = found.tables["take"] = list(_by_key(connection, "take", "id", ids, found.hurt))
    for table in OF_TAKE:
        if table in known:
            hurt: set[int] = set()
            numbers = [row["id"] for row in takes]
            rows = list(_by_key(connection, table, "take_id", numbers, hurt))
            found.tables[table] = rows
            found.hurt |= hurt
            found.judged_hurt |= hurt if table in JUDGED else set()
    keys = {row["settings_key"] for row in takes if row["settings_key"]}
    keys |= {row["settings_key"] for row in found.tables.get("attempt", ())}
    found.tables["setting"] = list(_by_key(connection, "setting", "key", sorted(keys), set()))


def _take_ids(connection: sqlite3.Connection, n_bytes: int) -> Iterable[int]:
    """Numbers that takes may have."""
    try:
        (row,) = connection.execute("SELECT max(id) AS most FROM take")
        return range(1, int(row["most"] or 0) + 1)
    except (sqlite3.Error, ValueError):
        return range(1, min(n_bytes // _SMALLEST_ROW_BYTES, _MOST_TAKES))


def _by_key(
    connection: sqlite3.Connection,
    table: str,
    key: str,
    values: Iterable[Any],
    hurt: set[Any],
) -> Iterator[Row]:
    for value in values:
        try:
            yield from connection.execute(f"SELECT * FROM {table} WHERE {key} = ?", (value,))
        except sqlite3.Error:
            hurt.add(value)
