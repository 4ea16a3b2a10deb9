"""Bytes on their way to disk: steadily while they are written, and out of memory for the proof."""

from __future__ import annotations

import os
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Self

BUFFER_BYTES = 1 << 20
"""What a muxer should hand over at once."""
_SYNC_BYTES = 8 << 20


class SteadyFile:
    """A new file for a muxer: ``write``, ``seek``, ``tell`` and ``read``.

    Every 8 MiB a second thread has the disk take what has been written so far.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("w+b", buffering=0)
        self._disk = ThreadPoolExecutor(1)
        self._syncing: Future[None] | None = None
        self._unsynced_bytes = 0
        self._failure: OSError | None = None

    def write(self, data: bytes) -> int:
        """Write all of it."""
        view = memoryview(data)
        try:
            while view:
                view = view[self._file.write(view) :]
        except OSError as error:
            self._failure = error
            raise
        self._unsynced_bytes += len(data)
        if self._unsynced_bytes >= _SYNC_BYTES and (not self._syncing or self._syncing.done()):
            self._wait()
            self._unsynced_bytes = 0
            self._syncing = self._disk.submit(os.fdatasync, self._file.fileno())
        return len(data)

    def read(self, n_bytes: int = -1) -> bytes:
        """Read on from the current place."""
        return self._file.read(n_bytes)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move to a place."""
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        """Return the current place."""
        return self._file.tell()

    def _wait(self) -> None:
        if self._syncing is not None:
            self._syncing.result()  # raises what the disk had to say

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is None:
                self._wait()
        finally:
            self._disk.shutdown()
            self._file.close()
        if self._failure is not None:
            raise self._failure  # a muxer says no more than that something failed


def leave_to_disk(path: Path) -> None:
    """Force a file, or those of a folder, to disk and out of memory.

    What is read from then on comes from the disk, where the system keeps to the advice.
    """
    for file in path.iterdir() if path.is_dir() else (path,):
        with file.open("rb") as opened:
            os.fsync(opened.fileno())
            os.posix_fadvise(opened.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
