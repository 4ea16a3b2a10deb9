"""The checksum lists of a night, read: which files there should be, and what is in them."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flashpan.night.checksums import SUFFIX

_LINE = re.compile(r"(\\?)([0-9a-f]{64}) [ *](.+)")
_ESCAPES = {"\\\\": "\\", "\\n": "\n", "\\r": "\r"}
_BLOCK_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Sums:
    """Checksums of one file, from one reading.

    Attributes
    ----------
    sha256, xxh64 : str
        Hexadecimal.
    bytes : int
    """

    sha256: str
    xxh64: str
    bytes: int


def sums_of(path: Path) -> Sums:
    """Read a file once, and give all its checksums."""
    import xxhash

    strong, quick, n_bytes = hashlib.sha256(), xxhash.xxh64(), 0
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            strong.update(block)
            quick.update(block)
            n_bytes += len(block)
    return Sums(strong.hexdigest(), quick.hexdigest(), n_bytes)


def listed_files(dest: Path) -> dict[str, str]:
    """Files that the checksum lists of a night name, and those lists.

    Returns
    -------
    dict of str to str
        Path below the night, with ``/``, to SHA-256; of the lists themselves empty.
    """
    files = {}
    for path in files_below(dest):
        if path.name.endswith(SUFFIX):
            files[path.relative_to(dest).as_posix()] = ""
            for name, digest in _entries(path):
                files[(path.parent / name).relative_to(dest).as_posix()] = digest
    return files


def is_whole(path: Path) -> bool:
    """Whether every line of a list is a checksum, and there is one."""
    lines = path.read_bytes().decode("utf-8", "surrogateescape").removesuffix("\n").split("\n")
    return all(map(_LINE.fullmatch, lines))


def files_below(dest: Path) -> Iterator[Path]:
    """Every file below a folder, in order; links are not followed."""
    for folder, folders, names in os.walk(dest):
        folders.sort()
        yield from (Path(folder, name) for name in sorted(names))


def _entries(path: Path) -> Iterator[tuple[str, str]]:
    """Names and digests of a list; lines that are none are passed over."""
    text = path.read_bytes().decode("utf-8", "surrogateescape")
    for line in text.split("\n"):
        match = _LINE.fullmatch(line)
        if match is None:
            continue
        name = match[3]
        if match[1]:
            name = re.sub(r"\\[\\nr]", lambda one: _ESCAPES[one[0]], name)
        if _is_inside(name):
            yield name, match[2]


def _is_inside(name: str) -> bool:
    parts = Path(name).parts
    return not os.path.isabs(name) and ".." not in parts
