"""The event log: the JSON record of one take, what was found and with what settings.

Schema 1 is a contract; later versions only add keys.  Frames are inclusive at both ends,
boxes are ``[x, y, width, height]`` in pixels, rates are numbers with their exact value
beside them (``capture_rate_exact``: ``"30000/1001"``).
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import flashpan
from flashpan.atomic import make_folder, write_text
from flashpan.errors import TakeError
from flashpan.jsontext import loads
from flashpan.logfaults import faults, parsed
from flashpan.model import Event, EventLog, Fingerprint, Region, TakeInfo, Totals, TrimRange
from flashpan.settings import rate_number
from flashpan.units import exact, playback_time, real_time

SCHEMA = 1
EXTENSION = ".events.json"

# What a log adds about the take beyond the contract, under the names of `TakeInfo`.
_MORE_OF_TAKE = (
    "declared_frames",
    "container",
    "pixel_format",
    "limited_range",
    "rotation",
    "intra_only",
    "variable_rate",
)

CSV_COLUMNS = (
    "take",
    "path",
    "event",
    "kind",
    "detector",
    "onset",
    "peak",
    "end",
    "length",
    "onset_s",
    "playback_s",
    "strength",
    "chance",
    "x",
    "y",
    "width",
    "height",
    "trim_first",
    "trim_last",
)


def to_dict(log: EventLog) -> dict[str, Any]:
    """The log as JSON holds it, keys in the order of the contract."""
    return {
        "flashpan": flashpan.__version__,
        "schema": SCHEMA,
        "take": take_to_dict(log.take),
        "settings": log.settings,
        "events": [event_to_dict(event) for event in log.events],
        "ranges": [_range_to_dict(kept) for kept in log.ranges],
        "totals": _totals_to_dict(log.totals),
        "warnings": list(log.warnings),
    }


def from_dict(data: dict[str, Any]) -> EventLog:
    """The log back from its JSON form; keys that are not known are passed over.

    Raises
    ------
    KeyError, TypeError, ValueError
        A key of the contract is missing or of the wrong type.
    """
    try:
        return _from_dict(data)
    except ArithmeticError as error:  # a rate of zero, a number without end
        raise ValueError(str(error)) from error


def _from_dict(data: dict[str, Any]) -> EventLog:
    take = _take_from_dict(data["take"])
    return EventLog(
        take=take,
        settings=dict(data["settings"]),
        events=tuple(_event_from_dict(event, take) for event in data["events"]),
        ranges=tuple(
            TrimRange(kept["first"], kept["last"], tuple(kept.get("events", ())))
            for kept in data["ranges"]
        ),
        totals=Totals(**{name: data["totals"][name] for name in Totals.__slots__}),
        warnings=tuple(data["warnings"]),
    )


def to_json(log: EventLog) -> str:
    """The log as indented JSON text, in ASCII: a file name need not be valid Unicode."""
    return json.dumps(to_dict(log), indent=2, allow_nan=False)


def write_log(
    log: EventLog,
    directory: str | os.PathLike[str],
    overwrite: bool = False,
    *,
    stem: str | None = None,
) -> Path:
    """Write ``<take>.events.json`` into a folder, made if need be; return its path.

    Where that name is taken by the log of another take of the same name, the file is
    called ``<take>-<six hex digits of its path>.events.json``; with ``stem``, it is
    ``<stem>.events.json`` in any case.

    Raises
    ------
    TakeError
        This take's log is there already and ``overwrite`` is false, or no writing.
    """
    folder = make_folder(directory)
    path = folder / f"{stem}{EXTENSION}" if stem else log_path(log.take, folder)
    return write_text(path, to_json(log) + "\n", overwrite=overwrite)


def log_path(take: TakeInfo, directory: str | os.PathLike[str]) -> Path:
    """Where `write_log` puts the log of a take."""
    folder = Path(directory)
    plain = folder / f"{take.name}{EXTENSION}"
    if _belongs_to(plain, take):
        return plain
    mark = hashlib.sha256(_absolute(take.path).encode()).hexdigest()[:6]
    return folder / f"{take.name}-{mark}{EXTENSION}"


def read_log(path: str | os.PathLike[str]) -> EventLog:
    """Read an event log of schema 1 or later.

    Raises
    ------
    TakeError
        Not there, not readable, or no event log.
    """
    try:
        data = parsed(Path(path).read_text(encoding="utf-8"))
        if data["schema"] < SCHEMA:
            raise ValueError(f"schema {data['schema']}")
        for fault in faults(data, None):
            raise ValueError(fault)
        return from_dict(data)
    except OSError as error:
        raise TakeError(f"{path}: cannot be read ({error.strerror}); check the path") from error
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise TakeError(f"{path}: is no event log ({error!s:.80}); make it again") from error


def take_to_dict(take: TakeInfo) -> dict[str, Any]:
    """What is known of a take, as JSON holds it."""
    rows, cols = take.shape
    return {
        "name": take.name,
        "path": take.path,
        "frames": take.n_frames,
        "width": cols,
        "height": rows,
        "bit_depth": take.bit_depth,
        "codec": take.codec,
        "capture_rate": rate_number(take.capture_rate),
        "playback_rate": rate_number(take.playback_rate),
        "trigger_frame": take.trigger_frame,
        "capture_rate_exact": _exact(take.capture_rate),
        "playback_rate_exact": _exact(take.playback_rate),
        "time_base": _exact(take.time_base),
        "absolute_path": _absolute(take.path),
        **{name: getattr(take, name) for name in _MORE_OF_TAKE},
        "fingerprint": fingerprint_to_dict(take.fingerprint),
    }


def event_to_dict(event: Event) -> dict[str, Any]:
    """One event, as JSON holds it."""
    return {
        "onset": int(event.onset),
        "peak": int(event.peak),
        "end": int(event.end),
        "kind": event.kind,
        "detector": event.detector,
        "strength": float(event.strength),
        "box": [int(side) for side in event.box.as_box()],
        "onset_s": None if event.onset_s is None else float(event.onset_s),
        "chance": float(event.chance),
    }


def csv_rows(log: EventLog) -> Iterator[tuple[Any, ...]]:
    """One row per event under `CSV_COLUMNS`; what is not known is empty.

    ``event`` is the event's place in the log, from 0; ``length`` is in frames;
    ``playback_s`` is the onset as watched; ``trim_first`` and ``trim_last`` are the trim
    range that keeps the event.
    """
    ranges = ranges_by_event(log)
    for number, event in enumerate(log.events):
        values, kept = event_to_dict(event), ranges.get(number)
        yield (
            log.take.name,
            log.take.path,
            number,
            *(values[name] for name in ("kind", "detector", "onset", "peak", "end")),
            event.end - event.onset + 1,
            values["onset_s"],
            _float(playback_time(event.onset, log.take.playback_rate)),
            values["strength"],
            values["chance"],
            *values["box"],
            *((kept.first, kept.last) if kept else (None, None)),
        )


def ranges_by_event(log: EventLog) -> dict[int, TrimRange]:
    """The trim range that keeps each event, by the event's number."""
    return {number: kept for kept in log.ranges for number in kept.events}


def _belongs_to(path: Path, take: TakeInfo) -> bool:
    """Whether a log path is free, or already holds this very take's log."""
    try:
        owner = loads(path.read_text(encoding="utf-8"))["take"]["absolute_path"]
    except FileNotFoundError:
        return True
    except (OSError, KeyError, TypeError, ValueError):
        return False
    return bool(owner == _absolute(take.path))


def _absolute(path: str) -> str:
    return path if path == "-" else os.path.abspath(path)


def _float(value: Fraction | None) -> float | None:
    return None if value is None else float(value)


def _exact(value: Fraction | None) -> str | None:
    return None if value is None else str(value)


def _range_to_dict(kept: TrimRange) -> dict[str, Any]:
    return {"first": int(kept.first), "last": int(kept.last), "events": list(kept.events)}


def _totals_to_dict(totals: Totals) -> dict[str, Any]:
    return {name: getattr(totals, name) for name in Totals.__slots__}


def fingerprint_to_dict(fingerprint: Fingerprint | None) -> dict[str, Any] | None:
    """A take's identity as JSON holds it; null for a pipe."""
    if fingerprint is None:
        return None
    return {
        "bytes": fingerprint.size_bytes,
        "files": fingerprint.n_files,
        "head_bytes": fingerprint.head_bytes,
        "tail_bytes": fingerprint.tail_bytes,
        "sha256": fingerprint.digest,
    }


def _fingerprint_from_dict(data: dict[str, Any] | None) -> Fingerprint | None:
    """None for a pipe, and in logs that are older than fingerprints."""
    if data is None:
        return None
    return Fingerprint(
        size_bytes=int(data["bytes"]),
        n_files=int(data["files"]),
        head_bytes=int(data["head_bytes"]),
        tail_bytes=int(data["tail_bytes"]),
        digest=str(data["sha256"]),
    )


def _take_from_dict(data: dict[str, Any]) -> TakeInfo:
    return TakeInfo(
        path=data["path"],
        name=data["name"],
        shape=(data["height"], data["width"]),
        bit_depth=data["bit_depth"],
        codec=data["codec"],
        n_frames=data["frames"],
        capture_rate=_rate(data, "capture_rate"),
        playback_rate=_rate(data, "playback_rate"),
        trigger_frame=data["trigger_frame"],
        time_base=_fraction(data.get("time_base")),
        fingerprint=_fingerprint_from_dict(data.get("fingerprint")),
        **{name: data[name] for name in _MORE_OF_TAKE if name in data},
    )


def _rate(data: dict[str, Any], name: str) -> Fraction | None:
    """The exact rate where the log has it, else the number of the contract."""
    exact = data.get(f"{name}_exact")
    return _fraction(exact if exact is not None else data[name])


def _fraction(value: str | float | None) -> Fraction | None:
    return None if value is None else exact(str(value))


def _event_from_dict(data: dict[str, Any], take: TakeInfo) -> Event:
    x, y, width, height = data["box"]
    return Event(
        **{name: data[name] for name in ("onset", "peak", "end", "kind", "detector")},
        strength=data["strength"],
        chance=data["chance"],
        box=Region(y, x, height, width),
        # exact again from the frame: the log holds the nearest float
        onset_s=real_time(data["onset"], take.capture_rate, take.trigger_frame),
    )
