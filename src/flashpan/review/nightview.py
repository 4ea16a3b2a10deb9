"""What the page is told of a night, as JSON holds it."""

from __future__ import annotations

import os
from dataclasses import asdict
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

from flashpan.errors import TakeError
from flashpan.eventlog import EXTENSION, read_log
from flashpan.model import EventLog
from flashpan.night.places import inside_night
from flashpan.night.report import wall_time
from flashpan.night.reviewbook import ReviewBook, ReviewStep
from flashpan.night.rows import ClipRow, EventRow, TakeRow
from flashpan.review.asked import is_out_of_date
from flashpan.review.projector import source_of
from flashpan.sheet.looks import SUFFIX, Strips
from flashpan.sheet.words import take_line

_WORDS = {"mark": "the mark", "note": "the note", "range": "in and out", "regions": "the regions"}


def night_to_dict(book: ReviewBook) -> dict[str, Any]:
    """The whole night, apart from pictures and scores."""
    with book.at_one_moment():
        takes = sorted(book.takes(), key=lambda row: (row.shot_at or "~", row.id))
        return {
            "name": book.dest.resolve().name,
            "takes": [_take(book, row) for row in takes],
            "problems": [one.text for one in book.problems()],
            "undo": _step(book.next_undo()),
            "redo": _step(book.next_redo()),
        }


def _step(step: ReviewStep | None) -> dict[str, Any] | None:
    if step is None:
        return None
    of = f" of event {step.number}" if step.what in ("mark", "note") else ""
    of = f" of range {step.number}" if step.what == "range" else of
    return {"take": step.take_id, "what": f"{_WORDS[step.what]}{of}"}


def _take(book: ReviewBook, row: TakeRow) -> dict[str, Any]:
    log, strips = log_of(book.dest, row), strips_of(book.dest, row)
    clips = list(book.clips(row.id))
    edits = book.range_edits(row.id)
    ranges = {}
    for kept in book.ranges(row.id):
        edit = edits.get(kept.number)
        ranges[kept.number] = {
            "number": kept.number,
            "found": [kept.first, kept.last],
            "wanted": [edit.first, edit.last] if edit else [kept.first, kept.last],
            "clip": _clip(clips, kept.number),
        }
    when = wall_time(row.shot_at)
    return {
        "id": row.id,
        "version": row.settings_key[:12],
        "place": row.place,
        "name": row.name,
        "state": row.state,
        "error": row.error,
        "shot_at": row.shot_at,
        "when": "" if when is None else when.strftime("%Y-%m-%d %H:%M:%S"),
        "capture_rate": _rate(row.capture_rate),
        "playback_rate": _rate(row.playback_rate),
        "trigger_frame": log.take.trigger_frame if log else None,
        "frames": _frames(row, log),
        "shape": list(log.take.shape) if log else None,
        "line": take_line(log.take, log.totals.frames) if log else "",
        "source": source_of(book.dest, row, clips) if log else "none",
        "warnings": book.warnings(row.id),
        "regions": [asdict(region) for region in book.regions(row.id)],
        "needs_rerun": is_out_of_date(book, row),
        "ranges": list(ranges.values()),
        "events": [_event(event, ranges, strips) for event in book.events(row.id)],
    }


def _frames(row: TakeRow, log: EventLog | None) -> list[int]:
    """First frame that was searched, and last."""
    first = int(log.settings.get("first") or 0) if log else 0
    return [first, first + row.frames - 1]


def _event(event: EventRow, ranges: dict[int, Any], strips: Strips | None) -> dict[str, Any]:
    strip = strips.of(event.number) if strips is not None else None
    return {
        "number": event.number,
        "onset": event.onset,
        "peak": event.peak,
        "end": event.end,
        "kind": event.kind,
        "detector": event.detector,
        "strength": event.strength,
        "chance": event.chance,
        "box": list(event.box),
        "mark": event.mark,
        "note": event.note,
        "range": event.trim_range if event.trim_range in ranges else None,
        "strip": [] if strip is None else [[one.frame, one.role] for one in strip.frames],
    }


def _clip(clips: list[ClipRow], number: int) -> dict[str, Any] | None:
    clip = next((one for one in clips if one.number == number and one.form == "clip"), None)
    if clip is None:
        return None
    return {"name": clip.name, "frames": [clip.first, clip.last], "proof": clip.proof}


def _rate(rate: Fraction | None) -> list[int] | None:
    return None if rate is None else [rate.numerator, rate.denominator]


def log_of(dest: Path, row: TakeRow) -> EventLog | None:
    """A take's log; None where there is none that can be read."""
    if not (row.folder and row.log_name):
        return None
    try:
        path = inside_night(dest, dest / row.folder / row.log_name)
        return _read_log(path, os.stat(path).st_mtime_ns)
    except (TakeError, OSError):
        return None


def strips_of(dest: Path, row: TakeRow) -> Strips | None:
    """A take's strips; None where there are none that can be read."""
    if not (row.folder and row.log_name):
        return None
    stem = row.log_name.removesuffix(EXTENSION)
    try:
        folder = inside_night(dest, dest / row.folder / f"{stem}{SUFFIX}")
        return _read_strips(folder, os.stat(folder).st_mtime_ns)
    except (TakeError, OSError):
        return None


@lru_cache(maxsize=4096)
def _read_log(path: Path, mtime_ns: int) -> EventLog:
    return read_log(path)


@lru_cache(maxsize=4096)
def _read_strips(folder: Path, mtime_ns: int) -> Strips:
    return Strips.read(folder)
