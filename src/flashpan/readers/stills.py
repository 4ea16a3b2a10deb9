"""A folder, or a pattern, of numbered stills."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from flashpan.errors import UnreadableTake
from flashpan.model import Frame
from flashpan.readers.base import Source
from flashpan.readers.blocks import sealed
from flashpan.readers.picture import BadPicture, Picture, alike, size_text
from flashpan.readers.sequence import (
    STILL_SUFFIXES,
    Sequence,
    find_sequence,
    is_pattern,
    missing,
    siblings,
)
from flashpan.readers.still import read_still
from flashpan.readers.streamed import EndOfTake, IndexedReader, describe

_NAMED_DAMAGES = 20


class StillsReader(IndexedReader):
    """One take of numbered stills, in natural numeric order.

    Frames are counted from 0 whatever the numbers; `first_number` keeps the first file's.
    A file that does not decode is left out and keeps its index, so that no later frame
    moves; a warning names it.

    Attributes
    ----------
    first_number : int or None
        Number in the first file's name.

    Raises
    ------
    UnreadableTake
        No stills, several sequences, none that decodes, or stills of differing size (met at
        the last one when opening, else when its turn comes).
    """

    name: ClassVar[str] = "stills"
    priority: ClassVar[int] = 40

    @classmethod
    def accepts(cls, source: Source) -> bool:
        """For a folder, a pattern, or one still that is no TIFF."""
        path = Path(source.path)
        still = path.suffix.lower() in STILL_SUFFIXES - {".tif", ".tiff"}
        return path.is_dir() or is_pattern(source.path) or (still and path.is_file())

    def __init__(self, source: Source) -> None:
        self._sequence = find_sequence(source.path)
        self.first_number = self._sequence.first_number
        self._damaged: dict[int, str] = {}
        first = self._first_readable(source.path)
        self._shift = spare_bits(first)
        self._like = first
        self.info = describe(
            source,
            name=take_name(source.path),
            shape=first.luma.shape,
            bit_depth=first.bit_depth - self._shift,
            n_frames=len(self._sequence.names),
            declared_frames=len(self._sequence.names),
            codec=first.codec,
            container="stills",
            pixel_format=first.pixel_format,
            warnings=_warnings(source.path, self._sequence),
        )
        self._refuse_odd_last()

    def _first_readable(self, path: str) -> Picture:
        for index in range(len(self._sequence.names)):
            try:
                return read_still(self._sequence.path(index))
            except BadPicture as error:
                self._damaged.setdefault(0, str(error))
        raise UnreadableTake(
            f"{path}: none of {len(self._sequence.names)} stills can be read "
            f"({self._sequence.names[0]}: {self._damaged[0]}); copy them anew"
        )

    def _refuse_odd_last(self) -> None:
        try:
            last = read_still(self._sequence.path(len(self._sequence.names) - 1))
        except BadPicture:
            return  # reported when its turn comes
        if not alike(last, self._like):
            raise self._odd(len(self._sequence.names) - 1, last)

    def _odd(self, index: int, picture: Picture) -> UnreadableTake:
        """Two takes in one folder: to go on, or to stop here, would lose one of them unseen."""
        return UnreadableTake(
            f"{self.info.path}: stills of differing size or depth: the first is "
            f"{size_text(self._like)}, {self._sequence.names[index]} is {size_text(picture)}; "
            "keep one kind in one folder"
        )

    def _fetch(self, index: int) -> Frame | None:
        if index >= len(self._sequence.names):
            raise EndOfTake
        try:
            picture = read_still(self._sequence.path(index))
        except BadPicture as error:
            self._leave_out(index, str(error))
            return None
        self.bytes_read += picture.n_bytes
        if not alike(picture, self._like):
            raise self._odd(index, picture)
        return Frame(index=index, luma=sealed(self._shifted(picture)))

    def part_sizes(self) -> npt.NDArray[np.int64] | None:
        """Bytes of every file; a file that is gone has none."""
        sizes = [_size(self._sequence.path(n)) for n in range(len(self._sequence.names))]
        found = np.array(sizes, np.int64)
        return found if (found != found[0]).any() else None

    def _shifted(self, picture: Picture) -> npt.NDArray[Any]:
        return picture.luma >> self._shift if self._shift else picture.luma

    def _leave_out(self, index: int, reason: str) -> None:
        if index in self._damaged and index:
            return
        self._damaged[index] = reason
        if len(self._damaged) <= _NAMED_DAMAGES:
            name = self._sequence.names[index]
            self._warn(f"{name} cannot be read ({reason}): frame {index} is left out")
        else:
            self._warn(f"more than {_NAMED_DAMAGES} stills cannot be read and are left out")

    def close(self) -> None:
        """Nothing stays open between frames."""


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def take_name(path: str) -> str:
    """Name a take of stills: the folder's name, or what comes before a pattern's number."""
    where = Path(path)
    if where.is_dir():
        return where.resolve().name
    if not is_pattern(path):
        return where.stem
    stem = where.name[: min(where.name.find(mark) for mark in "%*?" if mark in where.name)]
    return stem.rstrip("_-. ") or where.parent.resolve().name


def spare_bits(picture: Picture) -> int:
    """Low bits that may be dropped: declared to carry nothing, and carrying nothing.

    A file that declares fewer significant bits should repeat the high bits in the low ones,
    or leave them zero (PNG, third edition, 12.4); one that does neither is kept as stored.
    """
    spare = picture.spare_bits
    if not spare:
        return 0
    kept = picture.luma >> spare
    zeros = kept << spare
    repeated = zeros | kept >> max(picture.bit_depth - 2 * spare, 0)
    whole = bool((picture.luma == zeros).all() or (picture.luma == repeated).all())
    return spare if whole else 0


def _warnings(path: str, sequence: Sequence) -> tuple[str, ...]:
    if os.path.isfile(path):
        return lone_still_warning(path)
    gaps = "" if sequence.numbers is None else missing(sequence.numbers)
    return (f"frames {gaps} missing in the numbering",) if gaps else ()


def lone_still_warning(path: str) -> tuple[str, ...]:
    """Warn that a single file is one of a sequence, where it is."""
    whole = siblings(path)
    if whole is None:
        return ()
    n_stills = len(whole.names)
    return (f"one still of {n_stills}; give the folder or {whole.pattern} to read them all",)
