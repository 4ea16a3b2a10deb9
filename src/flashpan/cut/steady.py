"""Bytes on their way to disk: steadily while they are written, and out of memory for the proof."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread

_SYNC_S = 0.02
_KEEP_SIZE = 1  # linux/falloc.h
_WRITE = 2  # linux/fs.h
_LIBC = ctypes.CDLL(None, use_errno=True)
_FALLOCATE = getattr(_LIBC, "fallocate64", None)
_SYNC_RANGE = getattr(_LIBC, "sync_file_range", None)


@contextmanager
def steadily(path: Path, n_bytes: int) -> Iterator[None]:
    """While the block writes to a file, have the disk take it bit by bit.

    Blocks for ``n_bytes`` are set aside first, where the file system can: writing to them is
    much faster than having each found as it is written.  What is too much, `give_back` returns.
    A failure of the disk is raised when the block ends.
    """
    descriptor = os.open(path, os.O_RDWR)
    failures: list[OSError] = []
    is_over = Event()

    def sync() -> None:
        while not is_over.wait(_SYNC_S):
            try:
                _begin_writing(descriptor)
            except OSError as error:
                failures.append(error)
                return

    syncing = Thread(target=sync, daemon=True)
    try:
        _set_aside(descriptor, n_bytes)
        syncing.start()
        yield
    finally:
        is_over.set()
        if syncing.ident is not None:
            syncing.join()
        os.close(descriptor)
    if failures:
        raise failures[0]


def give_back(path: Path) -> None:
    """Return blocks that were set aside beyond a file's end."""
    os.truncate(path, path.stat().st_size)


def _begin_writing(descriptor: int) -> None:
    """sync_file_range(2): have the disk begin, without waiting for what other files changed.

    ``fdatasync`` waits for the file system's journal, which may be busy with files that were
    removed; it is used where the other cannot be had.
    """
    if _SYNC_RANGE is None:
        os.fdatasync(descriptor)
    elif _SYNC_RANGE(descriptor, ctypes.c_int64(0), ctypes.c_int64(0), _WRITE):
        failure = ctypes.get_errno()
        raise OSError(failure, os.strerror(failure))


def _set_aside(descriptor: int, n_bytes: int) -> None:
    """fallocate(2), without changing the file's size; where that cannot be had, nothing.

    Not `os.posix_fallocate`, which writes zeros where the file system does not offer it.
    """
    if _FALLOCATE is not None and n_bytes:
        _FALLOCATE(descriptor, _KEEP_SIZE, ctypes.c_int64(0), ctypes.c_int64(n_bytes))


def leave_to_disk(path: Path) -> None:
    """Force a file, or those of a folder, to disk and out of memory.

    What is read from then on comes from the disk, where the system keeps to the advice.
    """
    for file in path.iterdir() if path.is_dir() else (path,):
        with file.open("rb") as opened:
            os.fsync(opened.fileno())
            os.posix_fadvise(opened.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
