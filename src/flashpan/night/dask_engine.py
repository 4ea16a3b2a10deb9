"""A Dask cluster as the engine: one that is there already, or one on this machine."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from concurrent.futures import CancelledError, Future
from functools import partial
from typing import Any, TypeVar

import flashpan
from flashpan.errors import PlugInError, UsageError
from flashpan.night.engines import EngineLost, WorkerDied, undisturbed
from flashpan.threads import DECODER_THREADS, usable_cores

Thing = TypeVar("Thing")
Result = TypeVar("Result")

_TRIES_S = 10
_MISSING = (
    "--engine dask needs the packages dask and distributed; install flashpan[dask],"
    " or leave out --engine"
)


class DaskEngine:
    """Work on a Dask cluster.

    Takes and destination must be at the same place for all of its workers, and flashpan must be
    installed there in this version.  Work on a worker that is lost is done again by another one,
    as often as the scheduler's ``allowed-failures`` says.

    Parameters
    ----------
    scheduler : str, optional
        Address (``tcp://host:8786``); without one, a cluster is begun on this machine.
    n_workers : int, optional
        Of the cluster on this machine; one per core by default.

    Raises
    ------
    PlugInError
        Dask is not installed.
    UsageError
        Nobody answers there, or the workers have another flashpan, or none.
    """

    def __init__(self, scheduler: str | None = None, n_workers: int | None = None) -> None:
        try:
            import distributed
        except ImportError as error:
            raise PlugInError(_MISSING) from error
        self._killed = distributed.KilledWorker
        self._name = scheduler or "this machine"
        self._cluster = None if scheduler else _local_cluster(n_workers or usable_cores())
        self._client = _connected(scheduler or self._cluster)
        try:
            _require_same_flashpan(self._client, scheduler or "the workers")
        except BaseException:
            self.close()
            raise
        self._executor = self._client.get_executor(pure=False)

    @property
    def n_places(self) -> int:
        """Threads of all workers that are there now, at least one."""
        try:
            threads: dict[str, int] = self._client.nthreads()
        except (OSError, RuntimeError, TimeoutError) as error:
            raise self._lost() from error
        return max(1, sum(threads.values()))

    def _lost(self) -> EngineLost:
        return EngineLost(
            f"{self._name}: the Dask scheduler does not answer any more; start it again, and run"
            " again"
        )

    def submit(self, work: Callable[[Thing], Result], thing: Thing) -> Future[Result]:
        """Send it to the cluster."""
        try:
            inner = self._executor.submit(partial(_on_cluster, work), thing)
        except (OSError, RuntimeError, TimeoutError) as error:
            raise self._lost() from error
        outer: Future[Result] = Future()
        inner.add_done_callback(lambda done: self._hand_on(done, outer))
        return outer

    def _hand_on(self, inner: Future[Result], outer: Future[Result]) -> None:
        try:
            outer.set_result(inner.result())
        except CancelledError:
            outer.set_exception(self._lost())
        except self._killed as error:
            died = WorkerDied(f"{error.args[2] + 1} workers ended while they were at it")
            died.__cause__ = error
            outer.set_exception(died)
        except Exception as error:
            outer.set_exception(error)

    def close(self) -> None:
        """Leave the cluster; one that was begun for this engine ends."""
        self._client.close()
        if self._cluster is not None:
            self._cluster.close()

    def stop(self) -> None:
        """Call back what has not begun; what runs stops when it sees that the run is over."""
        # of connections that end while it is at work, Dask would tell at length
        logging.getLogger("distributed").setLevel(logging.CRITICAL)
        self._executor.shutdown(wait=False)
        self.close()


def _on_cluster(work: Callable[[Thing], Result], thing: Thing) -> Result:
    os.environ.setdefault(DECODER_THREADS, "1")  # Dask sees to the other libraries
    return work(thing)


def _local_cluster(n_workers: int) -> Any:
    import distributed

    made: Any = distributed.LocalCluster
    with undisturbed():  # when to stop is for the coordinator to say
        return made(
            n_workers=n_workers,
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
            silence_logs=logging.CRITICAL,
        )


def _connected(where: Any) -> Any:
    import distributed

    made: Any = distributed.Client
    try:
        client = made(where, timeout=_TRIES_S, set_as_default=False)
        client.wait_for_workers(1, timeout=_TRIES_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            f"--scheduler {where}: no Dask scheduler with a worker answers there;"
            " start them, or check the address (tcp://HOST:8786)"
        ) from error
    return client


def _require_same_flashpan(client: Any, where: str) -> None:
    try:
        versions = client.run(_version)
    except ImportError as error:
        raise UsageError(f"{where}: flashpan is missing there; install it ({error})") from error
    others = {version for version in versions.values() if version != flashpan.__version__}
    if others:
        raise UsageError(
            f"{where}: has flashpan {', '.join(sorted(others))}, and here is"
            f" {flashpan.__version__}; install the same one"
        )


def _version() -> str:
    return flashpan.__version__
