"""The report of a night as a folder of plain files: pages that open from disk.

No server, no script, nothing fetched from anywhere: a page, its style, and the pictures.  Clips
stay where they are; where the folder lies in the night, or beside it, the page leads to them.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined

import flashpan
from flashpan.atomic import make_folder, new_folder
from flashpan.cut.names import refuse_sources_inside
from flashpan.errors import TakeError, UsageError
from flashpan.night.discovery import CATALOG_NAME
from flashpan.night.looks import SeenTake, seen_takes
from flashpan.night.places import inside_night
from flashpan.night.record import NightRecord
from flashpan.night.report import NightReport, night_report, wall_time
from flashpan.night.rows import CIRCLED, REJECTED, ClipRow, EventRow
from flashpan.sheet.looks import SmallFrame, Strip, Strips
from flashpan.sheet.strip import AFTER, BEFORE
from flashpan.sheet.words import clocks, event_line, kept_of, role_text, take_line
from flashpan.table import counted

FOLDER_NAME = "report"
PAGE_NAME = "index.html"
_MARK_NAME = ".flashpan-report"
_CLOCKS = "Under each frame: its number, real time, and playback time of the take."


def write_html_report(
    record: NightRecord, folder: str | os.PathLike[str] | None = None, *, overwrite: bool = False
) -> Path:
    """Write the report of a night as a folder of files, whole or not at all.

    Parameters
    ----------
    record : NightRecord
    folder : path-like, optional
        Where to; ``report`` in the night by default.  A report that is there is replaced.
    overwrite : bool
        Replace also what is there and is no such report.

    Returns
    -------
    Path
        The page to open.

    Raises
    ------
    UsageError
        The folder holds a take or a night.
    TakeError
        Something else is there, or nothing can be written.
    """
    target = record.dest / FOLDER_NAME if folder is None else Path(folder)
    _refuse(record, target)
    make_folder(target.absolute().parent)
    replaces = overwrite or (target / _MARK_NAME).is_file()
    with record.at_one_moment():
        report, takes = night_report(record), list(seen_takes(record))
        with new_folder(target, overwrite=replaces) as part:
            (part / _MARK_NAME).touch()
            shown = [_take(number, take, part, target, record) for number, take in enumerate(takes)]
            page = _environment().get_template("report.html").render(_facts(report, takes, shown))
            (part / PAGE_NAME).write_text(page, encoding="utf-8", errors="replace")
            style = files("flashpan.night") / "page" / "report.css"
            (part / "report.css").write_bytes(style.read_bytes())
    return target / PAGE_NAME


def _refuse(record: NightRecord, target: Path) -> None:
    if (target / CATALOG_NAME).exists():
        raise UsageError(f"{target}: is a night; choose another folder for its report")
    takes = [row.path for row in record.takes() if os.path.lexists(row.path)]
    refuse_sources_inside(takes, target)


def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("flashpan.night", "page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _facts(
    report: NightReport, takes: list[SeenTake], shown: list[dict[str, Any]]
) -> dict[str, Any]:
    totals = report.totals
    events = [event for take in takes for event in take.events]
    failures = [row.error for row in report.failures] + [one.text for one in report.problems]
    sums = (
        f"{counted(totals.takes, 'take')}: {totals.done} done, {totals.failed} failed."
        f" {counted(totals.events, 'event')}; {totals.kept:,} of {totals.frames:,} frames kept in"
        f" {counted(totals.clips, 'clip')}."
    )
    return {
        "night": report.record.dest.resolve().name,
        "sums": sums,
        "clocks": _CLOCKS,
        "counts": {
            "all": len(events),
            "circled": sum(event.mark == CIRCLED for event in events),
            "open": sum(event.mark != REJECTED for event in events),
        },
        "failures": failures,
        "takes": shown,
        "version": flashpan.__version__,
    }


def _take(
    number: int, take: SeenTake, part: Path, target: Path, record: NightRecord
) -> dict[str, Any]:
    """What the page says of a take; its pictures are copied."""
    folder = f"take{number:04d}"
    (part / folder).mkdir()
    time, plot = wall_time(take.row.shot_at), take.folder / f"{take.stem}.scores.png"
    clips = {clip.number: clip for clip in record.clips(take.row.id) if clip.form == "clip"}
    has_plot = _may_be_copied(plot, record.dest)
    if has_plot:
        shutil.copyfile(plot, part / folder / "scores.png")
    return {
        "anchor": folder,
        "place": take.row.place,
        "when": "" if time is None else f"{time:%Y-%m-%d %H:%M:%S}. ",
        "line": take_line(take.log.take, take.log.totals.frames),
        "n_events": counted(len(take.events), "event"),
        "warnings": record.warnings(take.row.id),
        "events": [_event(event, take, folder, part, target, clips) for event in take.events],
        "left_out": take.strips.left_out if take.strips is not None else 0,
        "plot": f"{folder}/scores.png" if has_plot else "",
    }


def _event(
    event: EventRow,
    take: SeenTake,
    folder: str,
    part: Path,
    target: Path,
    clips: dict[int, ClipRow],
) -> dict[str, Any]:
    found = take.log.events[event.number]
    strip = take.strips.of(event.number) if take.strips is not None else None
    about = event_line(
        event.number, found, take.log.take, kept_of(take.log.ranges).get(event.number)
    )
    clip = clips.get(event.trim_range) if event.trim_range is not None else None
    return {
        "anchor": f"{folder}-event{event.number}",
        "number": event.number,
        "line": about.partition("   ")[2].replace("   ", ", "),
        "mark": event.mark,
        "note": event.note,
        "frames": list(_frames(strip, take, event.number, folder, part)) if strip else [],
        "about": "" if strip is None else f"{strip.tone.capitalize()}.",
        "clip": "" if clip is None else clip.name,
        "clip_href": "" if clip is None else _href(take.folder / clip.name, target),
        "proof": f", {clip.proof}" if clip is not None and clip.proof else "",
    }


def _frames(
    strip: Strip, take: SeenTake, event: int, folder: str, part: Path
) -> Iterator[dict[str, Any]]:
    strips = take.strips
    assert strips is not None
    for small in strip.frames:
        frame, real, watched = clocks(small.frame, take.log.take)
        role = role_text(small.frame, small.role, take.log.events[event])
        yield {
            "src": _copied(strips, small.file, folder, part),
            "close_src": _copied(strips, small.close_file, folder, part),
            "rows": strips.shape[0],
            "cols": strips.shape[1],
            "frame": frame,
            "role": role,
            "real": real,
            "watched": watched,
            "alt": f"{take.row.name}, event {event}, {role}, frame {frame}",
            "is_inside": _is_inside(small),
        }


def _may_be_copied(file: Path, dest: Path) -> bool:
    """Whether a file is there, and no link leads out of the folder that it must lie in."""
    try:
        return inside_night(dest, file).is_file()
    except TakeError:
        return False


def _is_inside(small: SmallFrame) -> bool:
    return small.role not in (BEFORE, AFTER)


def _copied(strips: Strips, file: str, folder: str, part: Path) -> str:
    """Copy a picture of a strip, and say where it is from the page; empty where it is gone."""
    source = strips.folder / file
    if not file or not _may_be_copied(source, strips.folder):
        return ""
    shutil.copyfile(source, part / folder / file)
    return f"{folder}/{file}"


def _href(clip: Path, target: Path) -> str:
    """The way to a clip that is there, from the page; empty where it is not, or far off."""
    there, here = Path(os.path.realpath(clip)), Path(os.path.realpath(target))
    if not there.exists() or here.parent not in there.parents:
        return ""
    return quote(os.path.relpath(there, here).encode("utf-8", "surrogateescape"))
