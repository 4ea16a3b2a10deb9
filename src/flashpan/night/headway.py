"""How far the work is: told by workers in the files that hold their folders, and summed up.

A file crosses every kind of engine, and is there for whoever looks.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from flashpan.night.alone import LOCK_NAME

_TELL_EVERY_S = 1.0
_WIDTH = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Headway:
    """How far a run is.

    Attributes
    ----------
    takes, takes_done : int
        To be worked on in this run, those that failed counted as done; and what was done before
        or cannot be read does not count.
    bytes, bytes_done : int
        The same of their sizes; of takes in hand the part that has been searched.
    frames, events : int
        Searched; and found, of takes that are done.
    """

    takes: int = 0
    takes_done: int = 0
    bytes: int = 0
    bytes_done: int = 0
    frames: int = 0
    events: int = 0


def telling(folder: Path, n_frames: int | None) -> Callable[[int], None]:
    """Give a function to call with each frame's number, which tells of it once in a while.

    Parameters
    ----------
    folder : Path
        Of the take, held by `flashpan.night.alone.alone_in`.
    n_frames : int or None
        Of the take, as far as is known.
    """
    path, told = os.path.join(folder, LOCK_NAME), time.monotonic()

    def tell(index: int) -> None:
        nonlocal told
        now = time.monotonic()
        if now - told >= _TELL_EVERY_S:
            told = now
            _write(path, f"{index + 1:{_WIDTH}}{n_frames or 0:{_WIDTH}}\n")

    return tell


def frames_told(folder: Path) -> tuple[int, int]:
    """Frames of a take in hand that have been searched, and all of them; zeros where not known."""
    try:
        words = Path(folder, LOCK_NAME).read_text(encoding="ascii").split()
        return int(words[0]), int(words[1])
    except (OSError, ValueError, IndexError):
        return 0, 0


def _write(path: str, text: str) -> None:
    """Over what it holds, in one go; a disk that takes no more is found out elsewhere."""
    try:
        descriptor = os.open(path, os.O_WRONLY)  # never made: it is the lock's
        try:
            os.write(descriptor, text.encode("ascii"))
        finally:
            os.close(descriptor)
    except OSError:
        return
