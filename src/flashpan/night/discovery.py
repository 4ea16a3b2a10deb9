"""A card or a folder of takes: which takes are in it.

Every file that some reader takes is a take; numbered stills of one folder are one take for each
sequence; a TIFF file of several pages is one by itself.  Hidden and temporary files are passed
over, as is what is no take: sound, notes, a lone still.  What could be a take and cannot be read
is listed with the reason, so that a night says what it did not see.

Folders reached by a symbolic link are walked after all others, and each folder only once, by its
device and inode: loops end, and a take is found under its own folder's name where it has one.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field

from flashpan.errors import UnreadableTake, UsageError
from flashpan.night.found import (
    FOLDER,
    RAW,
    STILLS,
    Entry,
    Found,
    of_file,
    of_stills,
    unreadable,
)
from flashpan.readers.multipage import has_several_pages
from flashpan.readers.open import kind_of
from flashpan.readers.sequence import STILL_SUFFIXES, Sequence, is_numbered, numbered_sequences

CATALOG_NAME = "night.sqlite"
"""A folder that holds such a file is where a night went to: its clips are no takes."""

_TEMPORARY = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".filepart", ".swp", "~")
_SYSTEM_FOLDERS = frozenset({"$recycle.bin", "__macosx", "lost+found", "system volume information"})
# Begin as MP4 does, and hold sound or one photograph.
_NO_TAKES = frozenset({".avif", ".cr3", ".heic", ".heif", ".m4a", ".m4b"})
_HEADERLESS = frozenset({".bin", ".raw"})
# What lies beside takes and is not to be read as pixels, whatever geometry is given.
_COMPANIONS = frozenset(
    {
        *(".aac", ".csv", ".flac", ".htm", ".html", ".ini", ".json", ".log", ".md", ".md5"),
        *(".mp3", ".ogg", ".pdf", ".py", ".sh", ".sha1", ".sha256", ".srt", ".toml", ".txt"),
        *(".wav", ".xml", ".yaml", ".yml", ".zip"),
    }
)
_NO_GEOMETRY = (
    'may hold headerless pixels; say their geometry, raw = "WIDTHxHEIGHT:FORMAT", in flashpan.toml,'
    " or give --raw"
)
_DIGITS = re.compile(r"(\d+)", re.ASCII)

OnPassed = Callable[[str, str], object]


def discover(
    source: str | os.PathLike[str],
    *,
    is_raw: Callable[[str], bool] = lambda place: False,
    skip: Collection[str | os.PathLike[str]] = (),
    on_passed: OnPassed = lambda path, why: None,
) -> Iterator[Found]:
    """Find the takes of a folder and all folders in it, in natural order of their names.

    Parameters
    ----------
    source : path-like
        A folder, or one take.
    is_raw : callable, optional
        Whether the settings give the geometry of headerless pixels for a file, by its place
        below the source; asked for files that no reader takes.
    skip : collection of path-like, optional
        Folders not to enter: where the results go.
    on_passed : callable, optional
        Called with path and reason for each file or folder that is passed over, hidden and
        temporary ones excepted.

    Yields
    ------
    Found
        One at a time, while the walk goes on.

    Raises
    ------
    UsageError
        There is no such source.
    """
    root = os.path.abspath(source)
    if not os.path.lexists(root):
        raise UsageError(f"{source}: no such file or folder; check the path, or mount the disk")
    walk = _Walk(root, is_raw, on_passed)
    walk.seen |= {mark for folder in skip if (mark := _mark(os.fspath(folder))) is not None}
    if os.path.isdir(root):
        yield from walk.all_folders()
    else:
        yield from walk.file(Entry(root, os.path.basename(root)))


def is_passed_over(name: str) -> bool:
    """Whether a file or folder of that name is hidden, temporary or the system's own."""
    lower = name.lower()
    return name.startswith((".", "~$")) or lower.endswith(_TEMPORARY) or lower in _SYSTEM_FOLDERS


def natural_key(name: str) -> tuple[tuple[str, int, str], ...]:
    """Sort key in which ``take_2`` comes before ``take_10``, and case counts last."""
    parts = _DIGITS.split(name)
    return tuple(
        (word.casefold(), int(number or -1), word)
        for word, number in zip(parts[::2], [*parts[1::2], ""], strict=True)
    )


@dataclass(slots=True)
class _Listing:
    """What one folder holds, by what it is."""

    files: list[Entry] = field(default_factory=list)
    folders: list[Entry] = field(default_factory=list)
    links: list[Entry] = field(default_factory=list)
    broken: list[Entry] = field(default_factory=list)


class _Walk:
    """One walk through a source."""

    def __init__(self, root: str, is_raw: Callable[[str], bool], on_passed: OnPassed) -> None:
        self._root, self._is_raw, self._passed = root, is_raw, on_passed
        self._real_root = os.path.realpath(root)
        self.seen: set[tuple[int, int]] = set()

    def all_folders(self) -> Iterator[Found]:
        """Walk the root, then what links lead to, without recursion: folders may be deep."""
        to_come, links = [Entry(self._root, "")], list[Entry]()
        while to_come or links:
            entry = to_come.pop() if to_come else links.pop(0)
            mark = _mark(entry.path)
            if mark in self.seen:
                continue
            if mark is not None:
                self.seen.add(mark)
            try:
                listing = self._list(entry)
            except OSError as error:
                why = f"cannot be listed ({error.strerror}); check the disk and its rights"
                yield unreadable(entry, why, FOLDER)
                continue
            if listing is not None:
                yield from self._takes(entry, listing)
                to_come += reversed(listing.folders)
                links += listing.links

    def _list(self, folder: Entry) -> _Listing | None:
        """Sort out what a folder holds; None where it is the destination of a night."""
        listing = _Listing()
        with os.scandir(folder.path) as entries:
            found = sorted(
                (entry for entry in entries if not is_passed_over(entry.name)),
                key=lambda entry: natural_key(entry.name),
            )
        if any(entry.name == CATALOG_NAME for entry in found):
            self._passed(folder.path, "holds the results of a night")
            return None
        for found_entry in found:
            self._sort_in(found_entry, folder.place, listing)
        return listing

    def _sort_in(self, found: os.DirEntry[str], place: str, listing: _Listing) -> None:
        entry = Entry(found.path, f"{place}/{found.name}" if place else found.name)
        if found.is_symlink():
            self._sort_in_link(entry, listing)
        elif found.is_dir():
            listing.folders.append(entry)
        elif found.is_file():
            listing.files.append(entry)
        else:
            self._passed(entry.path, "is a device, pipe or socket")

    def _sort_in_link(self, entry: Entry, listing: _Listing) -> None:
        if os.path.isdir(entry.path):
            listing.links.append(entry)
        elif self._is_found_itself(entry.path):
            self._passed(entry.path, "is a link to a file that is found itself")
        elif os.path.isfile(entry.path):
            listing.files.append(entry)
        elif not os.path.exists(entry.path):
            listing.broken.append(entry)
        else:
            self._passed(entry.path, "is a link to a device, pipe or socket")

    def _is_found_itself(self, link: str) -> bool:
        """Whether a link leads to a file that this walk meets without it."""
        real = os.path.realpath(link)
        if not (os.path.isfile(real) and real.startswith(self._real_root + os.sep)):
            return False
        parts = real[len(self._real_root) + 1 :].split(os.sep)
        return not any(is_passed_over(part) for part in parts)

    def _takes(self, folder: Entry, listing: _Listing) -> Iterator[Found]:
        stills = [entry for entry in listing.files if entry.suffix in STILL_SUFFIXES]
        yield from self._stills(folder, stills)
        for entry in listing.files:
            if entry.suffix not in STILL_SUFFIXES:
                yield from self.file(entry)
        for entry in listing.broken:
            yield unreadable(entry, "is a link to nothing; mount what it leads to, or remove it")

    def _stills(self, folder: Entry, stills: list[Entry]) -> Iterator[Found]:
        """One take for each sequence; the folder itself stands for the only one."""
        by_name = {entry.name: entry for entry in stills}
        sequences = list(numbered_sequences(folder.path, by_name))
        for sequence in sequences:
            if isinstance(sequence, UnreadableTake):
                yield unreadable(folder, str(sequence), STILLS)
            elif _is_of_stacks(sequence):
                yield from (self._stack(by_name[name]) for name in sequence.names)
            elif len(sequence.names) > 1:
                yield of_stills(folder, sequence, alone=len(sequences) == 1)
            else:
                yield from self._lone(by_name[sequence.names[0]])
        for entry in stills:
            if not is_numbered(entry.name):
                yield from self._lone(entry)

    def _lone(self, entry: Entry) -> Iterator[Found]:
        if has_several_pages(entry.path):
            yield self._stack(entry)
        else:
            self._passed(entry.path, "is one still, not several that are numbered")

    def _stack(self, entry: Entry) -> Found:
        return of_file(entry, "multipage")

    def file(self, entry: Entry) -> Iterator[Found]:
        """A file by itself: nothing where it is no take."""
        if entry.suffix in _NO_TAKES | _COMPANIONS:
            self._passed(entry.path, "is no take")
            return
        try:
            kind = kind_of(entry.path) if _is_regular(entry.path) else None
        except UnreadableTake as error:
            yield unreadable(entry, str(error))
            return
        if kind is not None:
            yield of_file(entry, kind)
        elif self._is_raw(entry.place):
            yield of_file(entry, RAW)
        elif entry.suffix in _HEADERLESS:
            yield unreadable(entry, _NO_GEOMETRY, RAW)
        else:
            self._passed(entry.path, "is no take")


def _mark(folder: str) -> tuple[int, int] | None:
    """What is the same for a folder by whatever way it is reached."""
    try:
        status = os.stat(folder)
    except OSError:
        return None
    return status.st_dev, status.st_ino


def _is_regular(path: str) -> bool:
    try:
        return stat.S_ISREG(os.stat(path).st_mode)
    except OSError as error:
        raise UnreadableTake(f"{path}: {error.strerror}; check the file and its rights") from None


def _is_of_stacks(sequence: Sequence) -> bool:
    """Whether numbered TIFF files are takes of many pages each, and not one picture each."""
    if not sequence.names[0].lower().endswith((".tif", ".tiff")):
        return False
    ends = {0, len(sequence.names) - 1}
    return any(has_several_pages(str(sequence.path(index))) for index in ends)
