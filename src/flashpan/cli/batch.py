"""One take after the other: a failed one is reported, and the next has its turn."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from flashpan.cli.lastwords import in_hand, put_down, remembered
from flashpan.cli.output import StdoutFailed, note
from flashpan.errors import FlashpanError, TakeError, unforeseen

if TYPE_CHECKING:
    from flashpan.readers.base import Reader
    from flashpan.settings import Settings


def each_take(takes: Iterable[str], work: Callable[[str], None]) -> int:
    """Do the work on every take and return the exit status: the gravest of the failures."""
    with remembered():
        statuses = [_status(take, work) for take in takes]
    return max(statuses, default=0)


def _status(take: str, work: Callable[[str], None]) -> int:
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
