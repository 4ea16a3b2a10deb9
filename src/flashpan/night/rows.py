"""What the catalog of a night holds, as typed rows."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from flashpan.night.identity import Identity

NEW, RUNNING, DONE, FAILED = "new", "running", "done", "failed"
"""States of a take; an attempt that was stopped leaves its take new."""

CIRCLED, REJECTED = "circled", "rejected"
"""Marks of an event: a keeper, or none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeRow:
    """One take.

    Attributes
    ----------
    id : int
        Its number in this catalog; never given to another.
    path, place, name, kind : str
        As in `flashpan.night.found.Found`, where it was seen last.
    identity : Identity
    state : str
        ``new``, ``running``, ``done`` or ``failed``.
    settings : dict
        Used last; empty before the first attempt.
    settings_key : str
        Their hash; empty before the first attempt.
    folder, log_name : str
        Where its results are below the destination, and its event log there.
    frames : int
        Searched.
    capture_rate, playback_rate : Fraction or None
        Frames per second in force.
    left_out : int
        Ranges that a budget left out.
    attempts : int
        How often it was begun.
    error : str
        Why it failed last; empty where it did not.
    shot_at, shot_at_from : str
        When it was shot, see `flashpan.night.clock`.
    is_replaced : bool
        True where another take lies in its place now: results are kept, and do not count.
    slate : dict of str to str
        What stands on its slate, from the settings files.
    """

    id: int
    path: str
    place: str
    name: str
    kind: str
    identity: Identity
    state: str
    settings: dict[str, Any]
    settings_key: str
    folder: str
    log_name: str
    frames: int
    capture_rate: Fraction | None
    playback_rate: Fraction | None
    left_out: int
    attempts: int
    error: str
    shot_at: str
    shot_at_from: str
    is_replaced: bool
    slate: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class EventRow:
    """One event of a take: as in the event log, with its number there, from 0.

    Attributes
    ----------
    box : tuple of int
        Pixels: x, y, width, height.
    onset_s : float or None
        Real time, seconds; None where the capture rate is not known.
    trim_range : int or None
        Number of the range that keeps it.
    mark : str or None
        What the operator made of it: ``circled``, ``rejected``, or nothing yet.
    note : str
        The operator's words.
    """

    take_id: int
    number: int
    onset: int
    peak: int
    end: int
    kind: str
    detector: str
    strength: float
    chance: float
    box: tuple[int, int, int, int]
    onset_s: float | None
    trim_range: int | None
    mark: str | None
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeRow:
    """One trim range of a take; frames inclusive."""

    take_id: int
    number: int
    first: int
    last: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipReport:
    """One clip, or a copy beside it.

    Attributes
    ----------
    number : int
        The range's place in the log.
    form : str
        ``clip``, or one of `flashpan.cut.forms.Form`.
    name : str
        File, or folder of stills, in the take's folder.
    first, last : int
        Frames of the take that were asked for, inclusive.
    frames, bytes : int
        Pictures in it, and its size.
    way, proof : str
        See `flashpan.cut.report.Output`; ``proof`` is empty where nobody looked.
    sha256 : str
        Of the file; of a folder see `flashpan.night.checksums.checksum`.
    """

    number: int
    form: str
    name: str
    first: int
    last: int
    frames: int
    bytes: int
    way: str
    proof: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipRow(ClipReport):
    """One clip of a take, or a copy beside it, as the catalog has it."""

    take_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AttemptRow:
    """One time that a take was begun.

    Attributes
    ----------
    began_at, ended_at : str
        UTC, ISO 8601; ``ended_at`` is empty while it runs.
    outcome : str
        ``running``, ``done``, ``failed`` or ``stopped``.
    """

    take_id: int
    settings_key: str
    began_at: str
    ended_at: str
    outcome: str
    error: str
    seconds: float
    bytes_read: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ProblemRow:
    """What could be a take and cannot be read, as of the last look."""

    path: str
    place: str
    kind: str
    text: str
    seen_at: str


@dataclass(frozen=True, slots=True)
class NightEvent:
    """One event of a night, with its take, its range and its clip.

    Attributes
    ----------
    shot_at, shot_at_from : str
        When its take was shot, UTC in ISO 8601, and by what; see `flashpan.night.clock`.
    take, path, place, folder : str
        Of its take, as in `TakeRow` (``take`` is the name).
    event : int
        Its number in the take's log; then as in `EventRow`.
    trim_first, trim_last : int or None
        The range that keeps it.
    clip, clip_bytes, verified, sha256 : str, int, str, str or None
        The clip of that range, where there is one: its name in the take's folder, size, what
        was proved of it (empty where nobody looked), and checksum.
    """

    shot_at: str
    shot_at_from: str
    take: str
    path: str
    place: str
    folder: str
    event: int
    kind: str
    detector: str
    onset: int
    peak: int
    end: int
    onset_s: float | None
    strength: float
    chance: float
    x: int
    y: int
    width: int
    height: int
    trim_first: int | None
    trim_last: int | None
    clip: str | None
    clip_bytes: int | None
    verified: str | None
    sha256: str | None


@dataclass(slots=True, kw_only=True)
class NightTotals:
    """Sums over a night.

    Attributes
    ----------
    takes, done, failed, waiting, unreadable : int
        Takes that were begun; of them done, failed, not done yet; and what could not even be
        read.
    to_come : int
        Takes of the source that have never been begun.
    frames, kept : int
        Searched, and in clips.
    events, clips : int
    take_bytes : int
        Of the takes that are done.
    clip_bytes, copy_bytes : int
        Of their clips, and of copies beside them.
    seconds : float
        Work of all attempts, as if done one after the other.
    bytes_read : int
        In all attempts.
    """

    takes: int = 0
    done: int = 0
    failed: int = 0
    waiting: int = 0
    unreadable: int = 0
    to_come: int = 0
    frames: int = 0
    kept: int = 0
    events: int = 0
    clips: int = 0
    take_bytes: int = 0
    clip_bytes: int = 0
    copy_bytes: int = 0
    seconds: float = 0.0
    bytes_read: int = 0

    @property
    def saved_bytes(self) -> int:
        """What need not be copied or kept; below zero where clips weigh more than takes."""
        return self.take_bytes - self.clip_bytes


@dataclass(frozen=True, slots=True)
class Quarter:
    """What happened in a quarter of an hour: all time zones begin their hours with one.

    Attributes
    ----------
    number : int or None
        Quarters since 1970 (UTC); None for takes of which the time is not known.
    what : str
        ``takes``, ``kept`` (frames in clips), or the kind of events.
    count : int
    """

    number: int | None
    what: str
    count: int
