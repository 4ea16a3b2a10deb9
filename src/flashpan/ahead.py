"""Items made ahead of their use: a second thread makes them while the first uses the last ones.

FFmpeg, OpenCV and NumPy let go of Python's lock while they work, so that a take is decoded and
measured while its earlier frames are scored.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from typing import TypeVar

from flashpan.grid import Grid
from flashpan.threads import may_use_threads

T = TypeVar("T")

_LOOK_EVERY_S = 0.1
# Pixels from which frames are read and measured by a second thread.
_LARGE_PX = 1 << 17


class _End:
    """What follows the last item: nothing, or what went wrong."""

    def __init__(self, error: BaseException | None = None) -> None:
        self.error = error


def reading_ahead_pays(grid: Grid) -> bool:
    """Whether a second thread that reads and measures gains something.

    With small pictures the two would only wait for each other.
    """
    return grid.window.height * grid.window.width >= _LARGE_PX and may_use_threads()


def ahead(items: Iterator[T], most: int) -> Iterator[T]:
    """Yield the items of an iterator that a thread of its own runs.

    Whatever it raises is raised here, after the items before.  When this generator is closed, or
    fails, the thread stops at its next item and the iterator is closed in it; both are over when
    the call that closes returns.

    Parameters
    ----------
    items : iterator
        Used by the other thread alone until it ends.
    most : int
        Items that may wait to be used.
    """
    waiting: queue.Queue[T | _End] = queue.Queue(most)
    stopped = threading.Event()
    maker = threading.Thread(target=_make, args=(items, waiting, stopped), daemon=True)
    maker.start()
    try:
        while True:
            item = waiting.get()
            if isinstance(item, _End):
                if item.error is not None:
                    raise item.error
                return
            yield item
    finally:
        stopped.set()
        maker.join()


def _make(items: Iterator[T], waiting: queue.Queue[T | _End], stopped: threading.Event) -> None:
    end = _End()
    try:
        for item in items:
            if not _put(waiting, item, stopped):
                break
    except BaseException as error:  # it belongs to whoever waits for the items
        end = _End(error)
    finally:
        close = getattr(items, "close", None)
        if close is not None:
            close()
    _put(waiting, end, stopped)


def _put(waiting: queue.Queue[T | _End], item: T | _End, stopped: threading.Event) -> bool:
    """Hand an item over as soon as there is room; False once nobody wants it."""
    while not stopped.is_set():
        try:
            waiting.put(item, timeout=_LOOK_EVERY_S)
        except queue.Full:
            continue
        return True
    return False
