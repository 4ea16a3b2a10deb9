"""Bytes on their way to disk: steadily while they are written, and out of memory for the proof."""

from __future__ import annotations

import ctypes
import os
import sys
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Self

BUFFER_BYTES = 1 << 18
"""What a muxer should hand over at once."""
_SYNC_BYTES = 8 << 20
_MOST_WAITING = 8
_LEAST_AHEAD, _MOST_AHEAD = 1 << 20, 64 << 20
_KEEP_SIZE = 1  # linux/falloc.h
_FALLOCATE = getattr(ctypes.CDLL(None), "fallocate64", None)


class SteadyFile:
    """A new file for a muxer: ``write``, ``seek``, ``tell`` and ``read``.

    A second thread writes, into blocks set aside beforehand, so that the muxer need not wait
    for it, and a third has the disk take every 8 MiB of what has been written.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("w+b", buffering=0)
        self._writer, self._disk = ThreadPoolExecutor(1), ThreadPoolExecutor(1)
        self._writing: deque[Future[None]] = deque()
        self._syncing: Future[None] | None = None
        self._unsynced_bytes = 0
        self._at = self._stop = self._reserved = 0

    def write(self, data: bytes) -> int:
        """Have all of it written; a failure shows at a later call, or at the end."""
        if len(self._writing) >= _MOST_WAITING:
            self._writing.popleft().result()
        self._writing.append(self._writer.submit(self._put, data, self._at))
        self._at += len(data)
        self._stop = max(self._stop, self._at)
        return len(data)

    def _put(self, data: bytes, place: int) -> None:
        if place + len(data) > self._reserved:
            self._reserve(place + len(data))
        view = memoryview(data)
        while view:
            written = os.pwrite(self._file.fileno(), view, place)
            view, place = view[written:], place + written
        self._unsynced_bytes += len(data)
        if self._unsynced_bytes >= _SYNC_BYTES and (not self._syncing or self._syncing.done()):
            self._unsynced_bytes = 0
            if self._syncing is not None:
                self._syncing.result()  # raises what the disk had to say
            self._syncing = self._disk.submit(os.fdatasync, self._file.fileno())

    def _reserve(self, stop: int) -> None:
        """Have the file system set blocks aside beyond the end: as many again, within limits.

        Writing to them is much faster than having each found as it is written.
        """
        more = min(max(stop, _LEAST_AHEAD), _MOST_AHEAD)
        self._reserved = stop + more if _set_aside(self._file.fileno(), stop, more) else sys.maxsize

    def read(self, n_bytes: int = -1) -> bytes:
        """Read on from the current place."""
        self._wait()
        wanted = self._stop - self._at if n_bytes < 0 else n_bytes
        data = os.pread(self._file.fileno(), wanted, self._at)
        self._at += len(data)
        return data

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move to a place."""
        start = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._stop}[whence]
        self._at = start + offset
        return self._at

    def tell(self) -> int:
        """Return the current place."""
        return self._at

    def _wait(self) -> None:
        while self._writing:
            self._writing.popleft().result()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self._wait()  # where a muxer says only that something failed, this says what
            if self._syncing is not None:
                self._syncing.result()
            os.ftruncate(self._file.fileno(), self._stop)  # gives back what was set aside
        finally:
            self._writer.shutdown()
            self._disk.shutdown()
            self._file.close()


def _set_aside(descriptor: int, start: int, n_bytes: int) -> bool:
    """fallocate(2), without changing the file's size; False where that cannot be had.

    Not `os.posix_fallocate`, which writes zeros where the file system does not offer it.
    """
    if _FALLOCATE is None:
        return False
    place, length = ctypes.c_int64(start), ctypes.c_int64(n_bytes)
    return bool(_FALLOCATE(descriptor, _KEEP_SIZE, place, length) == 0)


def leave_to_disk(path: Path) -> None:
    """Force a file, or those of a folder, to disk and out of memory.

    What is read from then on comes from the disk, where the system keeps to the advice.
    """
    for file in path.iterdir() if path.is_dir() else (path,):
        with file.open("rb") as opened:
            os.fsync(opened.fileno())
            os.posix_fadvise(opened.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
