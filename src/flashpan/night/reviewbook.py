"""The operator's changes to a night: saved at once, and undone one by one.

Unlike a run, it takes no lock: marks may be set while takes are still being ingested.  Every change
is one short transaction, and every step remembers what there was before.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from flashpan.errors import CatalogError, UsageError
from flashpan.night.database import Database
from flashpan.night.discovery import CATALOG_NAME
from flashpan.night.edits import IGNORE, LOOK, DrawnRegion, edits_of, regions_of
from flashpan.night.record import NightRecord
from flashpan.night.rows import CIRCLED, REJECTED

MOST_NOTE_CHARS = 2000
_MOST_STEPS = 1000


class UnknownRow(UsageError):
    """A take, event or range that the night does not have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewStep:
    """One change.

    Attributes
    ----------
    id, take_id, number : int
        Of the step, of its take, and of the event or range in it.
    what : str
        ``mark``, ``note``, ``range`` or ``regions``.
    before, after
        What it was and became, as JSON holds it.
    """

    id: int
    take_id: int
    what: str
    number: int
    before: Any
    after: Any


class ReviewBook(NightRecord):
    """A night, open to be judged: `ReviewBook.open`.

    Raises
    ------
    CatalogError
        From every method: the file is damaged, or the disk takes no more.
    UnknownRow
        The take, event or range is not there.
    """

    @classmethod
    def open(cls, dest: str | os.PathLike[str]) -> Self:
        """Open the catalog of a night; one of an earlier version is brought up to date.

        Raises
        ------
        CatalogError
            There is none, it is damaged, of a later version, or cannot be written.
        """
        path = Path(dest, CATALOG_NAME)
        if not path.is_file():
            raise CatalogError(f"{dest}: holds no night ({CATALOG_NAME}); check the folder")
        with ExitStack() as closing:
            database = closing.enter_context(Database.to_write(path))
            return cls(dest, database, closing.pop_all())

    # what there is

    def regions(self, take_id: int) -> list[DrawnRegion]:
        """Regions that were drawn on a take."""
        return regions_of(self._db, take_id)

    def asked_before(self, take_id: int) -> dict[str, Any] | None:
        """What a take was last asked for without the regions drawn on it, if there were any."""
        row = self._db.first("SELECT said FROM asked_before WHERE take_id = ?", take_id)
        return None if row is None else dict(json.loads(row["said"]))

    def next_undo(self) -> ReviewStep | None:
        """The step that `undo` takes back."""
        return self._step("is_undone = 0 ORDER BY id DESC")

    def next_redo(self) -> ReviewStep | None:
        """The step that `redo` makes again."""
        return self._step("is_undone = 1 ORDER BY id")

    def _step(self, which: str) -> ReviewStep | None:
        row = self._db.first(
            "SELECT id, take_id, what, number, before, after FROM review_step"
            f" WHERE {which} LIMIT 1"
        )
        if row is None:
            return None
        facts = dict(row)
        before, after = json.loads(facts.pop("before")), json.loads(facts.pop("after"))
        return ReviewStep(**facts, before=before, after=after)

    # what becomes of it

    def mark(self, take_id: int, event: int, mark: str | None) -> None:
        """Circle or reject an event; None takes the mark off.

        Raises
        ------
        UsageError
            No such mark.
        """
        if mark not in (None, CIRCLED, REJECTED):
            raise UsageError(f"mark {mark!r} is none of {CIRCLED}, {REJECTED} and none")
        self._change("mark", take_id, event, mark)

    def note(self, take_id: int, event: int, text: str) -> None:
        """Write a note beside an event; empty for none.

        Raises
        ------
        UsageError
            It is longer than 2000 characters.
        """
        if len(text) > MOST_NOTE_CHARS:
            raise UsageError(f"a note has {MOST_NOTE_CHARS} characters at most; shorten it")
        self._change("note", take_id, event, text.strip())

    def set_range(self, take_id: int, number: int, first: int, last: int) -> None:
        """Say where a range begins and ends; frames inclusive.

        Raises
        ------
        UsageError
            The frames are not in the take, or in the wrong order.
        """
        row = self._db.first("SELECT frames FROM take WHERE id = ?", take_id)
        found = self._db.first(
            "SELECT first, last FROM trim_range WHERE take_id = ? AND number = ?", take_id, number
        )
        if row is None or found is None:
            raise UnknownRow(f"take {take_id} has no range {number}")
        start = self._first_searched(take_id)
        if not start <= first <= last < start + row["frames"]:
            raise UsageError(
                f"frames {first} to {last}: give frames from {start} to"
                f" {start + row['frames'] - 1}, the first one first"
            )
        as_found = (found["first"], found["last"]) == (first, last)
        self._change("range", take_id, number, None if as_found else [first, last])

    def _first_searched(self, take_id: int) -> int:
        row = self._db.first(
            "SELECT json_extract(said, '$.find.first') AS first FROM take"
            " JOIN setting ON setting.key = take.settings_key WHERE take.id = ?",
            take_id,
        )
        return int(row["first"] or 0) if row is not None else 0

    def set_regions(self, take_id: int, regions: list[DrawnRegion]) -> None:
        """Say where to look in a take, in place of what was drawn before.

        Raises
        ------
        UsageError
            A region without size, or of no such role.
        """
        for region in regions:
            if region.role not in (LOOK, IGNORE):
                raise UsageError(f"region {region.role!r} is none of {LOOK} and {IGNORE}")
            if min(region.x, region.y) < 0 or min(region.width, region.height) < 1:
                raise UsageError("a region has a width and a height and lies in the picture")
        self._change("regions", take_id, 0, [asdict(region) for region in regions])

    def undo(self) -> ReviewStep | None:
        """Take back the last step that stands; None where there is none."""
        return self._again(self.next_undo, lambda step: step.before, is_undone=True)

    def redo(self) -> ReviewStep | None:
        """Make again the step that was taken back last; None where there is none."""
        return self._again(self.next_redo, lambda step: step.after, is_undone=False)

    def _again(
        self,
        which: Callable[[], ReviewStep | None],
        value: Callable[[ReviewStep], Any],
        *,
        is_undone: bool,
    ) -> ReviewStep | None:
        with self._db.change():
            step = which()
            if step is not None:
                _PUT[step.what](self._db, step.take_id, step.number, value(step))
                self._db.run(
                    "UPDATE review_step SET is_undone = ? WHERE id = ?", is_undone, step.id
                )
        return step

    def _change(self, what: str, take_id: int, number: int, after: Any) -> None:
        """Make a change and remember what there was; steps that were undone are forgotten."""
        with self._db.change():
            before = _GET[what](self._db, take_id, number)
            if before == after:
                return
            _PUT[what](self._db, take_id, number, after)
            self._db.run("DELETE FROM review_step WHERE is_undone = 1")
            step = self._db.insert(
                "review_step",
                made_at=datetime.now(UTC).isoformat(timespec="milliseconds"),
                take_id=take_id,
                what=what,
                number=number,
                before=json.dumps(before),
                after=json.dumps(after),
            )
            self._db.run("DELETE FROM review_step WHERE id <= ?", step - _MOST_STEPS)


def _column(name: str) -> Callable[[Database, int, int], Any]:
    def get(db: Database, take_id: int, number: int) -> Any:
        row = db.first(
            f"SELECT {name} FROM event WHERE take_id = ? AND number = ?", take_id, number
        )
        if row is None:
            raise UnknownRow(f"take {take_id} has no event {number}")
        return row[name]

    return get


def _put_column(name: str) -> Callable[[Database, int, int, Any], None]:
    def put(db: Database, take_id: int, number: int, value: Any) -> None:
        db.run(
            f"UPDATE event SET {name} = ? WHERE take_id = ? AND number = ?",
            *(value, take_id, number),
        )

    return put


def _range(db: Database, take_id: int, number: int) -> Any:
    edits = {edit.number: [edit.first, edit.last] for edit in edits_of(db, take_id)}
    return edits.get(number)


def _put_range(db: Database, take_id: int, number: int, value: Any) -> None:
    db.run("DELETE FROM range_edit WHERE take_id = ? AND number = ?", take_id, number)
    if value is not None:
        db.insert("range_edit", take_id=take_id, number=number, first=value[0], last=value[1])


def _regions(db: Database, take_id: int, number: int) -> Any:
    if db.first("SELECT id FROM take WHERE id = ?", take_id) is None:
        raise UnknownRow(f"the night has no take {take_id}")
    return [asdict(region) for region in regions_of(db, take_id)]


def _put_regions(db: Database, take_id: int, number: int, value: Any) -> None:
    db.run("DELETE FROM take_region WHERE take_id = ?", take_id)
    for place, region in enumerate(value):
        db.insert("take_region", take_id=take_id, number=place, **region)


_GET = {"mark": _column("mark"), "note": _column("note"), "range": _range, "regions": _regions}
_PUT = {
    "mark": _put_column("mark"),
    "note": _put_column("note"),
    "range": _put_range,
    "regions": _put_regions,
}
