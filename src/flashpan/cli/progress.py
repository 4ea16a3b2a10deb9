"""A progress bar on stderr, silent where stderr is no terminal."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, NoReturn

from flashpan.cli.batch import watched
from flashpan.cli.output import note
from flashpan.visible import shown

if TYPE_CHECKING:
    from tqdm import tqdm

    from flashpan.model import TakeInfo
    from flashpan.night.headway import Headway


_LOCK = threading.RLock()


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
    with _bar(take.name, total, first, quiet=quiet) as bar, watched(take.path):
        yield Progress(bar)


@contextmanager
def range_progress(name: str, n_frames: int) -> Iterator[Callable[[int], None]]:
    """Give a function to call with the number of frames of each range that is written."""
    with _bar(f"{name}: clips", n_frames) as bar:

        def on_range(n_done: int) -> None:
            bar.update(n_done)

        yield on_range


class NightBar:
    """How far a night is: takes, events, frames and their rate, and the time that is left."""

    def __init__(self, bar: tqdm[NoReturn]) -> None:
        self._bar, self._began = bar, time.monotonic()

    def show(self, way: Headway) -> None:
        """Show how far it is; sizes of takes say how much is left."""
        from flashpan.table import counted  # and all that it needs

        took_s = max(time.monotonic() - self._began, 1e-3)
        self._bar.total, self._bar.n = way.bytes, way.bytes_done
        self._bar.set_description_str(
            f"night: {way.takes_done}/{way.takes} takes, {counted(way.events, 'event')},"
            f" {way.frames:,} frames, {way.frames / took_s:,.0f} frames/s"
        )

    def say(self, message: object) -> None:
        """Write one line above the bar."""
        self._bar.clear()
        note(message)
        self._bar.refresh()


@contextmanager
def night_progress() -> Iterator[NightBar]:
    """Give a bar for a whole night."""
    form = "{desc} {percentage:3.0f}%|{bar}| {elapsed}, {remaining} left"
    with _bar("night", None, bar_format=form) as bar:
        yield NightBar(bar)


@contextmanager
def file_progress(name: str) -> Iterator[Callable[[str, int], None]]:
    """Give a function to call with each file that was read and how many there are."""
    with _bar(name, None, unit=" files") as bar:

        def on_file(path: str, n_files: int) -> None:
            bar.total = n_files
            bar.update()

        yield on_file


def _bar(
    name: str,
    total: int | None,
    done: int = 0,
    unit: str = " frames",
    bar_format: str | None = None,
    *,
    quiet: bool = False,
) -> tqdm[NoReturn]:
    from tqdm import std, tqdm

    # its own would be known to other processes, and stay when a decoder ends this one
    std.tqdm.set_lock(_LOCK)
    bar = tqdm(
        desc=shown(name),
        total=total,
        initial=done,
        unit=unit,
        bar_format=bar_format,
        leave=False,
        file=sys.stderr,
        disable=True if quiet else None,
    )
    # the time of day may jump by hours, and a bar that goes by it would stand still as long
    bar._time = time.monotonic  # type: ignore[attr-defined]
    bar.start_t = bar.last_print_t = time.monotonic()
    return bar
