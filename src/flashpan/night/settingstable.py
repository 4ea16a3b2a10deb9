"""What settings apply to which take and where they come from, for people and programs."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Any

from flashpan.clipsettings import CLIP_DEFAULTS
from flashpan.night.found import Found
from flashpan.settings import DEFAULT_TEXTS, NAMES, Settings, rate_number
from flashpan.table import aligned
from flashpan.units import Duration, decimal_text

_LEFT_ALIGNED = frozenset({"setting", "value", "from"})


def format_settings(laid: Iterable[tuple[Found, Settings]]) -> str:
    """A table of settings for each run of takes that have the same, the takes above it.

    Parameters
    ----------
    laid : iterable of (Found, Settings)
        In the order of the takes.

    Returns
    -------
    str
        Without a line end at the end; empty where there are no takes.
    """
    runs = itertools.groupby(laid, key=lambda pair: _rows(pair[1]))
    return "\n\n".join(
        "\n".join([*(found.place for found, _ in takes), *_table(rows)]) for rows, takes in runs
    )


def settings_to_dict(settings: Settings) -> dict[str, dict[str, Any]]:
    """Every setting as ``{"value": …, "from": …}``, as JSON holds it; null is "as it comes"."""
    plain = {
        name: {"value": _plain(_value(settings, name)), "from": _source(settings, name)}
        for name in (*NAMES, *CLIP_DEFAULTS)
    }
    slate = {name: {"value": text, "from": source} for name, text, source in settings.slate}
    return {**plain, "slate": slate} if slate else plain


def laid_to_dict(found: Found, settings: Settings) -> dict[str, Any]:
    """A take with its settings, as JSON holds it."""
    return {
        "take": {"path": found.path, "place": found.place, "kind": found.kind},
        "settings": settings_to_dict(settings),
    }


def _rows(settings: Settings) -> tuple[tuple[str, str, str], ...]:
    plain = (
        (name.replace("_", "-"), _text(settings, name), _source(settings, name))
        for name in (*NAMES, *CLIP_DEFAULTS)
    )
    return (*plain, *((f"slate {name}", text, source) for name, text, source in settings.slate))


def _value(settings: Settings, name: str) -> Any:
    """What is looked for, and what the clips shall be."""
    if name in CLIP_DEFAULTS:
        return settings.clips.values().get(name, CLIP_DEFAULTS[name])
    return getattr(settings, name)


def _source(settings: Settings, name: str) -> str:
    of = settings.clips if name in CLIP_DEFAULTS else settings
    return of.source_of(name)


def _table(rows: Sequence[tuple[str, str, str]]) -> list[str]:
    lines = aligned([("setting", "value", "from"), *rows], _LEFT_ALIGNED)
    return [f"  {line}" for line in lines]


def _text(settings: Settings, name: str) -> str:
    value = _plain(_value(settings, name))
    if isinstance(value, bool):
        return str(value).lower()  # as TOML has it
    if value is None or value == []:
        return DEFAULT_TEXTS[name]
    return " ".join(map(str, value)) if isinstance(value, list) else str(value)


def _plain(value: Any) -> Any:
    """A setting as text, number or list of those, as a settings file would have it."""
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    if isinstance(value, Fraction):
        whole = value.denominator == 1
        return rate_number(value) if whole else decimal_text(value)
    if isinstance(value, Duration):
        return str(value) if value.is_real_time else int(value.amount)
    return value if value is None or isinstance(value, str | int | float) else str(value)
