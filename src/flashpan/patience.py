"""How long a process waits for the next frame: a decoder that never comes back is given up.

Such a decoder is in somebody else's code and cannot be called off from here; only the process can
end.  A worker of a night is ended by the system's alarm, which nothing holds up, and its
coordinator says why.  The process of a single command is watched by a thread, which says why
itself.  Elsewhere, in a program that uses the library, nobody's process is ended.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import NoReturn, Protocol

from flashpan.limits import FRAME_SECONDS

_LOOK_EVERY_S = 0.5


class _Keeper(Protocol):
    """Ends the process where nothing is heard for too long."""

    def heard(self) -> None:
        """Begin to wait anew."""

    def rest(self) -> None:
        """Wait no more."""


class _Alarm:
    """The system's: ends the process by SIGALRM, whatever it is at."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds

    def heard(self) -> None:
        signal.setitimer(signal.ITIMER_REAL, self._seconds)

    def rest(self) -> None:
        signal.setitimer(signal.ITIMER_REAL, 0)


class _Watch:
    """A thread that calls ``end`` where nothing is heard."""

    def __init__(self, seconds: float, end: Callable[[], object]) -> None:
        self._seconds, self._end = seconds, end
        self._heard_s = time.monotonic()
        self._over = threading.Event()
        threading.Thread(target=self._look, daemon=True).start()

    def heard(self) -> None:
        self._heard_s = time.monotonic()

    def rest(self) -> None:
        self._over.set()

    def _look(self) -> None:
        while not self._over.wait(_LOOK_EVERY_S):
            if time.monotonic() - self._heard_s > self._seconds:
                self._end()
                return


_has_alarm = False
_keeper: _Keeper | None = None


def end_when_silent() -> None:
    """Let the alarm end this process; for worker processes, which somebody replaces."""
    global _has_alarm
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    _has_alarm = True


def heard() -> None:
    """Something was read: whoever waits for it may begin to wait anew."""
    if _keeper is not None:
        _keeper.heard()


@contextmanager
def reading() -> Iterator[None]:
    """While the block lasts, this process ends where nothing is read for too long.

    Only in a process of `end_when_silent`.
    """
    if not _has_alarm:
        yield
        return
    with _kept_by(_Alarm(FRAME_SECONDS.value)):
        yield


@contextmanager
def watched(give_up: Callable[[str], object]) -> Iterator[None]:
    """While the block lasts, a thread ends this process where nothing is read for too long.

    Parameters
    ----------
    give_up : callable
        Called with the reason, in words, from the thread; it should end the process.
    """
    if _keeper is not None:  # somebody waits already
        yield
        return
    with _kept_by(_Watch(FRAME_SECONDS.value, lambda: give_up(silence()))):
        yield


def silence() -> str:
    """Why a process was given up, with the cure."""
    return (
        f"nothing could be read for {FRAME_SECONDS.value:,} s: the file is damaged, or its disk"
        f" does not answer; {FRAME_SECONDS.cure}"
    )


def leave(status: int) -> NoReturn:
    """End the process from any thread, at once."""
    os._exit(status)


@contextmanager
def _kept_by(keeper: _Keeper) -> Iterator[None]:
    global _keeper
    _keeper = keeper
    keeper.heard()
    try:
        yield
    finally:
        _keeper = None
        keeper.rest()
