"""What a walk through a source finds: a take, or what may be one and cannot be read."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from flashpan.cut.names import name_of
from flashpan.errors import UnreadableTake
from flashpan.readers.sequence import Sequence, find_sequence

STILLS, RAW, FOLDER, UNKNOWN = "stills", "raw", "folder", "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A take, or what may be one and cannot be read.

    Attributes
    ----------
    path : str
        Absolute, as `flashpan.open_take` takes it: a file, a folder of stills, or a pattern
        where several sequences share a folder.
    place : str
        The same below the source, with ``/``.
    name : str
        Short name, as its reader gives it.
    kind : str
        The reader's name (``video``, ``stills``, ``raw`` …); ``folder`` or ``unknown`` where
        nothing more can be said.
    bytes, n_files : int
        Of all its files.
    mtime_ns : int
        When the latest of its files was last written, nanoseconds since 1970 (UTC).
    problem : str or None
        Why it cannot be read, one line with the cure.
    """

    path: str
    place: str
    name: str
    kind: str
    bytes: int = 0
    n_files: int = 1
    mtime_ns: int = 0
    problem: str | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """A file or folder, and its place below the source."""

    path: str
    place: str

    @property
    def name(self) -> str:
        """Its name in its folder."""
        return os.path.basename(self.path)

    @property
    def suffix(self) -> str:
        """Ending of its name, in small letters."""
        return os.path.splitext(self.path)[1].lower()


def of_file(entry: Entry, kind: str) -> Found:
    """A take of one file, or why it cannot be read."""
    try:
        with open(entry.path, "rb", buffering=0) as file:
            status = os.fstat(file.fileno())
            file.read(1)  # some disks give way only now
    except OSError as error:
        why = f"cannot be read ({error.strerror}); check the disk and the file's rights"
        return unreadable(entry, why, kind)
    if not status.st_size:
        return unreadable(entry, "is empty (0 bytes); copy it again from the camera", kind)
    return Found(
        path=entry.path,
        place=entry.place,
        name=name_of(entry.path),
        kind=kind,
        bytes=status.st_size,
        mtime_ns=status.st_mtime_ns,
    )


def of_stills(folder: Entry, sequence: Sequence, *, alone: bool) -> Found:
    """A take of numbered stills; where it is alone in its folder, the folder stands for it."""
    path = folder.path if alone else os.path.join(folder.path, sequence.pattern)
    place = "/".join(filter(None, (folder.place, "" if alone else sequence.pattern)))
    try:
        size, latest = _size_and_time(sequence)
    except OSError as error:
        why = f"a still cannot be read ({error.strerror}); check the disk"
        return unreadable(Entry(path, place), why, STILLS)
    return Found(
        path=path,
        place=place or os.path.basename(path),
        name=name_of(path),
        kind=STILLS,
        bytes=size,
        n_files=len(sequence.names),
        mtime_ns=latest,
    )


def unreadable(entry: Entry, why: str, kind: str = UNKNOWN) -> Found:
    """What may be a take and cannot be read."""
    return Found(
        path=entry.path,
        place=entry.place or entry.name,
        name=Path(entry.path).stem,
        kind=kind,
        problem=why if entry.path in why else f"{entry.path}: {why}",
    )


def stamp(path: str) -> tuple[int, int, int] | None:
    """Bytes, number of files and latest time (ns) of a take as it lies there now.

    Returns
    -------
    tuple of int or None
        None where it is not there, or cannot be looked at.
    """
    try:
        if os.path.isfile(path):
            status = os.stat(path)
            return status.st_size, 1, status.st_mtime_ns
        sequence = find_sequence(path)
        size, latest = _size_and_time(sequence)
    except (OSError, UnreadableTake):
        return None
    return size, len(sequence.names), latest


def _size_and_time(sequence: Sequence) -> tuple[int, int]:
    states = [os.stat(os.path.join(sequence.folder, name)) for name in sequence.names]
    return sum(one.st_size for one in states), max(one.st_mtime_ns for one in states)
