"""Options on what clips shall be, and what they mean."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from flashpan.clipsettings import CHOICES

Command = TypeVar("Command", bound=Callable[..., Any])

_OPTIONS = (
    click.option(
        "--how",
        type=click.Choice(CHOICES["how"]),
        help="What becomes of the frames of a video [default: auto].",
    ),
    click.option(
        "--also",
        metavar="FORM",
        type=click.Choice(CHOICES["also"]),
        multiple=True,
        help="Write every range as this, too; repeatable.",
    ),
    click.option(
        "--burn-in/--no-burn-in",
        default=None,
        help="Frame number and times below viewing copies and previews [default: burn-in].",
    ),
    click.option(
        "--stretch/--no-stretch",
        default=None,
        help="Brighten viewing copies and previews to the range's tones.",
    ),
    click.option(
        "--files",
        type=click.Choice(CHOICES["files"]),
        help="How stills come to their folder [default: copy].",
    ),
    click.option(
        "--renumber/--no-renumber", default=None, help="Number the stills of every clip from 0."
    ),
    click.option(
        "--verify/--no-verify",
        default=None,
        help="Decode clips again, or do not, which is put on record [default: verify].",
    ),
)


def clip_options(command: Command) -> Command:
    """Options on what clips shall be."""
    for option in reversed(_OPTIONS):  # decorators apply from the bottom up
        command = option(command)
    return command
