"""What came of a take, put into the catalog."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from flashpan.night.database import Database
from flashpan.night.edits import edits_of, put_edits
from flashpan.night.marks import marks_of, put_marks
from flashpan.night.rows import ClipReport

if TYPE_CHECKING:
    from flashpan.night.job import Report

_OF_EVENT = ("onset", "peak", "end", "kind", "detector", "strength", "chance", "onset_s")
_OF_CLIP = ClipReport.__slots__


def put_results(db: Database, take_id: int, report: Report, log: dict[str, Any]) -> None:
    """Put what came of a take in place of what is there of it, and keep the operator's marks."""
    judged, edited = marks_of(db, take_id), edits_of(db, take_id)
    for table in ("event", "clip", "trim_range", "warning"):
        db.run(f"DELETE FROM {table} WHERE take_id = ?", take_id)
    db.run(
        "UPDATE take SET frames = ?, capture_rate = ?, playback_rate = ?, left_out = ?,"
        " log_name = ? WHERE id = ?",
        log["totals"]["frames"],
        _rate_text(log, "capture_rate"),
        _rate_text(log, "playback_rate"),
        report.left_out,
        report.log_name,
        take_id,
    )
    if report.shot_at:
        db.run(
            "UPDATE take SET shot_at = ?, shot_at_from = ? WHERE id = ?",
            *(report.shot_at, report.shot_at_from, take_id),
        )
    _put_ranges(db, take_id, log)
    _put_events(db, take_id, log)
    put_clips(db, take_id, report.clips)
    for number, text in enumerate(report.warnings):
        db.insert("warning", take_id=take_id, number=number, text=text)
    put_marks(db, take_id, judged)
    put_edits(db, take_id, edited)


def put_clips(db: Database, take_id: int, clips: Iterable[ClipReport]) -> None:
    """Add clips and copies of a take."""
    for clip in clips:
        columns = {name: getattr(clip, name) for name in _OF_CLIP}
        db.insert("clip", take_id=take_id, **columns)


def _put_ranges(db: Database, take_id: int, log: dict[str, Any]) -> None:
    for number, kept in enumerate(log["ranges"]):
        db.insert(
            "trim_range",
            take_id=take_id,
            number=number,
            first=kept["first"],
            last=kept["last"],
        )


def _put_events(db: Database, take_id: int, log: dict[str, Any]) -> None:
    ranges = {event: k for k, kept in enumerate(log["ranges"]) for event in kept["events"]}
    for number, event in enumerate(log["events"]):
        facts = dict(event)
        x, y, width, height = facts.pop("box")
        db.insert(
            "event",
            take_id=take_id,
            number=number,
            x=x,
            y=y,
            width=width,
            height=height,
            trim_range=ranges.get(number),
            **{name: facts[name] for name in _OF_EVENT},
        )


def _rate_text(log: dict[str, Any], name: str) -> str | None:
    """A rate of the take in a log, exact where the log has it so."""
    take = log["take"]
    rate = take.get(f"{name}_exact") or take.get(name)
    return None if rate is None else str(Fraction(str(rate)))
