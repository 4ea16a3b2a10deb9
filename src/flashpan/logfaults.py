"""What is wrong with an event log as JSON: single entries, named, before anything is made of them.

A log may have been edited by hand, or be damaged; see `flashpan.edited` for the rules.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from flashpan.jsontext import loads
from flashpan.units import exact

_MOST = 1 << 63
_MOST_NUMBER = 1e300

# Kinds of values, each with what a value of it is called and a test for it.
_TEXT = ("text", lambda value: isinstance(value, str))
_WHOLE = ("a whole number", lambda value: is_whole(value))
_NUMBER = ("a number", lambda value: _is_number(value))
_FLAG = ("true or false", lambda value: isinstance(value, bool))
_OBJECT = ("an object with named values", lambda value: isinstance(value, dict))
_MAYBE_WHOLE = ("a whole number or null", lambda value: value is None or is_whole(value))
_MAYBE_NUMBER = ("a number or null", lambda value: value is None or _is_number(value))
_TEXTS = ("a list of texts", lambda value: _are_texts(value))
_BOX = ("[x, y, width, height] in whole pixels", lambda value: _is_box(value))
_BOXES = (
    "a list of boxes",
    lambda value: isinstance(value, list) and all(map(_is_box, value)),
)
_ORIGINS = (
    "an object with texts",
    lambda value: isinstance(value, dict) and _are_texts([*value.values()]),
)

# Values beside those of events and ranges; keys of later versions may be missing.
_NEEDED = {
    "settings": _OBJECT,
    "warnings": _TEXTS,
    "take": {
        **dict.fromkeys(("name", "path", "codec"), _TEXT),
        **dict.fromkeys(("width", "height", "bit_depth"), _WHOLE),
        **dict.fromkeys(("frames", "trigger_frame"), _MAYBE_WHOLE),
        **dict.fromkeys(("capture_rate", "playback_rate"), _MAYBE_NUMBER),
    },
    "totals": {
        **dict.fromkeys(("frames", "kept", "events", "bytes_read"), _WHOLE),
        "seconds": _NUMBER,
    },
}
_MORE = {
    "settings": {
        **dict.fromkeys(
            ("pre_roll_frames", "post_roll_frames", "merge_gap_frames", "shortest_event_frames"),
            _WHOLE,
        ),
        **dict.fromkeys(("first", "last"), _MAYBE_WHOLE),
        **dict.fromkeys(("roi", "ignore"), _BOXES),
        "detectors": _TEXTS,
        "false_alarms": _NUMBER,
        "from": _ORIGINS,
    },
    "take": {
        **dict.fromkeys(("container", "pixel_format"), _TEXT),
        **dict.fromkeys(("limited_range", "intra_only", "variable_rate"), _FLAG),
        "declared_frames": _MAYBE_WHOLE,
        "rotation": _WHOLE,
        "time_base": (
            "a number above zero or null",
            lambda value: value is None or _is_exact(value),
        ),
    },
}


def parsed(text: str) -> Any:
    """JSON as Python has it; numbers are finite.

    Raises
    ------
    ValueError
        No JSON, or a number that is none.
    """
    return loads(text, parse_constant=_finite, parse_float=_finite)


def _finite(text: str) -> float:
    """A number, which ``NaN``, ``Infinity`` and ``1e999`` are not."""
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text} is no number")
    return number


def faults(data: dict[str, Any], n_frames: int | None) -> Iterator[str]:
    """What is wrong with single entries, in the order of the log.

    Parameters
    ----------
    data : dict
        The log as JSON holds it.
    n_frames : int or None
        Frames of the take, where they are known.
    """
    yield from _kind_faults("", data, _NEEDED)
    yield from _kind_faults("", data, {k: _present(data[k], more) for k, more in _MORE.items()})
    yield from _rate_faults(data["take"])
    for name in ("events", "ranges"):
        if not isinstance(data.get(name), list):
            yield f"{name} is no list"
            return
        for number, entry in enumerate(data[name]):
            if not isinstance(entry, dict):
                yield f"{name}[{number}] is {entry!r:.40}, not an object with named values"
                return
    for number, event in enumerate(data["events"]):
        yield from _event_faults(f"events[{number}]", event, n_frames)
    for number, kept in enumerate(data["ranges"]):
        yield from _range_faults(f"ranges[{number}]", kept, n_frames)
        yield from _number_faults(f"ranges[{number}]", kept, data["events"])


def _kind_faults(where: str, data: Any, kinds: dict[str, Any]) -> Iterator[str]:
    """Values that are missing or of another kind than they should be."""
    if not isinstance(data, dict):
        yield f"{where.rstrip('.')} is {_shown(data)}, not an object with named values"
        return
    for name, kind in kinds.items():
        if name not in data:
            yield f"{where}{name} is missing"
        elif isinstance(kind, dict):
            yield from _kind_faults(f"{where}{name}.", data[name], kind)
        elif not kind[1](data[name]):
            yield f"{where}{name} is {_shown(data[name])}, not {kind[0]}"


def _present(data: dict[str, Any], kinds: dict[str, Any]) -> dict[str, Any]:
    return {name: kind for name, kind in kinds.items() if name in data}


def _rate_faults(take: dict[str, Any]) -> Iterator[str]:
    """A rate edited in one of its two forms only: nobody can tell which one is meant."""
    for name in ("capture_rate", "playback_rate"):
        number, said = take.get(name), take.get(f"{name}_exact")
        for value in (number, said):
            if value is not None and not _is_exact(value):
                yield f"take.{name} is {_shown(value)}, not a rate above zero"
                return
        if said is not None and (number is None or float(exact(str(said))) != float(number)):
            yield f"take.{name} is {_shown(number)} and take.{name}_exact {_shown(said)}"


def _event_faults(where: str, event: dict[str, Any], n_frames: int | None) -> Iterator[str]:
    yield from _in_order(where, event, ("onset", "peak", "end"), n_frames)
    if not _is_box(event.get("box")):
        yield f"{where}.box is {_shown(event.get('box'))}, not {_BOX[0]}"
    kinds = {"kind": _TEXT, "detector": _TEXT, "strength": _NUMBER, "chance": _NUMBER}
    yield from _kind_faults(f"{where}.", event, kinds)


def _range_faults(where: str, kept: dict[str, Any], n_frames: int | None) -> Iterator[str]:
    yield from _in_order(where, kept, ("first", "last"), n_frames)


def _in_order(
    where: str, entry: dict[str, Any], names: tuple[str, ...], n_frames: int | None
) -> Iterator[str]:
    """Frames of one entry: there, whole, inside the take, none after the next."""
    for name in names:
        if name not in entry:
            yield f"{where} has no {name}"
        elif not is_whole(entry[name]):
            yield f"{where}.{name} is {_shown(entry[name])}, not a whole frame number"
        elif entry[name] < 0:
            yield f"{where}.{name} is {entry[name]}, and frames are numbered from 0"
        elif n_frames is not None and entry[name] >= n_frames:
            yield f"{where}.{name} is {entry[name]}, beyond the take's last frame {n_frames - 1}"
    for one, other in pairwise(names):
        if entry[one] > entry[other]:
            yield f"{where}: {one} {entry[one]} is after {other} {entry[other]}"


def _number_faults(where: str, kept: dict[str, Any], events: list[Any]) -> Iterator[str]:
    numbers = kept.get("events", [])
    if not isinstance(numbers, list):
        yield f"{where}.events is {_shown(numbers)}, not a list of event numbers"
        return
    for number in numbers:
        if not is_whole(number):
            yield f"{where}.events has {_shown(number)}, not a whole event number"
        elif not 0 <= number < len(events):
            yield f"{where}.events has {number}, and the log has {_numbered(len(events))}"
        elif not _meet(kept, events[number]):
            yield (
                f"{where} (frames {kept['first']} to {kept['last']}) names event {number},"
                f" which lies outside it ({events[number]['onset']} to {events[number]['end']})"
            )


def _numbered(n_events: int) -> str:
    return f"events 0 to {n_events - 1}" if n_events else "no events"


def _meet(kept: dict[str, Any], event: dict[str, Any]) -> bool:
    return bool(event["onset"] <= kept["last"] and event["end"] >= kept["first"])


def is_whole(value: object) -> bool:
    """Whether it is a whole number that a log may have."""
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) < _MOST


def _is_number(value: object) -> bool:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return is_number and abs(value) < _MOST_NUMBER  # type: ignore[arg-type]


def _is_exact(value: object) -> bool:
    """Whether it is a number above zero, or the text of one or of a fraction."""
    try:
        return exact(str(value)) > 0
    except ValueError:
        return False


def _is_box(value: object) -> bool:
    return isinstance(value, list) and len(value) == 4 and all(map(is_whole, value))


def _are_texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, str) for one in value)


def _shown(value: object) -> str:
    """A value as JSON writes it, cut short."""
    try:
        return f"{json.dumps(value):.40}"
    except RecursionError:
        return "objects in objects without end"
