"""Signals kept back while a compiler is at work.

Python raises what a signal asks for between any two lines, and a compiler that is left in the
middle of building one of its own objects says so later, when that object is taken down, in pages of
its own.  A kernel compiles in about a second at most, so a signal can wait for it.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

_KEPT_BACK = (signal.SIGINT, signal.SIGTERM)


@contextmanager
def kept_back() -> Iterator[None]:
    """Hear SIGINT and SIGTERM only when the block has ended, however it ends.

    Outside the main thread, which alone hears signals, it does nothing.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[signal.Signals] = []

    def note(number: int, frame: FrameType | None) -> None:
        came.append(signal.Signals(number))

    before = {number: signal.getsignal(number) for number in _KEPT_BACK}
    # a handler that was not set from Python could not be put back
    changed = {number: handler for number, handler in before.items() if handler is not None}
    try:
        for number in changed:
            signal.signal(number, note)
        yield
    finally:
        for number, handler in changed.items():
            signal.signal(number, handler)
        for number in dict.fromkeys(came):
            signal.raise_signal(number)
