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

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

from flashpan.errors import TakeError
from flashpan.eventlog import SCHEMA, from_dict
from flashpan.fingerprint import check_fits, fingerprint_of
from flashpan.logfaults import faults, is_whole, parsed
from flashpan.model import EventLog, TakeInfo, TrimRange

_CURE = "correct it, or run find again"


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
        for fault in faults(data, n_frames):
            raise TakeError(f"{path}: {fault}; {_CURE}")
        log = from_dict(data)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise TakeError(f"{path}: is no event log ({_reason(error)}); {_CURE}") from error
    if take is not None:
        check_fits(log, take, path)
    return _merged(log)


def _load(path: str | os.PathLike[str], take: TakeInfo | None) -> dict[str, Any]:
    try:
        # some editors put a byte order mark in front
        text = Path(path).read_text(encoding="utf-8-sig")
        data = parsed(text)
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
    return logged if is_whole(logged) else None


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
