"""Reading an event log to cut by, which somebody may have edited by hand.

Any edit that leaves the log consistent is taken: ranges moved, added or deleted, events
deleted together with their numbers, rates corrected.  Anything else is refused in one line that
names the entry, before anything is cut.  The rules:

* frames and event numbers are whole numbers; ``first`` is not after ``last``; a range ends
  within the take; ``onset``, ``peak`` and ``end`` of an event come in this order;
* a range's ``events`` are numbers of entries in ``events``, from 0, and those events share
  at least one frame with it (a number left over from a deleted event would not);
* a rate and its exact form say the same;
* ``events`` of a range may be left out or be empty: a range that somebody wanted by hand;
* a file may hold several logs, as ``find --json`` prints them: the one of the take counts;
* ranges may come in any order.  Those that overlap become one, with a warning, because a
  trim range is by definition merged and no frame is written twice.  Those that only touch
  stay apart.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

from flashpan.errors import TakeError
from flashpan.eventlog import SCHEMA, from_dict
from flashpan.fingerprint import check_fits, fingerprint_of
from flashpan.model import EventLog, TakeInfo, TrimRange

_CURE = "correct it, or run find again"

# Kinds of values, each with what a value of it is called and a test for it.
_TEXT = ("text", lambda value: isinstance(value, str))
_WHOLE = ("a whole number", lambda value: _is_whole(value))
_NUMBER = ("a number", lambda value: _is_number(value))
_FLAG = ("true or false", lambda value: isinstance(value, bool))
_OBJECT = ("an object with named values", lambda value: isinstance(value, dict))
_MAYBE_WHOLE = ("a whole number or null", lambda value: value is None or _is_whole(value))
_MAYBE_NUMBER = ("a number or null", lambda value: value is None or _is_number(value))
_TEXTS = ("a list of texts", lambda value: _are_texts(value))

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
    "take": {
        **dict.fromkeys(("container", "pixel_format"), _TEXT),
        **dict.fromkeys(("limited_range", "intra_only", "variable_rate"), _FLAG),
        "declared_frames": _MAYBE_WHOLE,
        "rotation": _WHOLE,
    }
}


def read_edited_log(path: str | os.PathLike[str], take: TakeInfo | None = None) -> EventLog:
    """Read an event log, check every entry, and check that it is of this take.

    Parameters
    ----------
    path : path-like
        The log.
    take : TakeInfo, optional
        The take that is to be cut by it; without one only the log itself is checked.

    Returns
    -------
    EventLog
        Ranges ascending and apart; ``totals.kept`` and ``totals.events`` as they are now.

    Raises
    ------
    TakeError
        The log cannot be read, an entry makes no sense, or it is of another take.
    """
    data = _load(path, take)
    try:
        n_frames = _frames(data, take)
        for fault in _faults(data, n_frames):
            raise TakeError(f"{path}: {fault}; {_CURE}")
        log = from_dict({**data, "ranges": [{"events": [], **kept} for kept in data["ranges"]]})
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise TakeError(f"{path}: is no event log ({_reason(error)}); {_CURE}") from error
    if take is not None:
        check_fits(log, take, path)
    return _merged(log)


def _load(path: str | os.PathLike[str], take: TakeInfo | None) -> dict[str, Any]:
    try:
        # some editors put a byte order mark in front
        text = Path(path).read_text(encoding="utf-8-sig")
        data = json.loads(text, parse_constant=_finite, parse_float=_finite)
    except OSError as error:
        raise TakeError(f"{path}: cannot be read ({error.strerror}); check the path") from error
    except ValueError as error:  # not JSON, not UTF-8
        raise TakeError(f"{path}: is no event log ({error!s:.80}); {_CURE}") from error
    if isinstance(data, list) and data:
        data = _one_of(data, path, take)
    schema = data.get("schema") if isinstance(data, dict) else None
    if not isinstance(schema, int) or schema < SCHEMA:
        raise TakeError(f"{path}: is no event log (schema {schema!r:.20}); {_CURE}")
    return dict(data)


def _finite(text: str) -> float:
    """A number, which ``NaN``, ``Infinity`` and ``1e999`` are not."""
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text} is no number")
    return number


def _one_of(logs: list[Any], path: str | os.PathLike[str], take: TakeInfo | None) -> Any:
    """The log of this take among several: by its place, else by its bytes."""
    if len(logs) == 1:
        return logs[0]
    if take is not None:
        for is_the_one in (_lies_there, _has_the_bytes):
            for log in logs:
                if is_the_one(log, take):
                    return log
    named = "this take" if take is None else take.path
    raise TakeError(
        f"{path}: holds {len(logs)} logs and none is known to be of {named};"
        " give the log of one take"
    )


def _lies_there(log: Any, take: TakeInfo) -> bool:
    return bool(_inside(log, "take", "absolute_path") == os.path.abspath(take.path))


def _has_the_bytes(log: Any, take: TakeInfo) -> bool:
    print_ = fingerprint_of(take.path)
    return print_ is not None and _inside(log, "take", "fingerprint", "sha256") == print_.digest


def _inside(data: Any, *keys: str) -> Any:
    """A value inside objects inside objects; None where there is none."""
    for key in keys:
        data = data.get(key) if isinstance(data, dict) else None
    return data


def _reason(error: Exception) -> str:
    return f"{error} is missing" if isinstance(error, KeyError) else f"{error!s:.80}"


def _frames(data: dict[str, Any], take: TakeInfo | None) -> int | None:
    """Frames that there are to cut from; None where nobody has counted them."""
    if take is not None and take.n_frames is not None:
        return take.n_frames
    logged = _inside(data, "take", "frames")
    return logged if _is_whole(logged) else None


def _faults(data: dict[str, Any], n_frames: int | None) -> Iterator[str]:
    """What is wrong with single entries, in the order of the log."""
    yield from _kind_faults("", data, _NEEDED)
    yield from _kind_faults("", data, {"take": _present(data["take"], _MORE["take"])})
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
        number, exact = take.get(name), take.get(f"{name}_exact")
        if exact is not None and (number is None or float(Fraction(exact)) != float(number)):
            yield f"take.{name} is {_shown(number)} and take.{name}_exact {_shown(exact)}"


def _event_faults(where: str, event: dict[str, Any], n_frames: int | None) -> Iterator[str]:
    yield from _in_order(where, event, ("onset", "peak", "end"), n_frames)
    box = event.get("box")
    if not (isinstance(box, list) and len(box) == 4 and all(map(_is_whole, box))):
        yield f"{where}.box is {_shown(box)}, not [x, y, width, height] in whole pixels"
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
        elif not _is_whole(entry[name]):
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
        if not _is_whole(number):
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


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _are_texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, str) for one in value)


def _shown(value: object) -> str:
    """A value as JSON writes it, cut short."""
    return f"{json.dumps(value):.40}"


def _merged(log: EventLog) -> EventLog:
    """Ranges ascending, overlapping ones joined; sums as they are now."""
    ranges, notes = merge_overlapping(log.ranges)
    kept = sum(one.n_frames for one in ranges)
    return replace(
        log,
        ranges=ranges,
        totals=replace(log.totals, kept=kept, events=len(log.events)),
        warnings=(*log.warnings, *notes),
    )


def merge_overlapping(ranges: tuple[TrimRange, ...]) -> tuple[tuple[TrimRange, ...], list[str]]:
    """Put ranges in order and join those that share a frame.

    Returns
    -------
    tuple of TrimRange
        Ascending and apart; event numbers ascending, each once.
    list of str
        A note for each range that was joined with another.
    """
    joined: list[TrimRange] = []
    notes = []
    for one in sorted(ranges, key=lambda kept: (kept.first, kept.last)):
        numbers = set(one.events)
        if joined and one.first <= joined[-1].last:
            before = joined.pop()
            last = max(before.last, one.last)
            notes.append(
                f"ranges {before.first} to {before.last} and {one.first} to {one.last}"
                f" overlap: cut as one, {before.first} to {last}"
            )
            one = TrimRange(before.first, last, one.events)
            numbers |= set(before.events)
        joined.append(TrimRange(one.first, one.last, tuple(sorted(numbers))))
    return tuple(joined), notes
