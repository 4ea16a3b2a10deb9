"""One range of a take cut again, from where it begins now to where it ends now."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from flashpan.cut.carry import carried_out
from flashpan.cut.plan import Plan
from flashpan.cut.report import Failed, Output
from flashpan.cut.sidecar import sidecar_path
from flashpan.cut.space import require_space
from flashpan.errors import TakeError
from flashpan.eventlog import EXTENSION, read_log
from flashpan.find import opened
from flashpan.fingerprint import check_fits, fingerprint_of
from flashpan.model import EventLog, TrimRange
from flashpan.night.alone import alone_in
from flashpan.night.catalog import Catalog
from flashpan.night.checksums import SUFFIX, write_checksums
from flashpan.night.ingest import write_index
from flashpan.night.job import clip_report
from flashpan.night.places import inside_night
from flashpan.night.reviewbook import ReviewBook, UnknownRow
from flashpan.night.rows import ClipRow, TakeRow
from flashpan.night.sealing import seal_again
from flashpan.review.asked import asked_of
from flashpan.review.rerun import row_of
from flashpan.settings import Settings

EARLIER = "earlier-clips"
"""Folder, in a take's own, for clips that gave way."""


def recut(dest: Path, take_id: int, number: int) -> str:
    """Cut a range again, and put the clip into the night in place of the one that is there.

    The clip that was there is moved into ``earlier-clips`` beside it, never deleted.

    Returns
    -------
    str
        What was cut, in words.

    Raises
    ------
    TakeError
        The take is gone, is another one, or cannot be cut; or there is no room.
    NightBusy
        A run is at work on the night.
    """
    with ReviewBook.open(dest) as book:
        row = row_of(book, take_id)
        edit = book.range_edits(take_id).get(number)
    folder = inside_night(dest, dest / row.folder)
    log = read_log(inside_night(dest, folder / row.log_name))
    if not 0 <= number < len(log.ranges):
        raise UnknownRow(f"{row.name}: has no range {number}")
    kept = log.ranges[number]
    if edit is not None:
        kept = TrimRange(edit.first, edit.last, kept.events)
    with Catalog.open(dest) as catalog, alone_in(folder):
        outputs = _cut(row, _with_range(log, number, kept), folder, number)
        old = [clip for clip in catalog.clips(take_id) if clip.number == number]
        catalog.put_clips(take_id, number, [clip_report(output) for output in outputs])
        names = {output.path.name for output in outputs}
        _put_aside(folder, [clip for clip in old if clip.name not in names])
        _sum_up(catalog, row, folder)
        write_index(catalog)
        faults = seal_again(dest)
    said = outputs[0]
    proof = f", {said.proof}" if said.proof else ""
    return "; ".join((f"frames {said.first} to {said.last} cut{proof}", *faults))


def _with_range(log: EventLog, number: int, kept: TrimRange) -> EventLog:
    """A log whose range is another; of its events those that still share a frame with it count."""
    events = tuple(
        one
        for one in kept.events
        if log.events[one].onset <= kept.last and log.events[one].end >= kept.first
    )
    ranges = list(log.ranges)
    ranges[number] = replace(kept, events=events)
    return replace(log, ranges=tuple(ranges))


def _cut(row: TakeRow, log: EventLog, folder: Path, number: int) -> list[Output]:
    asked, wanted = asked_of(row.settings)
    settings = Settings(raw=asked.raw, capture_rate=asked.capture_rate)
    with opened(row.path, settings) as reader:
        check_fits(log, reader.info, folder / row.log_name)
        info = replace(
            log.take,
            path=row.path,
            name=log.take.name,
            fingerprint=fingerprint_of(row.path),
            time_base=reader.info.time_base,
        )
    plan = Plan(
        log=log,
        log_path=folder / row.log_name,
        take=info,
        raw=asked.raw,
        stem=row.log_name.removesuffix(EXTENSION),
        wanted=wanted,
        kept=(number,),
    )
    needs = list(plan.needs())
    if needs:
        require_space(folder, needs)
    outputs = []
    for result in carried_out(plan, number):
        if isinstance(result, Failed):
            raise TakeError(str(result.error)) from result.error
        outputs.append(result)
    return outputs


def _put_aside(folder: Path, clips: list[ClipRow]) -> None:
    """Move clips and what lies beside them, each under a name that is free."""
    for clip in clips:
        for path in filter(Path.exists, (folder / clip.name, sidecar_path(folder / clip.name))):
            aside = folder / EARLIER
            aside.mkdir(exist_ok=True)
            path.rename(_free(aside / path.name))


def _free(path: Path) -> Path:
    number, free = 1, path
    while free.exists():
        number += 1
        free = path.with_name(f"{number}-{path.name}")
    return free


def _sum_up(catalog: Catalog, row: TakeRow, folder: Path) -> None:
    """Write the take's checksums as its files are now."""
    stem = row.log_name.removesuffix(EXTENSION)
    results = [folder / row.log_name, *_files(folder, list(catalog.clips(row.id)))]
    write_checksums(folder / f"{stem}{SUFFIX}", results)


def _files(folder: Path, clips: list[ClipRow]) -> Iterator[Path]:
    for clip in clips:
        for path in (folder / clip.name, sidecar_path(folder / clip.name)):
            if path.exists():
                yield path
