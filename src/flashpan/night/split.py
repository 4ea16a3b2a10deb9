"""A long take on all workers of an engine: hands out its pieces, a few ahead of what is decided."""

from __future__ import annotations

import shutil
import tempfile
from collections import deque
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, Future, wait
from functools import partial
from typing import Any

from flashpan.night.engines import Engine, EngineLost, WorkerDied
from flashpan.night.job import Job, Report, do, one_line
from flashpan.night.permit import PIECES_PREFIX
from flashpan.night.pieces import Piece, PiecePlan, decide, measure_piece, plan_pieces

_AHEAD = 2
_LOOK_EVERY_S = 0.1


def do_in_pieces(
    job: Job,
    engine: Engine,
    decider: Engine,
    on_note: Callable[[str], object],
    on_look: Callable[[], object] = lambda: None,
) -> Report:
    """Do a take with all workers, or with one where it cannot be split.

    Parameters
    ----------
    job : Job
    engine : Engine
        Measures; nothing else may be in its hands.
    decider : Engine
        Scores, picks and cuts: one process on this machine.
    on_note : callable
        Told why a take is done whole.
    on_look : callable, optional
        Called now and then while the work goes on.

    Raises
    ------
    WorkerDied
        The take ended the process that was at it.
    EngineLost
        The engine is gone.
    """
    folder = tempfile.mkdtemp(prefix=PIECES_PREFIX, dir=job.dest)
    try:
        plan = _plan(job, engine, folder)
        split = _Split(plan, engine, decider, on_look) if isinstance(plan, PiecePlan) else None
        outcome = plan if split is None else split.outcome()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    if isinstance(outcome, Report):
        return outcome
    on_note(f"{job.take}: is done whole: {outcome}")
    whole = engine.submit(do, job)
    while not whole.done():
        wait([whole], _LOOK_EVERY_S)
        on_look()
    return whole.result()


def _plan(job: Job, engine: Engine, folder: str) -> PiecePlan | str:
    """How it may be split; what is wrong with the take shows when it is done whole."""
    future = engine.submit(partial(plan_pieces, job), folder)
    error = future.exception()
    if isinstance(error, WorkerDied | EngineLost):
        raise error
    return future.result() if error is None else "it cannot be looked into"


class _Split:
    """One take whose pieces are being measured."""

    def __init__(
        self, plan: PiecePlan, engine: Engine, decider: Engine, on_look: Callable[[], object]
    ) -> None:
        self._plan, self._engine, self._decider = plan, engine, decider
        self._on_look = on_look
        self._to_do = deque(range(plan.n_pieces))
        self._measuring: dict[Future[None], int] = {}
        self._measured: set[int] = set()
        self._tried_twice: set[int] = set()
        self._used = 0

    def outcome(self) -> Report | str:
        """Hand out pieces until the take is decided."""
        deciding = self._decider.submit(decide, self._plan)
        while not deciding.done():
            self._hand_out()
            at_work: list[Future[Any]] = [deciding, *self._measuring]
            wait(at_work, _LOOK_EVERY_S, FIRST_COMPLETED)
            self._gather()
            self._on_look()
        wait(self._measuring)
        return deciding.result()

    def _hand_out(self) -> None:
        """Keep the workers busy, but only so far ahead of what has been used."""
        self._look_what_was_used()
        most = self._used + self._engine.n_places + _AHEAD
        while self._to_do and self._to_do[0] < most and self._has_place:
            number = self._to_do.popleft()
            future = self._engine.submit(measure_piece, Piece(self._plan, number))
            self._measuring[future] = number

    @property
    def _has_place(self) -> bool:
        return len(self._measuring) < self._engine.n_places

    def _look_what_was_used(self) -> None:
        while self._used in self._measured and not self._plan.path(self._used).exists():
            self._used += 1

    def _gather(self) -> None:
        for future in [future for future in self._measuring if future.done()]:
            number = self._measuring.pop(future)
            error = future.exception()
            if error is None:
                self._measured.add(number)
            elif isinstance(error, WorkerDied) and number not in self._tried_twice:
                self._tried_twice.add(number)
                self._to_do.appendleft(number)
            else:
                self._to_do.clear()
                self._plan.stop(one_line(error))
