"""Quantities as people read them: four figures at most where there is no whole number."""

from __future__ import annotations

import math

from flashpan.planner.quantities import (
    ALL,
    ANGLE,
    APERTURE,
    BITS,
    BYTE_RATE,
    BYTES,
    COUNT,
    FREQUENCY,
    LENGTH,
    PIXELS,
    RATE,
    RATIO,
    SHARE,
    SPEED,
    TIME,
    Kind,
    Number,
)

_STEPS = {
    TIME.name: (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6), ("ns", 1e-9)),
    LENGTH.name: (("m", 1.0), ("mm", 1e-3), ("µm", 1e-6), ("nm", 1e-9)),
    SPEED.name: (("m/s", 1.0), ("mm/s", 1e-3)),
    BYTES.name: (("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3), ("bytes", 1.0)),
    BYTE_RATE.name: (("GB/s", 1e9), ("MB/s", 1e6), ("kB/s", 1e3), ("bytes/s", 1.0)),
}
_ENDINGS = {
    RATE.name: " frames/s",
    FREQUENCY.name: " Hz",
    ANGLE.name: "°",
    RATIO.name: " times",
    PIXELS.name: " pixels",
    BITS.name: " bits",
    COUNT.name: "",
}
_STOPS = frozenset({"exposure_loss", "aperture_loss", "macro_loss", "light_loss"})
_LONG_S = 120


def shown(name: str, value: Number) -> str:
    """A quantity with its unit."""
    if name in _STOPS:
        return f"{float(value):.1f} stops"
    return _of_kind(ALL[name].kind, float(value))


def said(name: str, text: str) -> str:
    """An option as it was given."""
    return f"{ALL[name].option} {text}" if text else ALL[name].option


def _of_kind(kind: Kind, value: float) -> str:
    if math.isinf(value):
        return "infinity"
    if kind is TIME and value >= _LONG_S:
        return _long_time(round(value))
    if kind.name in _STEPS:
        return _scaled(value, _STEPS[kind.name])
    if kind is APERTURE:
        return f"f/{value:g}"
    if kind is SHARE:
        return f"{figures(100 * value)} %"
    return figures(value) + (_ENDINGS[kind.name] if value != 1 else _single(kind))


def _single(kind: Kind) -> str:
    return {PIXELS.name: " pixel", BITS.name: " bit"}.get(kind.name, _ENDINGS[kind.name])


def _scaled(value: float, steps: tuple[tuple[str, float], ...]) -> str:
    if not value:
        return f"0 {steps[0][0]}"
    # what rounds up to the next unit is shown in that
    unit, size = next((step for step in steps if abs(value) >= step[1] * 0.99995), steps[-1])
    return f"{figures(value / size)} {unit}"


def _long_time(seconds: int) -> str:
    hours, minutes = divmod(seconds // 60, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {seconds % 60} s"


def figures(value: float) -> str:
    """Four figures; whole numbers in full: ``6.711``, ``50,331``."""
    if value == round(value) or abs(value) >= 1000:
        return f"{value:,.0f}"
    return f"{value:.4g}"
