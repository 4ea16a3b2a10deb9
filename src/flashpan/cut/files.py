"""Stills: the files themselves, in a folder of their own."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from flashpan.cut.base import Cut, StillFiles, Written
from flashpan.errors import CutRefused, UnreadableTake
from flashpan.readers.sequence import Sequence, find_sequence

_DIGITS = re.compile(r"(\d+)", re.ASCII)
_FICLONE = 0x40049409  # share a file's blocks: linux/fs.h
_BLOCK_BYTES = 1 << 20


def copy_stills(cut: Cut, folder: Path) -> Written:
    """Bring the files of a range to ``folder``.

    Raises
    ------
    UnreadableTake
        The take does not have these files any more.
    CutRefused
        The file system cannot link or share the files.
    """
    sequence = find_sequence(cut.take.path)
    if cut.take.n_frames not in (None, len(sequence.names)) or cut.span.stop > len(sequence.names):
        raise UnreadableTake(
            f"{cut.take.path}: {len(sequence.names)} stills are there, and not"
            f" {cut.take.n_frames or cut.span.stop}; read the take again"
        )
    hashes = []
    for index, name in zip(range(*cut.span), names(cut, sequence), strict=True):
        source = sequence.path(index)
        _bring(cut, source, folder / name)
        if cut.verify:
            hashes.append(file_md5(source))
    return Written(how="bytes", n_frames=cut.n_frames, hashes=tuple(hashes))


def hashes_of(cut: Cut, folder: Path) -> tuple[str, ...]:
    """MD5 of each file of a clip, in frame order."""
    return tuple(file_md5(folder / name) for name in names(cut, find_sequence(cut.take.path)))


def names(cut: Cut, sequence: Sequence) -> list[str]:
    """Names that the files of a range have in the clip."""
    kept = list(sequence.names[cut.span.start : cut.span.stop])
    if not cut.renumber or sequence.numbers is None:
        return kept
    column = _column(sequence)
    return [_numbered(name, column, place) for place, name in enumerate(kept)]


def _column(sequence: Sequence) -> int:
    """Which of the runs of digits in each name is the frame's number."""
    rows = [_DIGITS.findall(Path(name).stem) for name in sequence.names]
    numbers = [int(number) for number in sequence.numbers] if sequence.numbers is not None else []
    fitting = [
        column
        for column in range(len(rows[0]))
        if all(int(row[column][-18:]) == k for row, k in zip(rows, numbers, strict=True))
    ]
    return fitting[-1]


def _numbered(name: str, column: int, number: int) -> str:
    stem, suffix = os.path.splitext(name)
    parts = _DIGITS.split(stem)
    parts[2 * column + 1] = f"{number:0{len(parts[2 * column + 1])}d}"
    return "".join(parts) + suffix


def file_md5(path: Path) -> str:
    """MD5 of a file's bytes."""
    digest = hashlib.md5(usedforsecurity=False)
    for block in _blocks(path):
        digest.update(block)
    return digest.hexdigest()


def _blocks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            yield block


def _bring(cut: Cut, source: Path, target: Path) -> None:
    if cut.files is StillFiles.COPY:
        shutil.copyfile(source, target)
        with suppress(OSError):
            shutil.copystat(source, target)
        return
    try:
        if cut.files is StillFiles.HARDLINK:
            os.link(os.path.realpath(source), target)
        else:
            _share_blocks(source, target)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EACCES, errno.EROFS):
            raise
        raise CutRefused(
            f"{target.parent.parent}: cannot {cut.files} files of {source.parent}"
            f" ({error.strerror}); choose a folder on the same file system, or copy them"
        ) from error


def _share_blocks(source: Path, target: Path) -> None:
    with source.open("rb") as taken, target.open("xb") as made:
        fcntl.ioctl(made.fileno(), _FICLONE, taken.fileno())
    with suppress(OSError):
        shutil.copystat(source, target)
