"""Options that several commands share, and the settings they make."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from flashpan.settings import Settings
    from flashpan.settingsfile import SettingsFile

Command = TypeVar("Command", bound=Callable[..., Any])

_TAKE_OPTIONS = (
    click.option("--capture-rate", metavar="RATE", help="Frames per second as shot."),
    click.option(
        "--playback-rate",
        metavar="RATE",
        help="Frames per second as watched: 25, 29.97, 30000/1001.",
    ),
    click.option("--trigger-frame", metavar="FRAME", help="Frame the camera calls time zero."),
    click.option(
        "--raw",
        metavar="GEOMETRY",
        help="Headerless pixels: WIDTHxHEIGHT:FORMAT[+OFFSET], such as 1280x800:Mono12p.",
    ),
    click.option(
        "--settings",
        "settings_file",
        metavar="FILE",
        help="Settings in TOML [default: the flashpan.toml beside the take, if any].",
    ),
)
_SEARCH_OPTIONS = (
    click.option(
        "--pre-roll",
        metavar="DURATION",
        help="Kept before an onset [default: 30ms, at least 25 frames].",
    ),
    click.option(
        "--post-roll",
        metavar="DURATION",
        help="Kept after an end [default: 50ms, at least 25 frames].",
    ),
    click.option(
        "--merge-gap",
        metavar="DURATION",
        help="What lies nearer together is one event [default: 300ms, at least 30 frames].",
    ),
    click.option(
        "--shortest-event",
        metavar="DURATION",
        help="Shortest event that must not be missed [default: 1 frame].",
    ),
    click.option(
        "--false-alarms",
        metavar="NUMBER",
        help="False events accepted per million frames [default: 1].",
    ),
    click.option(
        "--detector",
        "detectors",
        metavar="NAME",
        multiple=True,
        help="difference, brightness, roi-motion or speck; repeatable [default: all].",
    ),
    click.option(
        "--roi", metavar="X,Y,W,H", multiple=True, help="Look only here; pixels or %; repeatable."
    ),
    click.option("--ignore", metavar="X,Y,W,H", multiple=True, help="Never look here; repeatable."),
    click.option("--first", metavar="FRAME", help="First frame to look at."),
    click.option("--last", metavar="FRAME", help="Last frame to look at, inclusive."),
)
DURATIONS = (
    "A DURATION is a number of frames (12) or real time (5ms, 200us, 1.5s), which needs the"
    " capture rate; without one, the default rolls and gap are their numbers of frames."
)


def take_options(command: Command) -> Command:
    """Options on what a take is: rates, trigger frame, raw layout, settings file."""
    return _with(command, _TAKE_OPTIONS)


def search_options(command: Command) -> Command:
    """Options on what to look for and keep, after `take_options`."""
    return take_options(_with(command, _SEARCH_OPTIONS))


def _with(command: Command, options: tuple[Callable[[Command], Command], ...]) -> Command:
    for option in reversed(options):  # decorators apply from the bottom up
        command = option(command)
    return command


def asked_settings(options: Mapping[str, Any]) -> Settings:
    """Settings from the options given; the others stay open.

    Raises
    ------
    SettingsError, RegionError
        A value that makes no sense; the text names the option.
    """
    from flashpan.settings import COMMAND_LINE, Settings

    given = {name: value for name, value in options.items() if value not in (None, ())}
    return Settings.from_mapping(given, source=COMMAND_LINE)


def named_settings(settings_file: str | None) -> SettingsFile | None:
    """The file that ``--settings`` names, if it does."""
    from flashpan.settingsfile import read_settings_file

    return None if settings_file is None else read_settings_file(settings_file)
