"""Options on where the work of a night is done, and what they mean."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., Any])

_NAMES = ("engine", "workers", "scheduler", "sheets", "log_file")
_OPTIONS = (
    click.option(
        "--engine",
        type=click.Choice(["processes", "inline", "dask"]),
        default="processes",
        show_default=True,
        help="Where the work is done.",
    ),
    click.option(
        "--workers", metavar="N", type=int, help="Takes at a time [default: one for each core]."
    ),
    click.option("--scheduler", metavar="ADDRESS", help="Of a Dask cluster: tcp://HOST:8786."),
    click.option(
        "--split-above",
        metavar="SIZE",
        default="4GB",
        show_default=True,
        help="Larger takes are measured in pieces by all workers at once; never for none.",
    ),
    click.option(
        "--sheets/--no-sheets",
        default=True,
        show_default=True,
        help="Contact sheet and score plot of every take.",
    ),
    click.option("--log-file", metavar="FILE", help="Add a JSON line for everything that happens."),
)


def engine_options(command: Command) -> Command:
    """Options on where the work is done."""
    for option in reversed(_OPTIONS):  # decorators apply from the bottom up
        command = option(command)
    return command


def engine_settings(options: dict[str, Any]) -> dict[str, Any]:
    """Take from the options what `ingest` and `watch` want to know of the work."""
    from flashpan.night.ingest import parse_split_above

    split_above = parse_split_above(options.pop("split_above"))
    return {"split_above": split_above, **{name: options.pop(name) for name in _NAMES}}
