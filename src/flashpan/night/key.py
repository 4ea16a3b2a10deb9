"""What a take is done with, in a form that is kept and compared."""

from __future__ import annotations

import hashlib
import json
from dataclasses import fields
from enum import Enum
from fractions import Fraction
from functools import lru_cache
from typing import Any

from flashpan.cut.plan import TrimSettings
from flashpan.settings import Settings

# Where a setting came from, what stands on the slate, and whether what is there may be replaced,
# change no result.
_OF_NO_ACCOUNT = frozenset({"sources", "clips", "slate", "overwrite", "budget"})


def said(settings: Settings, wanted: TrimSettings) -> dict[str, Any]:
    """All that was asked for, as JSON holds it; what was left open is left out.

    Returns
    -------
    dict
        ``find``: what to look for; ``trim``: what the clips shall be; ``from``: where each of
        them came from.
    """
    sources = {name: settings.source_of(name) for name in sorted(settings.set_names())}
    sources |= {name: source for name, _, source in settings.clips.said}
    return {
        "find": _differing(settings),
        "trim": _differing(wanted),
        "from": sources,
    }


@lru_cache(maxsize=1024)  # most takes of a night have the same
def key_of(settings: Settings, wanted: TrimSettings) -> str:
    """A hash that is the same for the same results, wherever the settings came from."""
    everything = said(settings, wanted)
    counted = json.dumps([everything["find"], everything["trim"]], sort_keys=True)
    return hashlib.sha256(counted.encode()).hexdigest()


def _differing(settings: Settings | TrimSettings) -> dict[str, Any]:
    """Values that are not the default, by name."""
    return {
        field.name: _plain(value)
        for field in fields(settings)
        if field.name not in _OF_NO_ACCOUNT
        and (value := getattr(settings, field.name)) != field.default
    }


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, Fraction) and value.denominator == 1:
        return int(value)
    return value if isinstance(value, bool | int | float | str) else str(value)
