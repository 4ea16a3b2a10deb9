"""Finds the few frames that matter in long high-speed-camera takes.

The public names are loaded when first used, so that ``import flashpan`` and
``flashpan --help`` cost nothing.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flashpan.cut.plan import TrimSettings
    from flashpan.cut.report import Trimmed
    from flashpan.errors import (
        FlashpanError,
        PlugInError,
        RegionError,
        SettingsError,
        TakeError,
        UnreadableTake,
        UsageError,
    )
    from flashpan.explain import Explanation, explain
    from flashpan.find import find
    from flashpan.handoff.night import HandedOff, hand_off
    from flashpan.model import Event, EventLog, Frame, Region, TakeInfo, TrimRange
    from flashpan.night.ingest import ingest
    from flashpan.night.record import NightRecord
    from flashpan.night.report import NightReport, night_report
    from flashpan.night.run import Night
    from flashpan.night.verify import Verified, verify
    from flashpan.night.watch import watch
    from flashpan.offload.flag import flag
    from flashpan.offload.kept import Flagged
    from flashpan.plan import Plan, plan
    from flashpan.readers.open import open_take
    from flashpan.settings import Settings
    from flashpan.sheet.make import Sheets, contact_sheet
    from flashpan.trim import trim

    __version__: str

__all__ = [
    "Event",
    "EventLog",
    "Explanation",
    "Flagged",
    "FlashpanError",
    "Frame",
    "HandedOff",
    "Night",
    "NightRecord",
    "NightReport",
    "Plan",
    "PlugInError",
    "Region",
    "RegionError",
    "Settings",
    "SettingsError",
    "Sheets",
    "TakeError",
    "TakeInfo",
    "TrimRange",
    "TrimSettings",
    "Trimmed",
    "UnreadableTake",
    "UsageError",
    "Verified",
    "__version__",
    "contact_sheet",
    "explain",
    "find",
    "flag",
    "hand_off",
    "ingest",
    "night_report",
    "open_take",
    "plan",
    "trim",
    "verify",
    "watch",
]

_HOMES = {
    **dict.fromkeys(
        (
            "FlashpanError",
            "PlugInError",
            "RegionError",
            "SettingsError",
            "TakeError",
            "UnreadableTake",
            "UsageError",
        ),
        "flashpan.errors",
    ),
    **dict.fromkeys(
        ("Event", "EventLog", "Frame", "Region", "TakeInfo", "TrimRange"), "flashpan.model"
    ),
    "Settings": "flashpan.settings",
    **dict.fromkeys(("Sheets", "contact_sheet"), "flashpan.sheet.make"),
    **dict.fromkeys(("Explanation", "explain"), "flashpan.explain"),
    "find": "flashpan.find",
    "flag": "flashpan.offload.flag",
    "Flagged": "flashpan.offload.kept",
    **dict.fromkeys(("HandedOff", "hand_off"), "flashpan.handoff.night"),
    "ingest": "flashpan.night.ingest",
    "Night": "flashpan.night.run",
    "NightRecord": "flashpan.night.record",
    **dict.fromkeys(("NightReport", "night_report"), "flashpan.night.report"),
    **dict.fromkeys(("Verified", "verify"), "flashpan.night.verify"),
    "watch": "flashpan.night.watch",
    "open_take": "flashpan.readers.open",
    **dict.fromkeys(("Plan", "plan"), "flashpan.plan"),
    "trim": "flashpan.trim",
    "TrimSettings": "flashpan.cut.plan",
    "Trimmed": "flashpan.cut.report",
}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        return import_module("importlib.metadata").version("flashpan")
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)


class _Package(ModuleType):
    """Keeps ``flashpan.find`` the function although a submodule has the same name."""

    def __setattr__(self, name: str, value: Any) -> None:
        # the import system binds each submodule it has loaded to its name in the package
        if name in _HOMES and isinstance(value, ModuleType):
            value = getattr(value, name)
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
