"""The last thing that a run does: bring the night's ASC MHL up to date, and say what came of it."""

from __future__ import annotations

import os
from collections.abc import Callable

from flashpan.errors import FlashpanError
from flashpan.night.desk import Desk
from flashpan.night.mhl import Sealed, seal
from flashpan.night.run import Night
from flashpan.night.stopping import go_on


def seal_again(dest: str | os.PathLike[str]) -> tuple[str, ...]:
    """Seal a night after one of its takes was done again by hand.

    Returns
    -------
    tuple of str
        What is wrong with the night's files, a line each.
    """
    return _sealed(dest)[1]


def seal_night(desk: Desk, night: Night, on_note: Callable[[str], object]) -> None:
    """Seal a night; what is wrong is noted, and stands in ``night.damaged``.

    A stop is heard between two files; the next run does the rest.
    """
    sealed, faults = _sealed(desk.catalog.dest, on_file=lambda path: go_on())
    if sealed is not None and (sealed.n_new or sealed.is_anew):
        desk.journal.write(
            "night-sealed", files=sealed.n_files, new=sealed.n_new, anew=sealed.is_anew
        )
    for fault in faults:
        night.damaged.append(fault)
        desk.journal.write("damaged", error=fault)
        on_note(fault)


def _sealed(
    dest: str | os.PathLike[str], on_file: Callable[[str], object] | None = None
) -> tuple[Sealed | None, tuple[str, ...]]:
    """What was sealed, and what is wrong; what stops the sealing is the one thing wrong."""
    try:
        sealed = seal(dest, on_file)
    except FlashpanError as error:
        return None, (str(error),)
    return sealed, () if sealed is None else sealed.faults
