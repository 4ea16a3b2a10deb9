"""Identity of a take: its size, and a hash of its head and tail.

A file is known by its length and by its first and last `HEAD_BYTES` and `TAIL_BYTES`: a
camera writes counters, clocks and noise there that no second take repeats.  A take of stills
is known by the names and lengths of its files and by head and tail of the first and the last
one.  Neither the name nor the place of the file or folder counts, so a take that was moved
or renamed is still the same.  Reading that much costs a few milliseconds, however long the
take; bytes changed in its middle, at the same length, are not noticed.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from flashpan.errors import FlashpanError, TakeError
from flashpan.model import EventLog, Fingerprint, TakeInfo
from flashpan.readers.sequence import Sequence, find_sequence, is_pattern

HEAD_BYTES = TAIL_BYTES = 256 * 1024
"""Hashed at each end of a file; of stills, two files are read: one mebibyte at most."""

_MOST_BYTES = 1 << 20
"""No log makes us hash more than this at an end of a file."""


def fingerprint_of(
    path: str | os.PathLike[str], head_bytes: int = HEAD_BYTES, tail_bytes: int = TAIL_BYTES
) -> Fingerprint | None:
    """Take the fingerprint of a file, or of the stills of a folder or pattern.

    Parameters
    ----------
    path : str or path-like
        As given to `flashpan.open_take`.
    head_bytes, tail_bytes : int
        How much of a file's start and end to hash.

    Returns
    -------
    Fingerprint or None
        None for what has no lasting bytes (a pipe, a device) or cannot be read now.
    """
    head_bytes, tail_bytes = (min(max(n, 0), _MOST_BYTES) for n in (head_bytes, tail_bytes))
    where = os.fspath(path)
    try:
        if os.path.isfile(where):
            return _of_file(Path(where), head_bytes, tail_bytes)
        if os.path.isdir(where) or is_pattern(where):
            return _of_stills(find_sequence(where), head_bytes, tail_bytes)
    except (OSError, FlashpanError):
        pass  # identity is a safeguard: its absence must not stop a search
    return None


def check_fits(log: EventLog, take: TakeInfo, log_path: str | os.PathLike[str]) -> None:
    """Refuse a log that was made from another take.

    Compared is what both sides know: size in bytes, number of stills, picture size and bit
    depth, frames (as counted, or as the container declares them where there is no
    fingerprint) and the hash of head and tail.  Older logs without a fingerprint are held
    against the rest.

    Parameters
    ----------
    log : EventLog
        What shall be cut by.
    take : TakeInfo
        The open take; its ``path`` is read again for the fingerprint.
    log_path : path-like
        Where the log came from, for the message.

    Raises
    ------
    TakeError
        One line that names the log, the take, all that differs, and the cure.
    """
    differing = [*_bytes_differ(log.take, take), *_pictures_differ(log.take, take)]
    if differing:
        raise TakeError(
            f"{log_path}: was made from another take than {take.path} ({'; '.join(differing)});"
            " give the log of this take, or run find on it again"
        )


def _of_file(path: Path, head_bytes: int, tail_bytes: int) -> Fingerprint:
    digest = hashlib.sha256()
    size = _add_ends(digest, path, head_bytes, tail_bytes)
    return Fingerprint(
        size_bytes=size,
        n_files=1,
        head_bytes=head_bytes,
        tail_bytes=tail_bytes,
        digest=digest.hexdigest(),
    )


def _of_stills(stills: Sequence, head_bytes: int, tail_bytes: int) -> Fingerprint:
    digest, size = hashlib.sha256(), 0
    for name in stills.names:
        n_bytes = os.stat(stills.folder / name).st_size
        digest.update(os.fsencode(name) + b"\0%d\n" % n_bytes)
        size += n_bytes
    for index in (0, len(stills.names) - 1):
        _add_ends(digest, stills.path(index), head_bytes, tail_bytes)
    return Fingerprint(
        size_bytes=size,
        n_files=len(stills.names),
        head_bytes=head_bytes,
        tail_bytes=tail_bytes,
        digest=digest.hexdigest(),
    )


def _add_ends(digest: hashlib._Hash, path: Path, head_bytes: int, tail_bytes: int) -> int:
    """Hash both ends of a file, a short one once; return its length."""
    with path.open("rb", buffering=0) as file:
        size = os.fstat(file.fileno()).st_size
        digest.update(_exactly(file.fileno(), min(head_bytes, size), 0))
        start = max(head_bytes, size - tail_bytes)
        digest.update(_exactly(file.fileno(), max(0, size - start), start))
    return size


def _exactly(descriptor: int, n_bytes: int, offset: int) -> bytes:
    """Read so many bytes; fewer only where the file ends."""
    parts = []
    while n_bytes and (part := os.pread(descriptor, n_bytes, offset)):
        parts.append(part)
        n_bytes -= len(part)
        offset += len(part)
    return b"".join(parts)


def _bytes_differ(logged: TakeInfo, take: TakeInfo) -> list[str]:
    """What the fingerprints say; nothing where either side has none."""
    old = logged.fingerprint
    new = old and fingerprint_of(take.path, old.head_bytes, old.tail_bytes)
    if old is None or new is None:
        return []
    texts = []
    if old.size_bytes != new.size_bytes:
        texts.append(f"size: {old.size_bytes:,} bytes in the log, {new.size_bytes:,} now")
    if old.n_files != new.n_files:
        texts.append(f"files: {old.n_files:,} in the log, {new.n_files:,} now")
    if old.digest != new.digest:
        texts.append("hash: head or tail is not as it was")
    return texts


def _pictures_differ(logged: TakeInfo, take: TakeInfo) -> list[str]:
    texts = []
    if (logged.shape, logged.bit_depth) != (take.shape, take.bit_depth):
        texts.append(f"picture: {_picture_text(logged)} in the log, {_picture_text(take)} now")
    old, new = logged.n_frames, take.n_frames
    if (old is None or new is None) and logged.fingerprint is None:
        old, new = logged.declared_frames, take.declared_frames
    if None not in (old, new) and old != new:
        texts.append(f"frames: {old:,} in the log, {new:,} now")
    return texts


def _picture_text(take: TakeInfo) -> str:
    rows, cols = take.shape
    return f"{cols}x{rows} at {take.bit_depth} bits"
