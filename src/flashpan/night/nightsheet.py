"""The contact sheet of a night: four frames of every event, take by take, in order of time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import flashpan
from flashpan.atomic import together
from flashpan.cut.anyframe import AnyFrame
from flashpan.errors import FlashpanError
from flashpan.night.looks import SeenTake, seen_takes
from flashpan.night.record import NightRecord
from flashpan.night.report import wall_time
from flashpan.night.rows import CIRCLED, REJECTED, EventRow
from flashpan.sheet.canvas import PAPER, SCREEN, Canvas, Ink, figures_pdf
from flashpan.sheet.looks import SmallFrame, Strip, Strips, fitted
from flashpan.sheet.make import make_sheets, page_path, remove_later_pages, scores_of
from flashpan.sheet.strip import AFTER, BEFORE, END, ONSET, PEAK
from flashpan.sheet.words import clocks, role_text, shortened, strength_text, take_line
from flashpan.table import counted

NAME = "night.sheet"
FRAMES = 4
_COLUMNS = 2
_MARGIN, _GAP, _BETWEEN = 28, 6, 36
_CELL_COLS, _CELL_ROWS = 228, 171
_HALF = FRAMES * _CELL_COLS + (FRAMES - 1) * _GAP
_PAGE_COLS = 2 * _MARGIN + _COLUMNS * _HALF + (_COLUMNS - 1) * _BETWEEN
_HEAD_ROWS, _FOOT_ROWS, _TAKE_ROWS, _TITLE_ROWS, _CAPTION_ROWS = 96, 40, 58, 28, 46
_MOST_PAGE_ROWS = 2700


@dataclass(frozen=True, slots=True)
class _Block:
    """What stands on one line of the sheet: a take's heading, or one or two of its events."""

    take: SeenTake
    pairs: tuple[tuple[EventRow, Strip], ...] = ()

    @property
    def rows(self) -> int:
        return _TITLE_ROWS + _CELL_ROWS + _CAPTION_ROWS + 14 if self.pairs else _TAKE_ROWS


def write_night_sheet(record: NightRecord) -> list[Path]:
    """Put ``night.sheet.png`` (more pages: ``-2`` …) and ``night.sheet.pdf`` beside the catalog.

    Takes without strips are named, and no more; `make_missing` makes them.

    Raises
    ------
    TakeError
        The disk takes no more, or a picture cannot be read.
    """
    takes = list(seen_takes(record))
    night, first = record.dest.resolve().name, record.dest / f"{NAME}.png"
    with together(overwrite=True) as write:
        pages = [
            write(page_path(first, number), page.png())
            for number, page in enumerate(night_pages(night, takes), 1)
        ]
        printed = (page.figure for page in night_pages(night, takes, PAPER))
        pdf = write(record.dest / f"{NAME}.pdf", figures_pdf(printed, night))
    remove_later_pages(first, len(pages))
    return [*pages, pdf]


def make_missing(
    record: NightRecord,
    *,
    again: bool = False,
    say: Callable[[str], object] = lambda text: None,
) -> list[Path]:
    """Make the sheets of takes that have none, from the takes as they lie there.

    Parameters
    ----------
    record : NightRecord
    again : bool
        Make those that are there anew, too.
    say : callable
        Told in a line why a take gets none.

    Returns
    -------
    list of Path
        What was made.
    """
    made: list[Path] = []
    for take in seen_takes(record):
        if take.strips is not None and not again:
            continue
        try:
            made += _make(take)
        except FlashpanError as error:
            say(f"{take.row.path}: no sheet: {error}")
    return made


def _make(take: SeenTake) -> tuple[Path, ...]:
    log = replace(take.log, take=replace(take.log.take, path=take.row.path))
    trace = scores_of(take.log, take.folder / take.row.log_name)
    with AnyFrame(log.take, log.settings.get("raw")) as pictures:
        return make_sheets(log, trace, pictures, take.folder, take.stem, overwrite=True).paths


def night_pages(night: str, takes: list[SeenTake], ink: Ink = SCREEN) -> Iterator[Canvas]:
    """Draw the sheet of a night, page by page."""
    pages = _paged(list(_blocks(takes)))
    for number, blocks in enumerate(pages, 1):
        height = _HEAD_ROWS + sum(block.rows for block in blocks) + _FOOT_ROWS
        page = Canvas(_PAGE_COLS, height, ink)
        _head(page, night, takes, f"page {number} of {len(pages)}" if len(pages) > 1 else "")
        y = _HEAD_ROWS
        for block in blocks:
            _draw(page, y, block)
            y += block.rows
        about = f"flashpan {flashpan.__version__}; pictures are reduced, 8 bit; judge by the clips"
        page.text(_MARGIN, page.rows - 16, about, 12, colour=ink.faint)
        yield page


def _blocks(takes: list[SeenTake]) -> Iterator[_Block]:
    for take in takes:
        yield _Block(take)
        strips = take.strips.strips if take.strips is not None else ()
        pairs = [(take.events[strip.event], strip) for strip in strips]
        for start in range(0, len(pairs), _COLUMNS):
            yield _Block(take, tuple(pairs[start : start + _COLUMNS]))


def _paged(blocks: list[_Block]) -> list[list[_Block]]:
    """Pages; no heading stands last on one."""
    pages: list[list[_Block]] = [[]]
    for block in blocks:
        room = _MOST_PAGE_ROWS - _HEAD_ROWS - _FOOT_ROWS - sum(one.rows for one in pages[-1])
        needed = block.rows if block.pairs else block.rows + 2 * _CELL_ROWS
        if pages[-1] and needed > room:
            pages.append([])
        pages[-1].append(block)
    return pages


def _head(page: Canvas, night: str, takes: list[SeenTake], which: str) -> None:
    events = [event for take in takes for event in take.events]
    page.text(_MARGIN, 44, shortened(night, 100), 26, bold=True)
    page.text(page.cols - _MARGIN, 44, which, 15, colour=page.ink.faint, right=True)
    circled = sum(event.mark == CIRCLED for event in events)
    text = (
        f"{counted(len(takes), 'take')}, {counted(len(events), 'event')}, {circled} circled."
        " Under each frame: its number and real time. Ring: circled. Struck out: rejected."
    )
    page.text(_MARGIN, 70, text, 14, colour=page.ink.faint)


def _draw(page: Canvas, y: int, block: _Block) -> None:
    if not block.pairs:
        _take_head(page, y, block.take)
        return
    for column, (event, strip) in enumerate(block.pairs):
        x = _MARGIN + column * (_HALF + _BETWEEN)
        assert block.take.strips is not None
        n_halves = _COLUMNS if len(block.pairs) == 1 else 1
        _event(page, x, y, block.take, event, strip, block.take.strips, n_halves)


def _take_head(page: Canvas, y: int, take: SeenTake) -> None:
    page.line(_MARGIN, y + 4, page.cols - _MARGIN, y + 4)
    page.text(_MARGIN, y + 30, shortened(take.row.place, 80), 19, bold=True)
    time = wall_time(take.row.shot_at)
    when = "" if time is None else time.strftime("%Y-%m-%d %H:%M:%S")
    page.text(page.cols - _MARGIN, y + 30, when, 15, right=True)
    said = take_line(take.log.take, take.log.totals.frames)
    if not take.events:
        said += "; nothing was found"
    elif take.strips is None:
        said += f"; {counted(len(take.events), 'event')}, no pictures"
    page.text(_MARGIN, y + 50, said, 13, colour=page.ink.faint)


def _event(
    page: Canvas,
    x: int,
    y: int,
    take: SeenTake,
    event: EventRow,
    strip: Strip,
    strips: Strips,
    n_halves: int,
) -> None:
    """One event; in the width of two it shows twice as many frames."""
    number = str(event.number)
    width = 11 * len(number)
    page.text(x + 8, y + 20, number, 16, bold=True)
    if event.mark == CIRCLED:
        page.ring(x - 2, y + 2, width + 20, 25)
    n_frames = event.end - event.onset + 1
    about = (
        f"{event.kind}   {counted(n_frames, 'frame')}   strength {strength_text(event.strength)}"
    )
    if event.note:
        about += f"   “{shortened(event.note, 48)}”"
    most = FRAMES if n_halves == 1 else len(strip.frames)
    page.text(x + width + 24, y + 20, about, 14, bold=event.mark == CIRCLED)
    if event.mark == REJECTED:
        page.line(x, y + 14, x + _HALF, y + 14, page.ink.text, 2)
    for column, small in enumerate(few_of(strip, most)):
        left = x + column * (_CELL_COLS + _GAP)
        pixels = fitted(strips.picture(small.file), _CELL_COLS, _CELL_ROWS)
        rows, cols = pixels.shape[:2]
        page.picture(left, y + _TITLE_ROWS, cols, rows, pixels)
        frame, real, _ = clocks(small.frame, take.log.take)
        under = y + _TITLE_ROWS + rows
        role = role_text(small.frame, small.role, take.log.events[event.number])
        page.text(left, under + 17, f"{role} {frame}", 13, bold=small.role == PEAK)
        page.text(left, under + 33, real, 12, colour=page.ink.faint)


def few_of(strip: Strip, n_frames: int) -> tuple[SmallFrame, ...]:
    """The most telling frames of a strip: before, onset, peak, after, then end and others."""
    by_role = {small.role: small for small in strip.frames if small.role != BEFORE}
    before = [small for small in strip.frames if small.role == BEFORE]
    after = [small for small in strip.frames if small.role == AFTER]
    first = [*before[-1:], *(by_role[role] for role in (ONSET, PEAK) if role in by_role)]
    first += [*after[:1], *(by_role[role] for role in (END,) if role in by_role)]
    ranked = [*first, *(small for small in strip.frames if small not in first)]
    return tuple(sorted(ranked[:n_frames], key=lambda small: small.frame))
