"""Marks and notes of a take that is done once more: they go over to the same events.

Other settings, or another version, may find an event a little earlier or longer.  A mark goes to
the event that shares most frames with the one that was marked; a mark that fits no event stays as
a warning of the take, since what somebody wrote must not be lost in silence.
"""

from __future__ import annotations

from dataclasses import dataclass

from flashpan.night.database import Database


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """An event that has a mark or a note; frames inclusive."""

    onset: int
    end: int
    mark: str | None
    note: str


def marks_of(db: Database, take_id: int) -> list[Judged]:
    """Events of a take that somebody has judged, in order."""
    rows = db.rows(
        'SELECT onset, "end", mark, note FROM event'
        " WHERE take_id = ? AND (mark IS NOT NULL OR note <> '') ORDER BY number",
        take_id,
    )
    return [Judged(**dict(row)) for row in rows]


def put_marks(db: Database, take_id: int, judged: list[Judged]) -> None:
    """Give marks and notes to the events that a take has now."""
    for one in judged:
        number = _same_event(db, take_id, one)
        if number is None:
            _say_lost(db, take_id, one)
            continue
        db.run(
            "UPDATE event SET mark = ifnull(mark, ?),"
            " note = note || CASE WHEN note = '' OR ? = '' THEN '' ELSE '; ' END || ?"
            " WHERE take_id = ? AND number = ?",
            *(one.mark, one.note, one.note, take_id, number),
        )


def _same_event(db: Database, take_id: int, judged: Judged) -> int | None:
    """The event with most frames in common."""
    row = db.first(
        'SELECT number, min("end", ?1) - max(onset, ?2) AS shared FROM event'
        " WHERE take_id = ?3 AND shared >= 0 ORDER BY shared DESC, number LIMIT 1",
        *(judged.end, judged.onset, take_id),
    )
    return None if row is None else int(row["number"])


def _say_lost(db: Database, take_id: int, judged: Judged) -> None:
    said = ", ".join(filter(None, (judged.mark, judged.note and f"note {judged.note!r}")))
    text = f"an event at frames {judged.onset}-{judged.end} ({said}) is not found any more"
    db.run(
        "INSERT INTO warning SELECT ?1, ifnull(max(number) + 1, 0), ?2 FROM warning"
        " WHERE take_id = ?1",
        *(take_id, text),
    )
