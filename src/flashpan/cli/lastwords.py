"""Which take a command died of: said by a second process, since the first one no longer can.

A decoder that crashes, or a system that is out of memory, ends a process at once.  A command that
reads takes itself therefore has a small process beside it, forked before anything is loaded, which
knows the take in hand and says a line on it if the command ends without having put it down.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager, suppress

_DEAF_TO = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
_MOST_BYTES = 1 << 16

_is_own_process = False
_pipe = -1


def process_is_ours() -> None:
    """Say that this process is there for the command alone, so that it may fork."""
    global _is_own_process
    _is_own_process = True


@contextmanager
def remembered() -> Iterator[None]:
    """While the block lasts, somebody else knows which take is in hand."""
    global _pipe
    if not _is_own_process or _pipe >= 0:
        yield
        return
    reads, writes = os.pipe()
    witness = os.fork()
    if not witness:
        os.close(writes)
        _wait(reads)
    os.close(reads)
    _pipe = writes
    try:
        yield
    finally:
        _pipe = -1
        os.close(writes)
        with suppress(ChildProcessError):
            os.waitpid(witness, 0)


@contextmanager
def in_hand(take: str) -> Iterator[None]:
    """Take something up, and put it down however the block ends."""
    _tell(take)
    try:
        yield
    finally:
        put_down()


def put_down() -> None:
    """What was in hand has been spoken of."""
    _tell("")


def _tell(take: str) -> None:
    if _pipe >= 0:
        with suppress(OSError):
            os.write(_pipe, os.fsencode(take)[:4000] + b"\0")


def _wait(pipe: int) -> None:
    """What the second process does; it never returns."""
    for number in _DEAF_TO:
        signal.signal(number, signal.SIG_IGN)
    for stream in (0, 1):
        os.close(stream)
    take = rest = b""
    while got := os.read(pipe, _MOST_BYTES):
        *told, rest = (rest + got).split(b"\0")
        take = told[-1] if told else take
    if take:
        os.write(2, b"flashpan: " + b" ".join(take.split()) + _LINE)
    os._exit(0)


_LINE = (
    b": the program was ended while it read this take, as happens when a decoder crashes or memory"
    b" runs out; flashpan ingest goes on after such takes\n"
)
