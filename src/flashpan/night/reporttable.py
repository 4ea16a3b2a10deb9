"""The night report as text for people, as CSV and as JSON for programs."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from fractions import Fraction
from itertools import chain
from operator import attrgetter
from typing import Any

import flashpan
from flashpan.cut.space import format_bytes
from flashpan.night.report import Hour, NightReport
from flashpan.night.rows import NightEvent, NightTotals, TakeRow
from flashpan.settings import rate_number
from flashpan.table import aligned, counted, percent, wrapped
from flashpan.units import format_real
from flashpan.visible import csv_text, shown

SCHEMA = 1
MOST_EVENTS = 100
"""Events in the text; CSV and JSON hold all."""

CSV_COLUMNS = (
    "shot_at",
    "shot_at_from",
    "take",
    "path",
    "folder",
    "event",
    "kind",
    "detector",
    "onset",
    "peak",
    "end",
    "length",
    "onset_s",
    "strength",
    "chance",
    "x",
    "y",
    "width",
    "height",
    "trim_first",
    "trim_last",
    "clip",
    "clip_bytes",
    "verified",
    "sha256",
)

_LENGTH_AT = CSV_COLUMNS.index("length")
_STORED = attrgetter(*(name for name in CSV_COLUMNS if name != "length"))
_LEFT_ALIGNED = frozenset({"hour", "time", "take", "kind", "clip"})
_EVENT_HEADINGS = (
    *("time", "take", "#", "kind", "onset", "real time", "strength", "keep", "verified"),
)


def format_report(report: NightReport, most_events: int = MOST_EVENTS) -> str:
    """Failures, totals, hours and events, in lines of at most 100 characters where names allow.

    Parameters
    ----------
    report : NightReport
    most_events : int
        A longer table of events is cut there, and says so.

    Returns
    -------
    str
        Without a line end at the end.
    """
    lines = [
        *wrapped("night", shown(str(report.record.dest))),
        *wrapped("takes", _takes_text(report.totals)),
    ]
    lines += [*_failure_lines(report), ""]
    lines += [line for title, text in _total_texts(report) for line in wrapped(title, text)]
    if report.hours:
        lines += ["", *_hour_lines(report.hours)]
    if report.totals.events:
        lines += ["", *_event_lines(report, most_events)]
    return "\n".join(lines)


def report_csv(report: NightReport) -> str:
    """A header, then a row per event under `CSV_COLUMNS`, without a line end at the end."""
    rows = (_csv_row(report, event) for event in report.events())
    return csv_text(chain([CSV_COLUMNS], rows)).rstrip("\n")


def report_json(report: NightReport) -> str:
    """The whole report as JSON text, one event a line.

    It is in ASCII: a file name need not be valid Unicode.
    """
    head = json.dumps(_head_to_dict(report), indent=1, allow_nan=False)
    encoder = json.JSONEncoder(allow_nan=False)
    lines = ",\n  ".join(encoder.encode(_event_to_dict(report, event)) for event in report.events())
    return head.removesuffix("\n}") + f',\n "events": [\n  {lines}\n ]\n}}'


def report_to_dict(report: NightReport) -> dict[str, Any]:
    """The whole report as JSON holds it; frames are inclusive, times ISO 8601."""
    events = [_event_to_dict(report, event) for event in report.events()]
    return {**_head_to_dict(report), "events": events}


def _head_to_dict(report: NightReport) -> dict[str, Any]:
    """All but the events."""
    totals = report.totals
    plain = {name: getattr(totals, name) for name in NightTotals.__slots__}
    rate = report.offload_rate
    return {
        "flashpan": flashpan.__version__,
        "schema": SCHEMA,
        "night": str(report.record.dest),
        "failures": [_failure_to_dict(take) for take in report.failures],
        "unreadable": [{"path": one.path, "error": one.text} for one in report.problems],
        "totals": {**plain, "saved_bytes": totals.saved_bytes},
        "offload": {"bytes_per_s": rate_number(rate), "saved_s": report.offload_saved_s},
        "hours": [_hour_to_dict(hour) for hour in report.hours],
    }


def _takes_text(totals: NightTotals) -> str:
    parts = [f"{totals.done:,} done"]
    parts += [f"{totals.failed:,} failed"] if totals.failed else []
    n_left = totals.waiting + totals.to_come
    parts += [f"{n_left:,} not done yet"] if n_left else []
    text = f"{totals.takes + totals.to_come:,}: {', '.join(parts)}"
    return text + (f"; {totals.unreadable:,} more cannot be read" if totals.unreadable else "")


def _failure_lines(report: NightReport) -> Iterator[str]:
    for take in report.failures:
        tries = f" ({counted(take.attempts, 'attempt')})" if take.attempts > 1 else ""
        yield from wrapped("FAILED", shown(_naming(take.error, take.place)) + tries)
    for problem in report.problems:
        yield from wrapped("UNREAD", shown(_naming(problem.text, problem.place)))


def _naming(text: str, place: str) -> str:
    """An error that names its take."""
    return text if place in text else f"{place}: {text}"


def _total_texts(report: NightReport) -> Iterator[tuple[str, str]]:
    totals = report.totals
    share = f" ({percent(totals.kept, totals.frames)})" if totals.frames else ""
    yield (
        "frames",
        f"{totals.frames:,} seen, {totals.kept:,} kept{share} in {counted(totals.clips, 'clip')},"
        f" {counted(totals.events, 'event')}",
    )
    yield "space", _space_text(totals)
    if report.offload_rate is not None and report.offload_saved_s is not None:
        yield "offload", offload_text(report.offload_saved_s, report.offload_rate)
    if totals.seconds:
        yield (
            "work",
            f"{_clock_text(totals.seconds)} of work, {format_bytes(totals.bytes_read)} read",
        )


def _space_text(totals: NightTotals) -> str:
    saved = totals.saved_bytes
    change = f"{format_bytes(saved)} saved"
    if saved < 0:
        change = f"{format_bytes(-saved)} more than the takes"
    copies = f"; copies {format_bytes(totals.copy_bytes)}" if totals.copy_bytes else ""
    takes, clips = format_bytes(totals.take_bytes), format_bytes(totals.clip_bytes)
    return f"clips {clips} of {takes}, {change}{copies}"


def offload_text(saved_s: float, rate: Fraction) -> str:
    """Time that copying takes less, or more, at so many bytes per second."""
    change = "saved" if saved_s >= 0 else "more"
    return f"{_clock_text(abs(saved_s))} {change} at {format_bytes(int(rate))} per second"


def _clock_text(seconds: float) -> str:
    """``H:MM:SS``."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _hour_lines(hours: list[Hour]) -> list[str]:
    kinds = sorted({kind for hour in hours for kind in hour.kinds})
    rows = [
        (
            _hour_text(hour.begins),
            f"{hour.takes:,}",
            f"{hour.events:,}",
            *(f"{hour.kinds[kind]:,}" if kind in hour.kinds else "-" for kind in kinds),
            f"{hour.kept:,}",
        )
        for hour in hours
    ]
    return aligned([("hour", "takes", "events", *kinds, "frames kept"), *rows], _LEFT_ALIGNED)


def _hour_text(begins: datetime | None) -> str:
    return "time not known" if begins is None else f"{begins:%Y-%m-%d %H}:00 {begins:%Z}".rstrip()


def _event_lines(report: NightReport, most: int) -> list[str]:
    rows = [_cells(report, event) for event in report.events(most)]
    lines = aligned([_EVENT_HEADINGS, *rows], _LEFT_ALIGNED | {"verified"})
    more = report.totals.events - most
    if more > 0:
        lines.append(f"… and {counted(more, 'event')} more; --csv and --json have all of them")
    return lines


def _cells(report: NightReport, event: NightEvent) -> tuple[str, ...]:
    time, onset_s = report.wall_time(event.shot_at), event.onset_s
    real = None if onset_s is None else Fraction(onset_s).limit_denominator(10**9)
    return (
        "-" if time is None else f"{time:%m-%d %H:%M:%S}",
        shown(event.place),
        str(event.event),
        event.kind,
        str(event.onset),
        format_real(real),
        f"{event.strength:.1f}" if event.strength < 1000 else f"{event.strength:.0f}",
        "-" if event.trim_first is None else f"{event.trim_first}-{event.trim_last}",
        "no clip" if event.clip is None else event.verified or "no",
    )


def _csv_row(report: NightReport, event: NightEvent) -> list[Any]:
    row: list[Any] = list(_STORED(event))
    row[0] = _iso(report.wall_time(event.shot_at))
    row.insert(_LENGTH_AT, event.end - event.onset + 1)
    return row


def _event_to_dict(report: NightReport, event: NightEvent) -> dict[str, Any]:
    """The columns of the CSV by their names, with the box as in event logs."""
    facts = dict(zip(CSV_COLUMNS, _csv_row(report, event), strict=True))
    box = [facts.pop(side) for side in ("x", "y", "width", "height")]
    return {**facts, "box": box, "verified": facts["verified"] or None}


def _failure_to_dict(take: TakeRow) -> dict[str, Any]:
    return {
        "take": take.name,
        "path": take.path,
        "error": take.error,
        "attempts": take.attempts,
    }


def _hour_to_dict(hour: Hour) -> dict[str, Any]:
    return {
        "begins": _iso(hour.begins),
        "takes": hour.takes,
        "events": hour.events,
        "kinds": dict(sorted(hour.kinds.items())),
        "kept": hour.kept,
    }


def _iso(time: datetime | None) -> str | None:
    return None if time is None else time.isoformat(timespec="seconds")
