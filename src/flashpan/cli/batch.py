"""One take after the other: a failed one is reported, and the next has its turn."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, TypeVar

import click

from flashpan.cli.lastwords import in_hand, is_own_process, put_down, remembered
from flashpan.cli.output import StdoutFailed, note
from flashpan.errors import FlashpanError, TakeError, unforeseen

Result = TypeVar("Result")

if TYPE_CHECKING:
    from flashpan.readers.base import Reader
    from flashpan.settings import Settings


def each_take(takes: Iterable[str], work: Callable[[str], object]) -> int:
    """Do the work on every take and return the exit status: the gravest of the failures."""
    with remembered():
        statuses = [status_of(take, work) for take in takes]
    return max(statuses, default=0)


def each_shown(
    takes: Sequence[str], work: Callable[[str], Result], show: Callable[[Result], object]
) -> int:
    """The same, and show what came of each.

    Of several takes each is worked on in a process beside this one, which a decoder may take down
    with it; a pipe, and a single take, here.

    Parameters
    ----------
    takes : sequence of str
    work : callable
        Gets a take; it and what it returns must pickle.
    show : callable
        Gets what the work returned, in this process.
    """
    if len(takes) > 1 and "-" not in takes and is_own_process():
        from flashpan.cli.aside import each_aside

        return each_aside(takes, work, show)
    return each_take(takes, lambda take: show(work(take)))


def status_of(take: str, work: Callable[[str], object]) -> int:
    """Do the work on one take; what is wrong with it is said in a line, and gives a status."""
    try:
        with in_hand(take):
            work(take)
    except FlashpanError as error:
        text = str(error)
        note(text if take in text else f"{take}: {text}")
        return error.exit_code
    except (BrokenPipeError, StdoutFailed, click.ClickException, click.exceptions.Exit):
        raise
    except MemoryError:
        note(f"{take}: needs more memory than there is; search a part of the picture (--roi)")
        return TakeError.exit_code
    except OSError as error:
        note(f"{take}: {error.strerror or error}; check the disk and run again")
        return TakeError.exit_code
    except Exception as error:  # the takes after it shall have their turn
        note(f"{take}: {unforeseen(error)}")
        return TakeError.exit_code
    return 0


def clear_left_over(folder: str, *, quiet: bool = False) -> None:
    """Take away what killed runs left in a folder, and say so."""
    from flashpan.atomic import remove_left_over

    for name in remove_left_over(folder):
        if not quiet:
            note(f"{folder}: cleared away what a stopped run left ({name})")


def open_with(take: str, settings: Settings) -> Reader:
    """Open a take as the settings say."""
    from flashpan.readers.open import open_take

    with watched(take):
        return open_take(
            take,
            raw=settings.raw,
            capture_rate=settings.capture_rate,
            playback_rate=settings.playback_rate,
            trigger_frame=settings.trigger_frame,
        )


@contextmanager
def watched(take: str) -> Iterator[None]:
    """While the block lasts, end with a line on the take where it does not let itself be read.

    A pipe may rest as long as it likes.
    """
    if take == "-":
        yield
        return
    from flashpan import patience

    def give_up(why: str) -> None:
        note(f"{take}: {why}; takes after it were not looked at")
        put_down()
        patience.leave(TakeError.exit_code)

    with patience.watched(give_up):
        yield
