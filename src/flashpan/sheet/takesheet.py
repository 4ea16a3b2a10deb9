"""The contact sheet of a take: a line of frames for each event."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import flashpan
from flashpan.model import Event, EventLog, TrimRange
from flashpan.sheet.canvas import SCREEN, Canvas, Ink
from flashpan.sheet.looks import SmallFrame, Strip, Strips, fitted
from flashpan.sheet.strip import AFTER, BEFORE, STRIP_FRAMES
from flashpan.sheet.words import (
    clock_line,
    clocks,
    event_line,
    kept_of,
    role_text,
    shortened,
    take_line,
)
from flashpan.table import counted

_MARGIN, _GAP = 28, 6
_CELL_COLS, _MOST_CELL_ROWS = 228, 200
_PAGE_COLS = 2 * _MARGIN + STRIP_FRAMES * _CELL_COLS + (STRIP_FRAMES - 1) * _GAP
_HEAD_ROWS, _FOOT_ROWS, _TITLE_ROWS, _CAPTION_ROWS, _SPACE = 132, 40, 30, 58, 20
_MOST_PAGE_ROWS = 2700


@dataclass(frozen=True, slots=True)
class _Row:
    """A strip with the rows of pixels that it needs."""

    strip: Strip
    event: Event
    kept: TrimRange | None
    picture_rows: int
    close_rows: int

    @property
    def rows(self) -> int:
        close = self.close_rows + _GAP if self.close_rows else 0
        return _TITLE_ROWS + self.picture_rows + close + _CAPTION_ROWS + _SPACE


def take_pages(log: EventLog, strips: Strips, ink: Ink = SCREEN) -> Iterator[Canvas]:
    """Draw the sheet of a take, page by page; a take without events has one page that says so.

    Raises
    ------
    TakeError
        A picture of the strips cannot be read.
    """
    pages = _paged(list(_rows(log, strips)))
    for number, rows in enumerate(pages, 1):
        height = _HEAD_ROWS + sum(row.rows for row in rows) + _FOOT_ROWS + (0 if rows else 40)
        page = Canvas(_PAGE_COLS, height, ink)
        _head(page, log, strips, f"page {number} of {len(pages)}" if len(pages) > 1 else "")
        y = _HEAD_ROWS
        for row in rows:
            _draw(page, y, row, log, strips)
            y += row.rows
        if not rows:
            page.text(_MARGIN, y + 12, "Nothing was found in this take.", 18)
        _foot(page)
        yield page


def _rows(log: EventLog, strips: Strips) -> Iterator[_Row]:
    kept = kept_of(log.ranges)
    for strip in strips.strips:
        first = strip.frames[0]
        picture_rows = _rows_of(first.file, strips)
        close_rows = _rows_of(first.close_file, strips) if first.close_file else 0
        yield _Row(strip, log.events[strip.event], kept.get(strip.event), picture_rows, close_rows)


def _rows_of(file: str, strips: Strips) -> int:
    """Rows of pixels that a stored picture takes in a cell: it is no longer of the take's size."""
    return len(fitted(strips.picture(file), _CELL_COLS, _MOST_CELL_ROWS))


def _paged(rows: list[_Row]) -> list[list[_Row]]:
    pages: list[list[_Row]] = [[]]
    for row in rows:
        used = sum(other.rows for other in pages[-1]) + row.rows
        if pages[-1] and _HEAD_ROWS + used + _FOOT_ROWS > _MOST_PAGE_ROWS:
            pages.append([])
        pages[-1].append(row)
    return pages


def _head(page: Canvas, log: EventLog, strips: Strips, which: str) -> None:
    take = log.take
    page.text(_MARGIN, 46, shortened(take.name, 100), 28, bold=True)
    page.text(page.cols - _MARGIN, 46, which, 15, colour=page.ink.faint, right=True)
    page.text(_MARGIN, 74, take_line(take, log.totals.frames), 16)
    counts = (
        f"{counted(len(log.events), 'event')}, {log.totals.kept:,} of {log.totals.frames:,} frames"
        f" kept in {counted(len(log.ranges), 'range')}. {clock_line(take)}"
        " Corners: where in the picture it happened."
    )
    if strips.left_out:
        counts += f" The {strips.left_out} weakest events are not shown."
    page.text(_MARGIN, 98, counts, 14, colour=page.ink.faint)
    page.line(_MARGIN, 112, page.cols - _MARGIN, 112)


def _foot(page: Canvas) -> None:
    text = f"flashpan {flashpan.__version__}; pictures are reduced, 8 bit; judge by the clips"
    page.text(_MARGIN, page.rows - 16, text, 12, colour=page.ink.faint)


def _draw(page: Canvas, y: int, row: _Row, log: EventLog, strips: Strips) -> None:
    line = event_line(row.strip.event, row.event, log.take, row.kept)
    page.text(_MARGIN, y + 18, line, 16, bold=True)
    note = row.strip.tone
    if row.strip.close is not None:
        x, top, width, height = row.strip.close
        note = f"below from near: {x},{top},{width},{height}; {note}"
    page.text(page.cols - _MARGIN, y + 18, note, 13, colour=page.ink.faint, right=True)
    for column, small in enumerate(row.strip.frames):
        x = _MARGIN + column * (_CELL_COLS + _GAP)
        _cell(page, x, y + _TITLE_ROWS, small, row, log, strips)


def _cell(
    page: Canvas, x: int, y: int, small: SmallFrame, row: _Row, log: EventLog, strips: Strips
) -> None:
    cols = _put(page, x, y, small.file, strips)
    if small.role not in (BEFORE, AFTER):
        scale = cols / strips.shape[1]
        left, top, width, height = row.event.box.as_box()
        page.corners((x + left * scale, y + top * scale, width * scale, height * scale))
    y += row.picture_rows
    if small.close_file:
        _put(page, x, y + _GAP, small.close_file, strips)
        y += row.close_rows + _GAP
    frame, real, watched = clocks(small.frame, log.take)
    strong = small.role not in (BEFORE, AFTER)
    page.text(
        x, y + 18, f"{role_text(small.frame, small.role, row.event)} {frame}", 14, bold=strong
    )
    page.text(x, y + 35, real, 13)
    page.text(x, y + 51, watched, 13, colour=page.ink.faint)


def _put(page: Canvas, x: int, y: int, file: str, strips: Strips) -> int:
    """Show a stored picture in a cell; returns its columns."""
    pixels = fitted(strips.picture(file), _CELL_COLS, _MOST_CELL_ROWS)
    rows, cols = pixels.shape[:2]
    page.picture(x, y, cols, rows, pixels)
    return int(cols)
