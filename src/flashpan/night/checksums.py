"""Checksums of what a take leaves, in the form that ``sha256sum --check`` reads.

The form is that of GNU coreutils: the digest, two blanks, the name; a name with a backslash or
a line end in it is escaped, and its line begins with a backslash.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from pathlib import Path

from flashpan.atomic import write_text

SUFFIX = ".sha256"


def checksum(path: Path) -> str:
    """SHA-256 of a file; of a folder, of the lines that its files' checksums make.

    Those lines are what ``sha256sum *`` prints inside the folder.
    """
    if not path.is_dir():
        return _of_file(path)
    lines = "".join(line(_of_file(file), file.name) for file in files_in(path))
    return hashlib.sha256(lines.encode("utf-8", "surrogateescape")).hexdigest()


def files_in(folder: Path) -> list[Path]:
    """Files of a folder of stills, by name."""
    return sorted((path for path in folder.iterdir() if path.is_file()), key=lambda p: p.name)


def write_checksums(path: Path, results: Iterable[Path]) -> Path:
    """Write the checksums of files, and of the files of folders, with names relative to it."""
    lines = [
        line(_of_file(file), file.relative_to(path.parent).as_posix())
        for result in results
        for file in _files_of(result)
    ]
    text = "".join(lines)
    if not path.exists() or path.read_text("utf-8", "surrogateescape") != text:
        write_text(path, text, overwrite=True)
    return path


def _files_of(result: Path) -> Iterator[Path]:
    yield from files_in(result) if result.is_dir() else [result]


def _of_file(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def line(digest: str, name: str) -> str:
    """A line of a list."""
    escaped = name.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
    return f"{'' if escaped == name else chr(92)}{digest}  {escaped}\n"
