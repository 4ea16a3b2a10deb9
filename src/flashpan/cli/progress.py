"""A progress bar on stderr, silent where stderr is no terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    from tqdm import tqdm

    from flashpan.model import TakeInfo


@contextmanager
def progress(take: TakeInfo, first: int = 0) -> Iterator[Callable[[int], None]]:
    """Give a function to call with each frame number; shows frames per second covered."""
    # what a container claims is good enough for a bar
    with _bar(take.name, take.n_frames or take.declared_frames, first) as bar:

        def on_frame(index: int) -> None:
            bar.update(index + 1 - bar.n)

        yield on_frame


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


@contextmanager
def file_progress(name: str) -> Iterator[Callable[[str, int], None]]:
    """Give a function to call with each file that was read and how many there are."""
    with _bar(name, None, unit=" files") as bar:

        def on_file(path: str, n_files: int) -> None:
            bar.total = n_files
            bar.update()

        yield on_file


def _bar(name: str, total: int | None, done: int = 0, unit: str = " frames") -> tqdm[NoReturn]:
    from tqdm import tqdm

    return tqdm(
        desc=name,
        total=total,
        initial=done,
        unit=unit,
        leave=False,
        file=sys.stderr,
        disable=None,
    )
