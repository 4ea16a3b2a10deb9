"""One run at a time on a night.

The lock is the system's (flock(2)) on a file that stays: it is let go of when the process ends,
however it ends, so that no run that was killed is in the way of the next.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from flashpan.errors import CatalogError, NightBusy

LOCK_NAME = "night.lock"

_TAKEN = frozenset({errno.EACCES, errno.EAGAIN})


@contextmanager
def only_run(dest: str | os.PathLike[str]) -> Iterator[None]:
    """Hold the lock of a night while the block runs.

    Raises
    ------
    NightBusy
        Another run holds it; the text says which process, where and since when.
    CatalogError
        The disk has no locks, or nothing can be written there.
    """
    path = Path(dest, LOCK_NAME)
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise CatalogError(
            f"{path}: cannot be written ({error.strerror}); choose a folder you may write to"
        ) from error
    try:
        _take(descriptor, path)
        _sign(descriptor)
        yield
        os.ftruncate(descriptor, 0)  # nobody is at work any more
    finally:
        os.close(descriptor)


def _take(descriptor: int, path: Path) -> None:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _TAKEN:
            raise NightBusy(
                f"{path.parent}: another run is at work on this night{_whose(descriptor)};"
                " wait for it, or stop it first"
            ) from None
        raise CatalogError(
            f"{path}: this disk has no file locks ({error.strerror}), so that two runs could"
            " spoil a night; choose a folder on another disk"
        ) from error


def _sign(descriptor: int) -> None:
    """Say who holds the lock, for whoever is refused."""
    owner = {
        "process": os.getpid(),
        "host": socket.gethostname(),
        "since": datetime.now(UTC).isoformat(timespec="seconds"),
    }
    os.ftruncate(descriptor, 0)
    os.pwrite(descriptor, (json.dumps(owner) + "\n").encode(), 0)


def _whose(descriptor: int) -> str:
    try:
        owner = json.loads(os.pread(descriptor, 4096, 0))
        return f" (process {owner['process']} on {owner['host']}, since {owner['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return ""  # it has not signed yet
