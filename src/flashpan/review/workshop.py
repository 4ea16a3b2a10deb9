"""Work that takes longer than an answer: one task after the other, in the background."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from flashpan.errors import FlashpanError

WAITING, AT_WORK, DONE, FAILED = "waiting", "at work", "done", "failed"
_MOST_KEPT = 50


@dataclass(slots=True, kw_only=True)
class Task:
    """One piece of work.

    Attributes
    ----------
    id : int
    what : str
        ``search`` or ``cut``.
    take_id : int
    number : int or None
        Range that is cut.
    state : str
        ``waiting``, ``at work``, ``done`` or ``failed``.
    text : str
        What came of it, or why nothing did.
    began : float
        By a clock that never goes back, seconds; 0 before.
    seconds : float
        That it took, or has taken so far.
    """

    id: int
    what: str
    take_id: int
    number: int | None = None
    state: str = WAITING
    text: str = ""
    began: float = 0.0
    seconds: float = 0.0

    def to_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        seconds = time.monotonic() - self.began if self.state == AT_WORK else self.seconds
        return {
            "id": self.id,
            "what": self.what,
            "take": self.take_id,
            "range": self.number,
            "state": self.state,
            "text": self.text,
            "seconds": round(seconds, 1),
        }


class Workshop:
    """Does one task at a time, in the order they were given."""

    def __init__(self) -> None:
        self._tasks: list[Task] = []
        self._lock = threading.Lock()
        self._orders: queue.Queue[tuple[Task, Callable[[], str]]] = queue.Queue()
        self._last = 0
        self._thread = threading.Thread(target=self._work, name="workshop", daemon=True)
        self._thread.start()

    def order(self, work: Callable[[], str], what: str, take_id: int, number: int | None) -> Task:
        """Have something done; what is asked for twice and not begun yet is done once."""
        with self._lock:
            for task in self._tasks:
                if task.state == WAITING and (task.what, task.take_id, task.number) == (
                    what,
                    take_id,
                    number,
                ):
                    return task
            self._last += 1
            task = Task(id=self._last, what=what, take_id=take_id, number=number)
            self._tasks = [*self._tasks[-_MOST_KEPT:], task]
        self._orders.put((task, work))
        return task

    def tasks(self) -> list[dict[str, Any]]:
        """All that were asked for lately, the last one last."""
        with self._lock:
            return [task.to_dict() for task in self._tasks]

    def _work(self) -> None:
        while True:
            task, work = self._orders.get()
            with self._lock:
                task.state, task.began = AT_WORK, time.monotonic()
            state, text = FAILED, ""
            try:
                text = work()
                state = DONE
            except FlashpanError as error:
                text = str(error)
            except Exception as error:  # whatever it is, the page must hear of it
                text = f"{type(error).__name__}: {error}; this is a fault of flashpan"
            with self._lock:
                task.seconds = time.monotonic() - task.began
                task.state, task.text = state, " ".join(text.split())
