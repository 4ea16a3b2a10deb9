"""A bell that rings when something changes in a folder.

Watching is the system's work, by watchdog.  Where it cannot watch (a network disk, too many
folders) the bell stays silent, and whoever waits looks for himself now and then.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer

if TYPE_CHECKING:
    from watchdog.observers.api import BaseObserver

# That somebody reads is no change, or our own looking would ring without end.
_CHANGES = frozenset({"closed", "created", "deleted", "modified", "moved"})


class Bell(FileSystemEventHandler):
    """Rings for changes in a folder and all folders in it.

    Parameters
    ----------
    apart : path-like
        A folder in it whose changes do not count: where the results go.
    on_note : callable
        Takes lines for people.
    """

    def __init__(self, apart: str | os.PathLike[str], on_note: Callable[[str], object]) -> None:
        self._apart, self._note = os.path.realpath(apart), on_note
        self._rung = threading.Event()
        self._observer: BaseObserver | None = None

    def hang(self, folder: str) -> None:
        """Watch a folder, and no other any more."""
        self.take_down()
        observer = Observer()
        try:
            observer.schedule(self, folder, recursive=True)
            observer.start()
        except OSError as error:
            self._note(f"{folder}: cannot be watched ({error.strerror}); it is looked at instead")
            return
        self._observer = observer

    def take_down(self) -> None:
        """Watch nothing; may be called twice."""
        observer, self._observer = self._observer, None
        if observer is not None:
            observer.stop()
            observer.join()

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Ring, unless nothing changed or only results did."""
        paths = [os.fsdecode(path) for path in (event.src_path, event.dest_path) if path]
        if event.event_type in _CHANGES and not all(map(self._is_apart, paths)):
            self._rung.set()

    def _is_apart(self, path: str) -> bool:
        return path == self._apart or path.startswith(self._apart + os.sep)

    def wait(self, at_most_s: float) -> bool:
        """Wait until it rings, or so long; say whether it rang, and still it."""
        rang = self._rung.wait(max(at_most_s, 0.0))
        self._rung.clear()
        return rang
