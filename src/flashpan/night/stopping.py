"""Being stopped, by Ctrl-C or a service manager, without missing it.

A signal becomes `KeyboardInterrupt` wherever the program is at that moment; inside a library's
callback it may be lost there.  So it is written down as well, and those who work for long ask.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn

_SIGNALS = (signal.SIGINT, signal.SIGTERM)
_asked = threading.Event()


@contextmanager
def stoppable() -> Iterator[None]:
    """Let SIGINT and SIGTERM stop what the block does, by `KeyboardInterrupt`.

    Outside the main thread, which alone hears signals, it does nothing.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    _asked.clear()
    before = {number: signal.signal(number, _interrupt) for number in _SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        _asked.clear()


def go_on() -> None:
    """Return at once, or raise `KeyboardInterrupt` where a stop was asked for and not heard."""
    if _asked.is_set():
        raise KeyboardInterrupt


def _interrupt(number: int, frame: FrameType | None) -> NoReturn:
    _asked.set()
    raise KeyboardInterrupt
