"""The event log of a copy: its frames have numbers of their own, and this says which.

It is an event log like any other, of the file or folder that was copied, so that every command
that takes a log takes it.  Beyond that, ``offload`` holds:

``frames``
    A row for each stretch: ``first`` and ``last`` in the copy, ``take_first`` and
    ``take_last`` in the take.
``files``
    Name, and SHA-256 of its bytes, of each file of the copy.
``log``
    The take's own event log, in the take's frames.

Each event has ``take_onset``, its onset in frames of the take; ``onset_s`` stays the take's.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from flashpan.eventlog import to_dict
from flashpan.model import Event, EventLog, Fingerprint, TrimRange
from flashpan.offload.kept import FlaggedTake, Form

NOTE = "holds part of a take: frames are numbered anew, offload.frames says which they were"


def copy_log(
    one: FlaggedTake, target: Path, digests: dict[str, str], fingerprint: Fingerprint | None
) -> dict[str, Any]:
    """The event log of a copy as JSON holds it.

    Parameters
    ----------
    one : FlaggedTake
        What was copied.
    target : Path
        Where.
    digests : dict of str to str
        SHA-256 of each file of it; empty where nothing was copied.
    fingerprint : Fingerprint or None
        Of the copy.
    """
    stretches = _stretches(one) if digests else []
    log = one.log if not digests else _renumbered(one, stretches, target, fingerprint)
    data = to_dict(log)
    for event, was in zip(data["events"], one.log.events, strict=True):
        event["take_onset"] = was.onset
        event["onset_s"] = None if was.onset_s is None else float(was.onset_s)
    keys = ("first", "last", "take_first", "take_last")
    data["offload"] = {
        "frames": [dict(zip(keys, stretch, strict=True)) for stretch in stretches],
        "files": [{"name": name, "sha256": digest} for name, digest in digests.items()],
        "log": to_dict(one.log),
    }
    return data


def _stretches(one: FlaggedTake) -> list[tuple[int, int, int, int]]:
    """First and last frame in the copy, and in the take, of all that was copied."""
    if one.form not in (Form.BYTES, Form.FILES):
        last = (one.take.n_frames or 1) - 1
        return [(0, last, 0, last)]
    rows, begun = [], 0
    for part in one.parts:
        rows.append((begun, begun + part.n_frames - 1, part.first, part.last))
        begun += part.n_frames
    return rows


def _renumbered(
    one: FlaggedTake,
    stretches: list[tuple[int, int, int, int]],
    target: Path,
    fingerprint: Fingerprint | None,
) -> EventLog:
    def moved(frame: int) -> int:
        """A frame of the take in the copy; one between two stretches goes to the earlier."""
        first, last, was_first, _ = [row for row in stretches if row[2] <= frame][-1]
        return min(first + frame - was_first, last)

    log, trigger = one.log, one.take.trigger_frame
    is_in = any(trigger is not None and row[2] <= trigger <= row[3] for row in stretches)
    n_frames = stretches[-1][1] + 1
    take = replace(
        log.take,
        path=str(target),
        n_frames=n_frames,
        declared_frames=None,
        trigger_frame=moved(trigger) if is_in and trigger is not None else None,
        fingerprint=fingerprint,
    )
    note = (NOTE,) if one.form in (Form.BYTES, Form.FILES) else ()
    return replace(
        log,
        take=take,
        events=tuple(_event_at(event, moved) for event in log.events),
        ranges=tuple(
            TrimRange(moved(kept.first), moved(kept.last), kept.events) for kept in log.ranges
        ),
        totals=replace(log.totals, frames=n_frames),
        warnings=(*log.warnings, *note),
    )


def _event_at(event: Event, moved: Any) -> Event:
    return replace(event, onset=moved(event.onset), peak=moved(event.peak), end=moved(event.end))
