"""A progress bar on stderr, silent where stderr is no terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    from tqdm import tqdm

    from flashpan.model import TakeInfo


class Progress:
    """How far a search is: frames per second, events so far, time left.

    Parameters
    ----------
    bar : tqdm
    """

    def __init__(self, bar: tqdm[NoReturn]) -> None:
        self._bar, self._n_events = bar, 0

    def __call__(self, index: int) -> None:
        """Note a frame by its number."""
        self._bar.update(index + 1 - self._bar.n)

    def event(self) -> None:
        """Note one more event."""
        self._n_events += 1
        text = f"{self._n_events} event{'s' * (self._n_events != 1)}"
        self._bar.set_postfix_str(text, refresh=False)


@contextmanager
def progress(take: TakeInfo, first: int = 0, *, quiet: bool = False) -> Iterator[Progress]:
    """Give something to call with each frame number, and to tell of events."""
    # what a container claims is good enough for a bar
    total = take.n_frames or take.declared_frames
    with _bar(take.name, total, first, quiet=quiet) as bar:
        yield Progress(bar)


@contextmanager
def range_progress(name: str, n_frames: int) -> Iterator[Callable[[int], None]]:
    """Give a function to call with the number of frames of each range that is written."""
    with _bar(f"{name}: clips", n_frames) as bar:

        def on_range(n_done: int) -> None:
            bar.update(n_done)

        yield on_range


@contextmanager
def take_progress() -> Iterator[Callable[[str, int], None]]:
    """Give a function to call with what became of a take and how many takes there are."""
    with _bar("night", None, unit=" takes") as bar:

        def on_take(outcome: str, n_takes: int) -> None:
            bar.total = n_takes
            bar.update(outcome != "begun")

        yield on_take


def _bar(
    name: str, total: int | None, done: int = 0, unit: str = " frames", *, quiet: bool = False
) -> tqdm[NoReturn]:
    from tqdm import tqdm

    return tqdm(
        desc=name,
        total=total,
        initial=done,
        unit=unit,
        leave=False,
        file=sys.stderr,
        disable=True if quiet else None,
    )
