"""Takes of a command that gets several, done one after the other in a process beside it.

A decoder that crashes, or a system that is out of memory, ends the process that is at work.  Where
that is another one, the command can say so, and goes on with the next take in a new process.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Future
from functools import partial
from typing import TypeVar

from flashpan.cli.batch import status_of
from flashpan.night.engines import Workers, undisturbed
from flashpan.threads import decoder_threads, usable_cores

Result = TypeVar("Result")


def each_aside(
    takes: Iterable[str], work: Callable[[str], Result], show: Callable[[Result], object]
) -> int:
    """What `flashpan.cli.batch.each_take` does; the work and its results must pickle."""
    worker = Workers(1, decoder_threads() or usable_cores())
    try:
        statuses = [_shown(take, worker.submit(partial(_done, work), take), show) for take in takes]
    except BaseException:  # stopped, or nobody reads the results
        with undisturbed():
            worker.stop()
        raise
    worker.close()
    return max(statuses, default=0)


def _done(work: Callable[[str], Result], take: str) -> tuple[int, list[Result]]:
    """What the other process does: it says itself what is wrong with a take."""
    results: list[Result] = []
    status = status_of(take, lambda take: results.append(work(take)))
    return status, results


def _shown(
    take: str,
    future: Future[tuple[int, list[Result]]],
    show: Callable[[Result], object],
) -> int:
    """Wait for a take, and show what came of it; a process that has died is its fault."""
    statuses = []

    def shown(_: str) -> None:
        status, results = future.result()
        statuses.append(status)
        for result in results:
            show(result)

    statuses.append(status_of(take, shown))
    return max(statuses)
