"""One worker at a time in a take's folder.

A coordinator that is killed leaves workers behind for a moment, and the next run may begin
before they are gone.  Two of them in one folder would take each other's clips for strangers'.
"""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from flashpan.errors import TakeError

LOCK_NAME = ".flashpan-at-work"
_PATIENCE_S = 60.0
_PAUSE_S = 0.1


@contextmanager
def alone_in(folder: Path, patience_s: float = _PATIENCE_S) -> Iterator[None]:
    """Make a folder and hold it; waits for whoever holds it until its patience is at an end.

    The system lets go of the lock when a process ends, however it ends.  File systems without
    locks are let off.

    Raises
    ------
    TakeError
        Somebody else is still at it, or the folder cannot be made.
    """
    path = folder / LOCK_NAME
    try:
        descriptor = _held(path, time.monotonic() + patience_s)
    except OSError as error:
        raise TakeError(
            f"{folder}: cannot be written to ({error.strerror}); choose another folder"
        ) from error
    if descriptor is None:
        raise TakeError(f"{folder}: another run is at work in it; wait for it, or stop it")
    try:
        yield
    finally:
        with suppress(OSError):
            path.unlink()
            folder.rmdir()  # where nothing came of it
        os.close(descriptor)


def _held(path: Path, until: float) -> int | None:
    """A descriptor that holds the lock; None where patience ran out."""
    while True:
        descriptor = _opened(path)
        if descriptor is not None:
            if _locked(descriptor) and _is_still(path, descriptor):
                return descriptor
            os.close(descriptor)
        if time.monotonic() > until:
            return None
        time.sleep(_PAUSE_S)


def _opened(path: Path) -> int | None:
    """The lock file, made if need be; None where its folder went while we looked."""
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    except FileNotFoundError:
        return None  # the last holder left nothing in it and took it away


def _locked(descriptor: int) -> bool:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        pass  # no locks here
    return True


def _is_still(path: Path, descriptor: int) -> bool:
    """Whether the file that is locked is the one of that name: the last holder removed its own."""
    try:
        return os.path.samestat(os.stat(path), os.fstat(descriptor))
    except FileNotFoundError:
        return False
