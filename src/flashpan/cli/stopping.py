"""Being stopped by a service manager, as by Ctrl-C."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn


@contextmanager
def stoppable() -> Iterator[None]:
    """Let SIGTERM stop what the block does as Ctrl-C would."""
    before = signal.signal(signal.SIGTERM, _interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _interrupt(number: int, frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt
