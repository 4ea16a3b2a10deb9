"""Options on what clips shall be, and what they mean."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from flashpan.cut.plan import TrimSettings

Command = TypeVar("Command", bound=Callable[..., Any])

_PICTURES = ("tiff16", "luma16", "png8", "png16", "dpx10", "dpx12", "dpx16")
_FORMS = (*_PICTURES, "view", "gif", "webp")
_NAMES = ("how", "also", "burn_in", "stretch", "files", "renumber")
_OPTIONS = (
    click.option(
        "--how",
        type=click.Choice(["auto", "copy", "bridge", "exact"]),
        default="auto",
        show_default=True,
        help="What becomes of the frames of a video.",
    ),
    click.option(
        "--also",
        metavar="FORM",
        type=click.Choice(_FORMS),
        multiple=True,
        help="Write every range as this, too; repeatable.",
    ),
    click.option(
        "--burn-in/--no-burn-in",
        default=True,
        show_default=True,
        help="Frame number and times below viewing copies and previews.",
    ),
    click.option(
        "--stretch",
        is_flag=True,
        help="Brighten viewing copies and previews to the range's tones.",
    ),
    click.option(
        "--files",
        type=click.Choice(["copy", "hardlink", "reflink"]),
        default="copy",
        show_default=True,
        help="How stills come to their folder.",
    ),
    click.option("--renumber", is_flag=True, help="Number the stills of every clip from 0."),
    click.option(
        "--no-verify", is_flag=True, help="Do not decode clips again; it is put on record."
    ),
)


def clip_options(command: Command) -> Command:
    """Options on what clips shall be."""
    for option in reversed(_OPTIONS):  # decorators apply from the bottom up
        command = option(command)
    return command


def wanted_clips(options: dict[str, Any], **more: Any) -> TrimSettings:
    """Take what the clips shall be from the options; what is to be found stays."""
    from flashpan.cut.plan import TrimSettings

    verify = not options.pop("no_verify")
    return TrimSettings(verify=verify, **{name: options.pop(name) for name in _NAMES}, **more)
