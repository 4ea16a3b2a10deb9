"""Numbered stills: which files of a folder make up a take, and in what order.

The frame number is the run of digits that varies most from file to file; files whose
other digits differ (two cameras, two takes) are different sequences.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from flashpan.errors import UnreadableTake

STILL_SUFFIXES = frozenset(
    (
        ".bmp",
        ".dib",
        ".dng",
        ".dpx",
        ".jpeg",
        ".jpg",
        ".pgm",
        ".png",
        ".pnm",
        ".ppm",
        ".tif",
        ".tiff",
    )
)
"""File name endings of stills, lower case."""

_DIGITS = re.compile(r"(\d+)", re.ASCII)
_WILD = re.compile(r"%(0?)(\d*)d|%%|[*?]")
_SHOWN = 10

Numbers = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sequence:
    """Stills of one take.

    Attributes
    ----------
    folder : Path
    names : tuple of str
        File names in frame order.
    numbers : ndarray of int64, shape (n,), or None
        The number in each name, ascending; ``None`` for a lone still without one.
    pattern : str
        What to write instead of the folder to mean this sequence.
    """

    folder: Path
    names: tuple[str, ...]
    numbers: Numbers | None
    pattern: str

    @property
    def first_number(self) -> int | None:
        """Number in the first file's name."""
        return None if self.numbers is None else int(self.numbers[0])

    def path(self, index: int) -> Path:
        """Where frame ``index`` is."""
        return self.folder / self.names[index]


def is_pattern(path: str) -> bool:
    """Whether the last part of a path stands for many files (``%06d``, ``*`` or ``?``)."""
    return not os.path.lexists(path) and any(
        match[0] != "%%" for match in _WILD.finditer(os.path.basename(path))
    )


def find_sequence(path: str) -> Sequence:
    """Find the one sequence that a folder, a pattern or a lone file holds.

    Raises
    ------
    UnreadableTake
        No stills, several sequences (the message lists their patterns), or two files with
        one number.
    """
    where = Path(path)
    if where.is_dir():
        return _only(path, where, [name for name in _files(where) if _is_still(name)])
    if where.is_file():
        return _sequence(path, where.parent, [where.name], -1)
    names = [name for name in _files(where.parent) if _matcher(where.name).fullmatch(name)]
    return _only(path, where.parent, names)


def numbered_sequences(
    folder: str | os.PathLike[str], names: Iterable[str]
) -> Iterator[Sequence | UnreadableTake]:
    """Every sequence among the names of files of one folder.

    Stills without a number are left out.  Where two files of a sequence have one number, the
    error that `find_sequence` would raise takes the place of its group.
    """
    for group in _numbered(_groups(name for name in names if _is_still(name))):
        try:
            yield from _split(os.fspath(folder), Path(folder), group)
        except UnreadableTake as error:
            yield error


def is_numbered(name: str) -> bool:
    """Whether a file's name has a number in front of its ending."""
    return "\0" in _skeleton(name)


def siblings(path: str) -> Sequence | None:
    """Return the sequence that a single still is one of; ``None`` if it stands alone."""
    where = Path(path)
    skeleton = _skeleton(where.name)
    names = [name for name in _files(where.parent) if _skeleton(name) == skeleton]
    for sequence in _split(path, where.parent, names):
        if len(sequence.names) > 1 and where.name in sequence.names:
            return sequence
    return None


def missing(numbers: Numbers) -> str:
    """Name the gaps in ascending numbers, compactly: ``12–14, 20``; empty if there are none."""
    before = np.flatnonzero(np.diff(numbers) > 1)
    runs = [(int(numbers[k]) + 1, int(numbers[k + 1]) - 1) for k in before[:_SHOWN]]
    shown = ", ".join(str(a) if a == b else f"{a}–{b}" for a, b in runs)
    more = len(before) - len(runs)
    return f"{shown} and {more} more gaps" if more else shown


def _files(folder: Path) -> list[str]:
    if not folder.is_dir():
        raise UnreadableTake(f"{folder}: no such folder; check the path")
    with os.scandir(folder) as entries:
        return [e.name for e in entries if not e.name.startswith(".") and e.is_file()]


def _is_still(name: str) -> bool:
    return os.path.splitext(name)[1].lower() in STILL_SUFFIXES


def _matcher(pattern: str) -> re.Pattern[str]:
    """Turn ``%06d``, ``*`` and ``?`` into a regular expression; all else is literal."""
    parts, end = [], 0
    for match in _WILD.finditer(pattern):
        parts.append(re.escape(pattern[end : match.start()]))
        digits = rf"[0-9]{{{match[2] or 1},}}" if match[1] is not None else None
        parts.append(digits or {"%%": "%", "*": ".*", "?": "."}[match[0]])
        end = match.end()
    return re.compile("".join([*parts, re.escape(pattern[end:])]), re.DOTALL)


def _only(path: str, folder: Path, names: list[str]) -> Sequence:
    if not names:
        raise UnreadableTake(
            f"{path}: no stills here; give a folder or pattern of numbered TIFF, PNG, JPEG, DPX, "
            "DNG, BMP or PGM files, or name the take's file"
        )
    groups = _groups(names)
    numbered = _numbered(groups)
    found = [sequence for group in numbered or groups for sequence in _split(path, folder, group)]
    if len(found) > 1:
        raise UnreadableTake(f"{path}: {_choice(found, numbered=bool(numbered))}")
    return found[0]


def _groups(names: Iterable[str]) -> list[list[str]]:
    """Names that differ in their numbers alone, together."""
    by_skeleton: dict[str, list[str]] = {}
    for name in names:
        by_skeleton.setdefault(_skeleton(name), []).append(name)
    return list(by_skeleton.values())


def _numbered(groups: list[list[str]]) -> list[list[str]]:
    return [group for group in groups if is_numbered(group[0])]


def _choice(found: list[Sequence], *, numbered: bool) -> str:
    if not numbered:
        return "several stills without numbers; number them (shot_0001 …) or give one file"
    patterns = sorted(sequence.pattern for sequence in found)
    more = f" and {len(patterns) - _SHOWN} more" if len(patterns) > _SHOWN else ""
    return f"holds several sequences; give one of {', '.join(patterns[:_SHOWN])}{more}"


def _skeleton(name: str) -> str:
    """Reduce a name to what stays when its numbers change."""
    stem, suffix = os.path.splitext(name)
    return _DIGITS.sub("\0", stem) + suffix


def _columns(names: list[str]) -> Numbers:
    """Read the numbers in each name, shape (files, runs of digits)."""
    rows = (_DIGITS.findall(os.path.splitext(name)[0]) for name in names)
    return np.array([[int(run[-18:]) for run in row] for row in rows], np.int64)


def _split(path: str, folder: Path, names: list[str]) -> list[Sequence]:
    """Split files of one skeleton into sequences."""
    columns = _columns(names)
    if not columns.size:
        return [_sequence(path, folder, [name], -1) for name in names]
    distinct = np.array([len(np.unique(column)) for column in columns.T])
    # The last of the most varied columns: in date_time_counter it is the counter.
    frame = int(np.flatnonzero(distinct == distinct.max())[-1])
    if distinct[frame] == len(names):
        return [_sequence(path, folder, names, frame)]
    _, group = np.unique(np.delete(columns, frame, axis=1), axis=0, return_inverse=True)
    group = group.reshape(-1)
    members: dict[int, list[str]] = {}
    for name, number in zip(names, group.tolist(), strict=True):
        members.setdefault(number, []).append(name)
    return [_sequence(path, folder, some, frame) for some in members.values()]


def _sequence(path: str, folder: Path, names: list[str], column: int) -> Sequence:
    """Order the files of one sequence by the number in the given column."""
    columns = _columns(names)
    if not columns.size:
        return Sequence(folder, tuple(names), None, names[0].replace("%", "%%"))
    column %= columns.shape[1]
    numbers = columns[:, column]
    order = np.argsort(numbers, kind="stable")
    numbers, ordered = numbers[order], [names[k] for k in order]
    twin = np.flatnonzero(np.diff(numbers) == 0)
    if twin.size:
        a, b = ordered[twin[0]], ordered[twin[0] + 1]
        raise UnreadableTake(f"{path}: {a} and {b} have one number; keep one, or give a pattern")
    return Sequence(folder, tuple(ordered), numbers, _pattern(ordered, columns, column))


def _pattern(names: list[str], columns: Numbers, column: int) -> str:
    if len(names) == 1:
        return names[0].replace("%", "%%")
    stem, suffix = os.path.splitext(names[0])
    pieces = [piece.replace("%", "%%") for piece in _DIGITS.split(stem)]
    for k in range(columns.shape[1]):
        if len(np.unique(columns[:, k])) > 1:
            pieces[2 * k + 1] = "*"
    pieces[2 * column + 1] = _number_part(names, column)
    return "".join(pieces) + suffix.replace("%", "%%")


def _number_part(names: Iterable[str], column: int) -> str:
    runs = [_DIGITS.findall(os.path.splitext(name)[0])[column] for name in names]
    width = min(len(run) for run in runs)
    padded = len(runs[0]) == max(map(len, runs)) or any(run[0] == "0" != run for run in runs)
    return f"%0{width}d" if padded and width > 1 else "%d"
