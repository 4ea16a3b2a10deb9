"""Where the work of a night is done: here, in worker processes, or on a cluster.

An engine is anything with `submit`; the coordinator hands it one thing at a time and never more
than it has places.  Work is idempotent, so an engine may do it again.
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing.process import BaseProcess
from types import FrameType
from typing import Any, NoReturn, Protocol, TypeVar

from flashpan.errors import FlashpanError, TakeError
from flashpan.limits import WORKER_BYTES
from flashpan.patience import end_when_silent, silence
from flashpan.threads import DECODER_THREADS, budget, threads_each, usable_cores

Thing = TypeVar("Thing")
Result = TypeVar("Result")

GRACE_S = 2.0
"""How long a worker that is told to stop may take to put its things away."""


class WorkerDied(FlashpanError):
    """The process that was at work ended without an answer; the text says how it ended."""


class EngineLost(TakeError):
    """The engine is gone, with all that was in its hands."""


class Engine(Protocol):
    """Somewhere to have work done."""

    @property
    def n_places(self) -> int:
        """Things that are worked on at a time."""

    def submit(self, work: Callable[[Thing], Result], thing: Thing) -> Future[Result]:
        """Begin ``work(thing)``; both must pickle.  To be called while a place is free.

        The future may raise `WorkerDied` or `EngineLost`.
        """

    def close(self) -> None:
        """Let go of the workers once they are done."""

    def stop(self) -> None:
        """Stop the workers now, within `GRACE_S` and a moment."""


class Inline:
    """Everything in this process, one thing after the other: `submit` returns when it is done."""

    @property
    def n_places(self) -> int:
        """One."""
        return 1

    def submit(self, work: Callable[[Thing], Result], thing: Thing) -> Future[Result]:
        """Do it."""
        future: Future[Result] = Future()
        try:
            future.set_result(work(thing))
        except Exception as error:
            future.set_exception(error)
        return future

    def close(self) -> None:
        """Nothing is held."""

    def stop(self) -> None:
        """Nothing runs."""


class Workers:
    """Worker processes on this machine, each with a share of the cores.

    Each has a pool of its own, since a pool breaks as a whole when one of its processes dies:
    so a codec's crash costs what that process had in hand, and the next thing gets a new one.

    Parameters
    ----------
    n_workers : int, optional
        One per core by default.
    n_threads : int, optional
        Of each worker; by default they share the cores evenly.
    """

    def __init__(self, n_workers: int | None = None, n_threads: int | None = None) -> None:
        n_seats = n_workers or usable_cores()
        each = n_threads or threads_each(n_seats)
        self._seats = [_Seat(each) for _ in range(n_seats)]

    @property
    def n_places(self) -> int:
        """Workers."""
        return len(self._seats)

    def submit(self, work: Callable[[Thing], Result], thing: Thing) -> Future[Result]:
        """Give it to a worker that has nothing in hand."""
        seat = next(seat for seat in self._seats if not seat.is_busy)
        return seat.submit(work, thing)

    def close(self) -> None:
        """Let the workers finish."""
        for seat in self._seats:
            seat.close()

    def stop(self) -> None:
        """Have them put their things away, and end those that do not."""
        for seat in self._seats:
            seat.signal(signal.SIGTERM)
        until = time.monotonic() + GRACE_S
        for seat in self._seats:
            seat.wait(until - time.monotonic())
        for seat in self._seats:
            seat.signal(signal.SIGKILL)
            seat.close()


class _Seat:
    """One worker process, replaced when it dies."""

    def __init__(self, n_threads: int) -> None:
        self._n_threads = n_threads
        self._pool: ProcessPoolExecutor | None = None
        self._process: BaseProcess | None = None
        self._running: Future[Any] | None = None

    @property
    def is_busy(self) -> bool:
        return self._running is not None and not self._running.done()

    def submit(self, work: Callable[[Thing], Result], thing: Thing) -> Future[Result]:
        try:
            inner = self._begin(work, thing)
        except BrokenProcessPool:  # it died while it had nothing to do
            self._drop()
            inner = self._begin(work, thing)
        outer: Future[Result] = Future()
        inner.add_done_callback(lambda done: self._hand_on(done, outer))
        self._running = outer
        return outer

    def _begin(self, work: Callable[[Thing], Result], thing: Thing) -> Future[Result]:
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                1, multiprocessing.get_context("spawn"), _begin_work, (self._n_threads,)
            )
        known = set(multiprocessing.active_children())
        with budget(self._n_threads):
            future = self._pool.submit(work, thing)
        begun = [child for child in multiprocessing.active_children() if child not in known]
        self._process = begun[0] if begun else self._process
        return future

    def _hand_on(self, inner: Future[Result], outer: Future[Result]) -> None:
        error = inner.exception()
        if error is None:
            outer.set_result(inner.result())
        elif isinstance(error, BrokenProcessPool):
            died = WorkerDied(f"the worker process ended {self._how()}")
            self._drop()
            outer.set_exception(died)
        else:
            outer.set_exception(error)

    def _how(self) -> str:
        process = self._process
        if process is not None:
            process.join(1.0)
        return how_it_ended(None if process is None else process.exitcode)

    def _drop(self) -> None:
        pool, self._pool, self._process = self._pool, None, None
        if pool is not None:
            pool.shutdown(wait=False)

    def signal(self, number: signal.Signals) -> None:
        """Send it a signal, if it is there."""
        process = self._process
        if process is not None and process.pid is not None and process.is_alive():
            os.kill(process.pid, number)

    def wait(self, most_s: float) -> None:
        """Wait until it has nothing in hand."""
        until = time.monotonic() + most_s
        while self.is_busy and time.monotonic() < until:
            time.sleep(0.02)

    def close(self) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True)
            self._pool = None


@contextmanager
def undisturbed() -> Iterator[None]:
    """Let no Ctrl-C reach the block, nor the processes that it starts."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def how_it_ended(exit_code: int | None) -> str:
    """Say in words how a process ended, for a line that names the take."""
    if exit_code is None:
        return "without a word"
    if exit_code == -signal.SIGALRM:
        return f"since {silence()}"
    if exit_code == -signal.SIGKILL:
        return "by signal 9, as the system does when memory runs out"
    if exit_code < 0:
        return f"by signal {-exit_code} ({signal.strsignal(-exit_code)}), as crashing codecs do"
    return f"with status {exit_code}"


def _begin_work(n_threads: int) -> None:
    """What a worker process does first."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the coordinator says when to stop
    signal.signal(signal.SIGTERM, _leave)
    os.environ[DECODER_THREADS] = str(n_threads)
    threading.Thread(target=_leave_with_parent, daemon=True).start()
    end_when_silent()
    _bound_memory()
    import cv2  # not before the environment says how many threads there are

    cv2.setNumThreads(n_threads)


def _bound_memory() -> None:
    """Have what asks for more than the machine has fail here, not take others down with it."""
    _, most = resource.getrlimit(resource.RLIMIT_DATA)
    wanted = WORKER_BYTES.value
    if most == resource.RLIM_INFINITY or wanted < most:
        resource.setrlimit(resource.RLIMIT_DATA, (wanted, most))


def _leave(number: int, frame: FrameType | None) -> NoReturn:
    sys.exit(128 + number)


def _leave_with_parent() -> None:
    """End when the coordinator has ended, so that no orphan is at work beside the next run."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(GRACE_S)
    os._exit(1)
