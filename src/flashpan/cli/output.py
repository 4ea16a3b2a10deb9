"""Results to stdout, everything else to stderr."""

from __future__ import annotations

import os
import sys

import click

from flashpan.visible import shown, shown_lines


class StdoutFailed(Exception):
    """Standard output takes no more, and not because its reader has left."""

    exit_code = 3


class Results:
    """Standard output, which its reader may close early (``| head``).

    Parameters
    ----------
    go_on : bool
        Whether the work is worth finishing when nobody reads any more, because it leaves
        files; else the first write that finds stdout closed raises `BrokenPipeError`.
    """

    def __init__(self, *, go_on: bool) -> None:
        self._go_on = go_on
        self._is_closed = False

    def write(self, text: str, *, is_exact: bool = False) -> None:
        """Write a line or several, at once.

        Control characters are shown as their numbers.  What is for programs (``is_exact``) is
        left as it is, unless it goes to a terminal.
        """
        if self._is_closed:
            return
        if not is_exact or sys.stdout.isatty():
            text = shown_lines(text)
        try:
            click.echo(text, color=True)
        except BrokenPipeError:
            discard_stdout()
            self._is_closed = True
            if not self._go_on:
                raise
        except OSError as error:
            discard_stdout()
            raise StdoutFailed(
                f"standard output: cannot be written ({error.strerror}); send it elsewhere"
            ) from error


def discard_stdout() -> None:
    """Send what is still written to stdout nowhere, so that leaving raises no second error."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


def note(message: object) -> None:
    """One line on stderr."""
    click.echo(f"flashpan: {shown(' '.join(str(message).split()))}", err=True)
