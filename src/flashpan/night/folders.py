"""Where in the destination each take's results go.

A take's folder has the source's subfolders above it and the take's name, and no other take's
results lie in it.  What was made of the take with other settings is moved aside, never replaced.
"""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Collection, Iterable
from itertools import chain, count
from pathlib import Path, PurePosixPath

import flashpan
from flashpan.cut.names import safe_name
from flashpan.eventlog import EXTENSION
from flashpan.jsontext import loads
from flashpan.night.alone import LOCK_NAME
from flashpan.night.found import Found

_MARK_DIGITS = 8


def folder_for(found: Found, digest: str, taken: Iterable[str]) -> str:
    """Choose the folder of a take that is new to the night.

    Parameters
    ----------
    found : Found
    digest : str
        Hexadecimal; marks the folder of a take whose name is taken.
    taken : iterable of str
        Folders of all other takes.

    Returns
    -------
    str
        Below the destination, with ``/``.
    """
    above = [safe_name(part) for part in PurePosixPath(found.place).parts[:-1]]
    plain = safe_name(found.name)
    folded = {_folded(folder) for folder in taken}
    marked = f"{plain}-{digest[:_MARK_DIGITS]}"
    names = chain((plain, marked), (f"{marked}-{number}" for number in count(2)))
    choices = ("/".join((*above, name)) for name in names)
    return next(choice for choice in choices if _folded(choice) not in folded)


def is_inside(dest: Path, folder: str) -> bool:
    """Whether a folder, as a catalog names it, really lies in a night, links followed."""
    top, real = os.path.realpath(dest), os.path.realpath(Path(dest, folder))
    return real != top and os.path.commonpath([real, top]) == top


def is_of(folder: Path, take: str) -> bool:
    """Whether the logs in a folder are of this take, made by this flashpan.

    What another version found may differ, and what lay elsewhere had other names.
    """
    return all(_is_log_of(path, take) for path in folder.glob(f"*{EXTENSION}"))


def _is_log_of(path: Path, take: str) -> bool:
    try:
        log = loads(path.read_text(encoding="utf-8"))
        return bool(
            log["flashpan"] == flashpan.__version__
            and log["take"]["absolute_path"] == os.path.abspath(take)
        )
    except (OSError, ValueError, KeyError, TypeError):
        return False


def move_aside(dest: Path, folder: str, others: Collection[str]) -> Path | None:
    """Put what a folder holds into one beside it, ``<folder>.earlier-1`` or the next free number.

    Parameters
    ----------
    dest : Path
    folder : str
        Of the take.
    others : collection of str
        Folders of other takes: those that lie in this one stay.

    Returns
    -------
    Path or None
        The folder beside it; None where there was nothing to move.
    """
    here = Path(dest, folder)
    kept = {Path(dest, other) for other in others if other != folder}
    kept |= {above for other in kept for above in other.parents}
    to_move = [path for path in _entries(here) if path not in kept and path.name != LOCK_NAME]
    if not to_move:
        return None
    aside = next(path for n in count(1) if not (path := _beside(here, n)).exists())
    aside.mkdir()
    for path in to_move:
        path.rename(aside / path.name)
    return aside


def _entries(folder: Path) -> list[Path]:
    return sorted(folder.iterdir()) if folder.is_dir() else []


def _beside(folder: Path, number: int) -> Path:
    return folder.with_name(f"{folder.name}.earlier-{number}")


def _folded(name: str) -> str:
    """Capitals and ways of writing accents do not make names different on every disk."""
    return unicodedata.normalize("NFC", name).casefold()
