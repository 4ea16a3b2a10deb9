"""The exception tree, each class with the exit status the command line gives it.

FlashpanError
├── UsageError            2  the command, an option or a settings file is wrong
│   ├── SettingsError     2  a settings value, wherever it came from
│   ├── RegionError       2  a region that does not fit the picture
│   └── NightBusy         2  another run is at work on the same night
├── CatalogError          3  the catalog of a night cannot be read or written
└── TakeError             3  one take cannot be processed; others go on
    ├── UnreadableTake    3  no such file, not a take, nothing decodes
    ├── PlugInError       3  a reader or detector is missing or broken
    ├── CutRefused        3  this way of cutting cannot keep its promise for this take
    └── ClipDiffers       3  a clip does not hold the take's frames
"""

from __future__ import annotations

import traceback
from pathlib import Path

_SHOWN = 60


class FlashpanError(Exception):
    """Root of everything flashpan raises on purpose; ``str()`` is one line with the cure."""

    exit_code = 3


def quoted(value: object) -> str:
    """A value as messages show it: in quotes where it is text, and cut short where it is long."""
    text = repr(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…"


def unforeseen(error: BaseException) -> str:
    """One line on an error that nobody has reckoned with: what it is, and where it came from."""
    place, trace = "", error.__traceback__
    while trace is not None:
        place = f" ({Path(trace.tb_frame.f_code.co_filename).name}, line {trace.tb_lineno})"
        trace = trace.tb_next
    said = " ".join("".join(traceback.format_exception_only(error)).split())
    return f"{said}{place}; this is a fault of a reader, a detector or flashpan"


class UsageError(FlashpanError):
    """The command or an option is wrong."""

    exit_code = 2


class SettingsError(UsageError):
    """A settings value is malformed or contradicts another."""


class RegionError(UsageError):
    """A region lies outside the picture or covers none of it."""


class NightBusy(UsageError):
    """Another run is at work on the same night."""


class CatalogError(FlashpanError):
    """The catalog of a night is damaged, of a later version, or cannot be written."""

    exit_code = 3


class TakeError(FlashpanError):
    """One take cannot be processed."""

    exit_code = 3


class UnreadableTake(TakeError):
    """The source does not exist, is no take, or nothing in it decodes."""


class PlugInError(TakeError):
    """A registered reader or detector is missing or fails to load."""


class CutRefused(TakeError):
    """A way of cutting cannot keep its promise for a take; the text says why."""


class ClipDiffers(TakeError):
    """A clip does not hold the take's frames; it is kept under a name that says so."""
