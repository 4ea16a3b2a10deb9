"""Whether the ripple of lamps on the mains will show, and what avoids it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction

from flashpan.planner.quantities import Number
from flashpan.planner.rules import Facts
from flashpan.planner.show import figures, shown

# Three in a thousand of the light are just perceived near 8 Hz (IEC 61000-4-15, as quoted by a test
# house); slower and faster ripples less.
_UNSEEN = 0.003
_STILL_HZ = 1e-6
_CHOICES = 3


def flicker_notes(facts: Facts) -> Iterator[str]:
    """Say whether it shows, why, and which exposures and rates avoid it."""
    if not {"light_rate", "capture_rate"} <= facts.keys():
        return
    light, rate = facts["light_rate"].value, facts["capture_rate"].value
    if is_still(light, rate):
        yield (
            f"flicker: every frame is taken at the same moment of the {figures(float(light))} Hz"
            " ripple: nothing shows, as long as the mains keeps its frequency"
        )
    elif "ripple_seen" in facts and facts["ripple_seen"].value < _UNSEEN:
        yield "flicker: the exposure is a whole number of ripples: nothing shows"
    else:
        yield _what_shows(facts, light, rate)
        yield _what_avoids(light, rate)


def is_still(light: Number, rate: Number) -> bool:
    """Whether the ripple, as sampled, stands still."""
    return abs(light - round(light / rate) * rate) < _STILL_HZ


def largest_step(light: Number, rate: Number) -> float:
    """Largest change from one frame to the next of a ripple of amplitude one."""
    return abs(2 * math.sin(math.pi * float(light) / float(rate)))


def _what_shows(facts: Facts, light: Number, rate: Number) -> str:
    parts = [f"flicker: shows, once in {figures(float(rate / light))} frames"]
    if "ripple_on_screen" in facts:
        parts.append(f"{shown('ripple_on_screen', facts['ripple_on_screen'].value)} on screen")
    if "ripple_seen" in facts:
        parts.append(f"{shown('ripple_seen', facts['ripple_seen'].value)} of the lamps' ripple")
    step = min(largest_step(light, rate), 2.0) * float(_seen(facts))
    return ", ".join(parts) + f", up to {figures(100 * step)} % of it from frame to frame"


def _seen(facts: Facts) -> Number:
    return facts["ripple_seen"].value if "ripple_seen" in facts else 1


def _what_avoids(light: Number, rate: Number) -> str:
    whole = [n / Fraction(light) for n in range(1, _CHOICES + 1)]
    exposures = [shown("exposure", time) for time in whole if time <= 1 / Fraction(rate)]
    rates = [figures(float(light / n)) for n in range(1, _CHOICES + 1)]
    by_exposure = f"exposures of {', '.join(exposures)}; " if exposures else ""
    return (
        f"without flicker: {by_exposure}{', '.join(rates)} … frames/s; or lamps on direct current,"
        " or on ballasts of many kilohertz"
    )
