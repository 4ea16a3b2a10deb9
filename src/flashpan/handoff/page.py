"""The shot log as a page to print: one HTML file that needs nothing beside it.

Everything that comes from outside (names, notes, slates) is escaped, and the page may load
nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from html import escape
from itertools import groupby

from flashpan.handoff.shotlog import Entry, ShotLog
from flashpan.night.report import wall_time
from flashpan.night.rows import CIRCLED, DONE, REJECTED, TakeRow
from flashpan.table import counted
from flashpan.units import format_rate

_STYLE = """
@page { size: A4 landscape; margin: 12mm }
body { font: 9pt/1.35 sans-serif; color: #000; background: #fff;
  margin: 1em auto; max-width: 277mm }
h1 { font-size: 14pt; margin: 0 0 .2em } p { margin: .2em 0 1em }
section { break-inside: avoid; border-top: 1.5pt solid #000; padding: .5em 0 1em }
h2 { font-size: 11pt; margin: 0; overflow-wrap: anywhere }
dl { margin: .3em 0; display: flex; flex-wrap: wrap; gap: 0 1.5em }
dt { font-weight: bold } dd { margin: 0 } dl div { display: flex; gap: .4em }
table { border-collapse: collapse; width: 100% }
th, td { text-align: left; vertical-align: top; padding: .15em .6em .15em 0;
  border-bottom: .5pt solid #888; font-weight: normal; overflow-wrap: anywhere }
thead th { font-weight: bold } .n { text-align: right; white-space: nowrap }
.sum { font: 7pt monospace } .no td { color: #666; text-decoration: line-through }
.failed { font-weight: bold }
"""
_HEADINGS = (
    *("#", "circled", "kind", "onset", "peak", "end", "real time", "playback"),
    *("strength", "frames kept", "clip, checksum", "note"),
)
_NUMBERS = frozenset({"#", "onset", "peak", "end", "real time", "playback", "strength"})
_MARKS = {CIRCLED: "◯", REJECTED: "no", None: ""}


def shot_log_page(log: ShotLog) -> str:
    """The page as HTML."""
    by_take = groupby(log.entries, lambda entry: entry.take)
    sections = "\n".join(_section(take, list(entries)) for take, entries in by_take)
    title = f"Shot log: {escape(_text(log.name))}"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\';'
        " style-src 'unsafe-inline'\">\n"
        f"<title>{title}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        f"<h1>{title}</h1>\n<p>{escape(_totals(log))}</p>\n{sections}\n</body>\n</html>\n"
    )


def _totals(log: ShotLog) -> str:
    takes = {entry.take.id for entry in log.entries}
    events = [entry.event for entry in log.entries if entry.event is not None]
    circled = sum(event.mark == CIRCLED for event in events)
    return (
        f"{counted(len(takes), 'take')}, {counted(len(events), 'event')}, {circled:,} circled."
        " Frames count from 0; ranges include both ends."
    )


def _section(take: TakeRow, entries: list[Entry]) -> str:
    facts = "".join(
        f"<div><dt>{escape(_text(name))}</dt><dd>{escape(_text(value))}</dd></div>"
        for name, value in _take_facts(take)
    )
    rows = "\n".join(_row(entry) for entry in entries if entry.event is not None)
    table = f"<table>{_head()}<tbody>\n{rows}\n</tbody></table>" if rows else "<p>No events.</p>"
    if take.state != DONE:
        table = f'<p class="failed">{escape(_text(take.error or "not done yet"))}</p>' + (
            table if rows else ""
        )
    return f"<section>\n<h2>{escape(_text(take.place))}</h2>\n<dl>{facts}</dl>\n{table}\n</section>"


def _take_facts(take: TakeRow) -> Iterator[tuple[str, str]]:
    shot = wall_time(take.shot_at)
    if shot is not None:
        by = "by the camera's clock" if take.shot_at_from == "container" else "file last written"
        yield "shot at", f"{shot:%Y-%m-%d %H:%M:%S %Z} ({by})"
    yield "frames", f"{take.frames:,}"
    yield "shot at rate", _rate(take.capture_rate)
    yield "watched at", _rate(take.playback_rate)
    yield from take.slate.items()


def _rate(rate: Fraction | None) -> str:
    return "unknown" if rate is None else f"{format_rate(rate)} frames/s"


def _head() -> str:
    cells = "".join(f'<th scope="col"{_class(name)}>{name}</th>' for name in _HEADINGS)
    return f"<thead><tr>{cells}</tr></thead>"


def _row(entry: Entry) -> str:
    pairs = zip(_HEADINGS, _cells(entry), strict=True)
    cells = "".join(f"<td{_class(name)}>{cell}</td>" for name, cell in pairs)
    rejected = entry.event is not None and entry.event.mark == REJECTED
    return f"<tr{' class=no' if rejected else ''}>{cells}</tr>"


def _cells(entry: Entry) -> tuple[str, ...]:
    event, kept, clip = entry.event, entry.kept, entry.clip
    assert event is not None
    return (
        str(event.number),
        _MARKS[event.mark],
        escape(event.kind),
        f"{event.onset:,}",
        f"{event.peak:,}",
        f"{event.end:,}",
        escape(entry.onset_real()),
        escape(entry.onset_playback()),
        f"{event.strength:.1f}",
        "-" if kept is None else f"{kept.first:,}–{kept.last:,}",
        "no clip"
        if clip is None
        else f'{escape(_text(clip.name))}<br><span class="sum">{clip.sha256}</span>',
        escape(_text(event.note)),
    )


def _class(name: str) -> str:
    return ' class="n"' if name in _NUMBERS else ""


def _text(name: str) -> str:
    """A file name need not be valid Unicode."""
    return name.encode(errors="backslashreplace").decode()
