"""The result of one take as a table that a tired person can read at 2 a.m.

Plain text, at most 100 columns.  Frames lead, because they are what the edit cuts on; real
time and playback time stand beside them.
"""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterable, Sequence
from fractions import Fraction
from typing import Any

from flashpan.eventlog import ranges_by_event
from flashpan.model import Event, EventLog, TakeInfo, TrimRange
from flashpan.units import format_playback, format_rate, format_real

WIDTH = 100
_HARD_SPACE = "\N{NO-BREAK SPACE}"
_ROLLS = {"pre_roll": "pre-roll", "post_roll": "post-roll", "merge_gap": "merge gap"}
_HEADINGS = (
    "#",
    "kind",
    "onset",
    "real time",
    "playback",
    "peak",
    "end",
    "length",
    "strength",
    "chance",
    "keep",
)
_LEFT_ALIGNED = frozenset({"kind"})


def format_table(log: EventLog) -> str:
    """The take, the settings in force, one line per event, totals and warnings.

    Parameters
    ----------
    log : EventLog
        Made by a search or read from a file.

    Returns
    -------
    str
        Lines of at most 100 characters where paths allow, without a line end at the end.
    """
    lines = [*head_lines(log.take), *_settings_lines(log), ""]
    lines += (
        _event_lines(log)
        if log.events
        else ["No events: nothing stood out of this take's own noise."]
    )
    lines += ["", *_totals_lines(log)]
    lines += [line for text in log.warnings for line in wrapped("warning", text)]
    return "\n".join(lines)


def head_lines(take: TakeInfo) -> list[str]:
    """The take in one line (two where its name is long): size, depth, frames, rates, codec."""
    rows, cols = take.shape
    facts = (
        f"{cols}x{rows}",
        f"{take.bit_depth} bit",
        "? frames" if take.n_frames is None else counted(take.n_frames, "frame"),
        f"shot at {_per_second(take.capture_rate)}",
        f"watched at {_per_second(take.playback_rate)}",
        take.codec,
    )
    return wrapped(take.name, ", ".join(fact for fact in facts if fact))


def _settings_lines(log: EventLog) -> list[str]:
    used, origins = log.settings, log.settings.get("from", {})
    parts = [
        f"{title} {_frames_text(used[f'{name}_frames'], log.take.capture_rate)}"
        f"{_mark(origins, name)}"
        for name, title in _ROLLS.items()
        if f"{name}_frames" in used
    ]
    parts += [text for text in _detection_texts(used, origins) if text]
    lines = wrapped("settings", ", ".join(part.replace(" ", _HARD_SPACE) for part in parts))
    return lines + _origin_lines(origins)


def _detection_texts(used: dict[str, Any], origins: dict[str, str]) -> Iterable[str]:
    if "false_alarms" in used:
        rate = f"{used['false_alarms']:g} per million frames"
        yield f"false alarms {rate}{_mark(origins, 'false_alarms')}"
    if "shortest_event_frames" in used:
        shortest = counted(used["shortest_event_frames"], "frame")
        yield f"shortest event {shortest}{_mark(origins, 'shortest_event')}"
    if used.get("detectors"):
        yield f"detectors {' '.join(used['detectors'])}{_mark(origins, 'detectors')}"
    for name in ("roi", "ignore"):
        for box in used.get(name, ()):
            yield f"{name} {','.join(str(side) for side in box)}"
    if origins.get("first", "default") != "default" or origins.get("last", "default") != "default":
        last = used.get("last")
        yield f"only frames {used.get('first', 0)}-{'end' if last is None else last}"


def _mark(origins: dict[str, str], name: str) -> str:
    return "*" if origins.get(name) == "default" else ""


def _origin_lines(origins: dict[str, str]) -> list[str]:
    lines = ["          * default"] if "default" in origins.values() else []
    plain = {"default", "take", "command line", "caller"}
    files = sorted(set(origins.values()) - plain)
    return lines + [f"          some of them from {path}" for path in files]


def _frames_text(frames: int, capture_rate: Fraction | None) -> str:
    text = counted(frames, "frame")
    if capture_rate is None or not frames:
        return text
    return f"{text} ({float(frames / capture_rate * 1000):.4g} ms)"


def _event_lines(log: EventLog) -> list[str]:
    ranges = ranges_by_event(log)
    rows = [
        _cells(number, event, log.take, ranges.get(number))
        for number, event in enumerate(log.events)
    ]
    return aligned([_HEADINGS, *rows], _LEFT_ALIGNED)


def _cells(number: int, event: Event, take: TakeInfo, kept: TrimRange | None) -> tuple[str, ...]:
    return (
        str(number),
        event.kind,
        str(event.onset),
        format_real(event.onset_s, signed=take.trigger_frame is not None),
        "-" if take.playback_rate is None else format_playback(event.onset, take.playback_rate),
        str(event.peak),
        str(event.end),
        str(event.end - event.onset + 1),
        f"{event.strength:.1f}" if event.strength < 1000 else f"{event.strength:.0f}",
        _chance_text(event.chance),
        f"{kept.first}-{kept.last}" if kept else "-",
    )


def _chance_text(per_million: float) -> str:
    """Two figures are all that a chance deserves."""
    if per_million == 0:
        return "0"
    return "<0.001" if per_million < 0.001 else f"{per_million:.2g}"


def aligned(rows: Sequence[Sequence[str]], left: Collection[str]) -> list[str]:
    """Rows in columns, the first one the headings; those named are flush left."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    spare = WIDTH - sum(widths) - 2 * (len(widths) - 1)
    gap = "  " if spare >= 0 else " "
    return [gap.join(_padded(row, rows[0], widths, left)).rstrip() for row in rows]


def _padded(
    row: Sequence[str], headings: Sequence[str], widths: Sequence[int], left: Collection[str]
) -> Iterable[str]:
    for heading, cell, width in zip(headings, row, widths, strict=True):
        yield cell.ljust(width) if heading in left else cell.rjust(width)


def _totals_lines(log: EventLog) -> list[str]:
    totals = log.totals
    if not log.events:
        return wrapped(
            "kept",
            f"none of {counted(totals.frames, 'frame')}" + _speed(totals.frames, totals.seconds),
        )
    part = f" ({percent(totals.kept, totals.frames)})" if totals.frames else ""
    text = (
        f"{counted(totals.kept, '')} of {counted(totals.frames, 'frame')}{part}"
        f" in {counted(len(log.ranges), 'range')}, {counted(totals.events, 'event')}"
    )
    return wrapped("kept", text + _speed(totals.frames, totals.seconds))


def percent(kept: int, frames: int) -> str:
    """One figure after the point; what is kept is never shown as nothing."""
    share = 100 * kept / frames
    return "<0.1 %" if kept and share < 0.1 else f"{share:.1f} %"


def _speed(frames: int, seconds: float) -> str:
    return f"; took {seconds:.1f} s, {frames / seconds:,.0f} frames/s" if seconds > 0 else ""


def _per_second(rate: Fraction | None) -> str:
    return "an unknown rate" if rate is None else f"{format_rate(rate)} frames/s"


def counted(number: int, thing: str) -> str:
    """``1 frame``, ``1,200 frames``."""
    return f"{number:,} {thing}{'' if number == 1 or not thing else 's'}".rstrip()


def wrapped(title: str, text: str) -> list[str]:
    """``title  text`` in lines of `WIDTH`, later lines under the text of the first."""
    first = title.ljust(8) + "  "
    indent = " " * min(len(first), 10)
    lines = textwrap.wrap(first + text, WIDTH, subsequent_indent=indent, break_long_words=False)
    return [line.replace(_HARD_SPACE, " ") for line in lines]
