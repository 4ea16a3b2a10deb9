"""How many threads one process may use, so that many processes do not crowd the cores.

A process that works beside others is told so by environment variables, which libraries of
linear algebra read when they are loaded, and which are handed down to whatever it starts.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

DECODER_THREADS = "FLASHPAN_DECODER_THREADS"
"""Environment variable: threads of each video decoder; 0, or not set, for one per core."""
_LIBRARIES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def usable_cores() -> int:
    """Cores that this process may run on."""
    return max(1, len(os.sched_getaffinity(0)))


def threads_each(n_workers: int) -> int:
    """Threads for each of so many processes at work side by side."""
    return max(1, usable_cores() // max(1, n_workers))


def decoder_threads() -> int:
    """Threads of a video decoder; 0 for as many as there are cores."""
    text = os.environ.get(DECODER_THREADS, "")
    return int(text) if text.isdigit() else 0


def may_use_threads() -> bool:
    """Whether this process has more than one thread's share of the cores."""
    return (decoder_threads() or usable_cores()) > 1


@contextmanager
def budget(n_threads: int) -> Iterator[None]:
    """While the block lasts, processes that are started get no more threads than that.

    What the user has set for a library stands.
    """
    wanted = {DECODER_THREADS: str(n_threads)}
    wanted |= {name: str(n_threads) for name in _LIBRARIES if name not in os.environ}
    before = os.environ.get(DECODER_THREADS)
    os.environ.update(wanted)
    try:
        yield
    finally:
        for name in wanted:
            del os.environ[name]
        if before is not None:
            os.environ[DECODER_THREADS] = before
