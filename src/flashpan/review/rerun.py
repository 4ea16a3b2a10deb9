"""A take of a night searched and cut once more, with the regions that were drawn on it."""

from __future__ import annotations

import os
from pathlib import Path

from flashpan.errors import TakeError
from flashpan.night.desk import desk_at
from flashpan.night.found import Found
from flashpan.night.ingest import write_index
from flashpan.night.reviewbook import ReviewBook, UnknownRow
from flashpan.night.rows import TakeRow
from flashpan.night.run import Order, Run
from flashpan.night.sealing import seal_night
from flashpan.readers.sequence import is_pattern
from flashpan.review.asked import without_regions


def row_of(book: ReviewBook, take_id: int) -> TakeRow:
    """A take by its number.

    Raises
    ------
    UnknownRow
        There is none.
    """
    for row in book.takes():
        if row.id == take_id:
            return row
    raise UnknownRow(f"the night has no take {take_id}")


def rerun(dest: Path, take_id: int) -> str:
    """Search a take again, by a worker process, and put what comes of it into the night.

    Marks, notes and edited ranges go over to the same events; clips and logs that were there are
    moved aside, as in every run with other settings.

    Returns
    -------
    str
        What came of it, in words.

    Raises
    ------
    TakeError
        The take is gone or fails.
    NightBusy
        A run is at work on the night.
    """
    with ReviewBook.open(dest) as book:
        row = row_of(book, take_id)
        settings, wanted = without_regions(book, row)
    if not (os.path.lexists(row.path) or is_pattern(row.path)):
        raise TakeError(f"{row.path}: is not there any more; put it back to search it again")
    found = Found(
        path=row.path,
        place=row.place,
        name=row.name,
        kind=row.kind,
        bytes=row.identity.bytes,
        n_files=row.identity.n_files,
        mtime_ns=row.identity.mtime_ns,
    )
    with desk_at(dest, workers=1) as desk:
        order = Order(
            source=row.path,
            takes=[(found, settings)],
            wanted=wanted,
            split_above=None,
            on_take=lambda step: None,
            at_end=lambda night: seal_night(desk, night, lambda text: None),
        )
        try:
            night = Run(order, desk).all_takes()
        finally:
            write_index(desk.catalog)
    if night.errors:
        raise TakeError(night.errors[0])
    with ReviewBook.open(dest) as book:
        n_events = len(list(book.events(take_id)))
    return "; ".join((f"{n_events} event{'s' * (n_events != 1)} found", *night.damaged))
