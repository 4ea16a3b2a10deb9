"""A plan as a table for people, with or without its formulas, and as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

from flashpan.planner.planned import Plan
from flashpan.planner.quantities import ALL
from flashpan.planner.rules import Fact, Facts
from flashpan.planner.show import shown
from flashpan.table import wrapped

_TITLE_WIDTH = 26
_GROUPS = {
    "memory": (
        "record_s",
        "frames",
        "frame_bytes",
        "take_bytes",
        "memory_needed",
        "highest_rate",
        "data_rate",
        "save_s",
    ),
    "playback": (
        "stretch",
        "playback_s",
        "event_screen_s",
        "frames_in_event",
        "event_rate",
    ),
    "light": (
        "exposure",
        "shutter_angle",
        "light_loss",
        "exposure_loss",
        "aperture_loss",
        "macro_loss",
    ),
    "motion": (
        "capture_rate",
        "field_width",
        "object_pixel",
        "blur_px",
        "blur",
        "longest_exposure",
        "step_px",
        "crossing_frames",
        "across_rate",
    ),
    "optics": (
        "magnification",
        "distance",
        "circle",
        "hyperfocal",
        "depth",
        "near",
        "far",
    ),
    "trigger": (
        "best_before",
        "best_frames",
        "least_before",
        "most_before",
        "before_trigger_s",
        "after_trigger_s",
    ),
    "mains": ("light_rate", "ripple_frames", "ripple_seen", "ripple_on_screen"),
}
_UNITS = {
    "a time": "s",
    "a length": "m",
    "a speed": "m/s",
    "an amount of memory": "bytes",
    "a speed of copying": "bytes/s",
    "a rate": "frames/s",
    "a mains frequency": "Hz",
    "an angle": "degrees",
}


def format_plan(plan: Plan, *, why: bool = False) -> str:
    """What was given, what follows by groups, notes and cautions.

    Parameters
    ----------
    plan : Plan
    why : bool
        Add the formula, its numbers and its source below every line.

    Returns
    -------
    str
        Without a line end at the end.
    """
    given = [fact for fact in plan.facts.values() if fact.rule is None]
    lines = ["given", *(_line(fact, as_given=True) for fact in given)]
    for group, names in _GROUPS.items():
        known = [plan.facts[name] for name in names if _follows(plan.facts, name)]
        if known:
            lines += ["", group, *(line for fact in known for line in _lines(fact, why))]
    lines += [""] if plan.notes or plan.cautions else []
    lines += [line for note in plan.notes for line in wrapped("note", note)]
    lines += [line for caution in plan.cautions for line in wrapped("CAUTION", caution)]
    return "\n".join(lines)


def plan_json(plan: Plan) -> str:
    """The plan as JSON text: values in base units, formulas and their sources."""
    return json.dumps(plan_to_dict(plan), indent=2, allow_nan=False, ensure_ascii=False)


def plan_to_dict(plan: Plan) -> dict[str, Any]:
    """The plan as JSON holds it; what is infinite is null."""
    facts = plan.facts.values()
    return {
        "given": {fact.name: _fact_to_dict(fact) for fact in facts if fact.rule is None},
        "follows": {fact.name: _fact_to_dict(fact) for fact in facts if fact.rule is not None},
        "notes": list(plan.notes),
        "cautions": list(plan.cautions),
    }


def _follows(facts: Facts, name: str) -> bool:
    return name in facts and facts[name].rule is not None


def _lines(fact: Fact, why: bool) -> Iterator[str]:
    yield _line(fact)
    if why and fact.rule is not None:
        numbers = ", ".join(
            f"{ALL[name].title} {shown(name, value)}" for name, value in fact.inputs.items()
        )
        yield f"    = {fact.rule.formula}"
        yield f"      {numbers}"
        yield f"      source: {fact.rule.source}"


def _line(fact: Fact, *, as_given: bool = False) -> str:
    value = shown(fact.name, fact.value)
    said = f"  ({fact.text})" if as_given and _differs(fact.text, value) else ""
    return f"  {ALL[fact.name].title:<{_TITLE_WIDTH}}{value}{said}"


def _differs(text: str, value: str) -> bool:
    """Whether what was written looks otherwise than what is shown."""

    def plain(one: str) -> str:
        return one.replace(",", "").replace(" ", "").replace("us", "µs").casefold()

    return not plain(value).startswith(plain(text))


def _fact_to_dict(fact: Fact) -> dict[str, Any]:
    value = float(fact.value)
    said: dict[str, Any] = {
        "value": None if math.isinf(value) else int(value) if value.is_integer() else value,
        "unit": _UNITS.get(ALL[fact.name].kind.name, ""),
    }
    if fact.rule is None:
        return said | {"written": fact.text}
    return said | {"formula": fact.rule.formula, "source": fact.rule.source}
