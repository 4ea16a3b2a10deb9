"""The demonstration: an invented take with planted events, searched, compared with the truth."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from flashpan.model import Event, EventLog

CAUTION = (
    "Real lightning kills, also from a storm that seems far away. Never stay in the open with a"
    " camera: work from inside a building or a closed metal-roofed vehicle, leave when your local"
    " weather service or site rules say so, and wait until the storm has been gone for half an"
    " hour. Local codes and licensed practice come before any picture."
)


class Planted(Protocol):
    """A planted event: its first and last frame, and what it is."""

    @property
    def onset(self) -> int:
        """First frame in which it shows."""

    @property
    def end(self) -> int:
        """Last frame in which it shows."""

    @property
    def kind(self) -> str:
        """What it is."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Planted events beside those found.

    Attributes
    ----------
    pairs : tuple of (Planted, Event or None)
        Each planted event with the first event found that shares a frame with it.
    unplanted : tuple of Event
        Found events that share no frame with a planted one.
    planted_frames, kept_frames : int
        Frames in which a planted event shows, and how many of them a trim range keeps.
    """

    pairs: tuple[tuple[Planted, Event | None], ...]
    unplanted: tuple[Event, ...]
    planted_frames: int
    kept_frames: int

    @property
    def is_right(self) -> bool:
        """Every planted event found, its frames kept, and nothing else found."""
        all_found = all(event is not None for _, event in self.pairs)
        return all_found and not self.unplanted and self.kept_frames == self.planted_frames


def make_demo_take(directory: str | os.PathLike[str], seed: int) -> tuple[Path, list[Planted]]:
    """Write the invented take into a folder; return its path and the planted events."""
    from sample_generators import demo_take

    path = Path(directory) / "invented-storm.mkv"
    truth = demo_take(path, seed)
    return path, list(truth.events)


def compare(planted: Sequence[Planted], log: EventLog) -> Comparison:
    """Hold what was found against what was planted, frame by frame."""
    kept = {frame for part in log.ranges for frame in range(part.first, part.last + 1)}
    true_frames = {frame for event in planted for frame in range(event.onset, event.end + 1)}
    return Comparison(
        pairs=tuple((event, _first_sharing(event, log.events)) for event in planted),
        unplanted=tuple(event for event in log.events if not _any_sharing(event, planted)),
        planted_frames=len(true_frames),
        kept_frames=len(true_frames & kept),
    )


def format_comparison(comparison: Comparison) -> str:
    """The comparison as lines, the verdict last."""
    lines = ["planted            found              onset"]
    lines += [_pair_line(planted, event) for planted, event in comparison.pairs]
    lines += [f"{'nothing':<18} {_frames(event)}" for event in comparison.unplanted]
    lines.append(
        f"{comparison.kept_frames} of {comparison.planted_frames} planted frames are kept;"
        f" {len(comparison.unplanted)} events were found where nothing was planted."
    )
    verdict = "what was planted was found" if comparison.is_right else "NOT what was planted"
    return "\n".join([*lines, f"Verdict: {verdict}."])


def _first_sharing(planted: Planted, events: Iterable[Event]) -> Event | None:
    return next((event for event in events if _shares(planted, event)), None)


def _any_sharing(event: Event, planted: Iterable[Planted]) -> bool:
    return any(_shares(true, event) for true in planted)


def _shares(planted: Planted, event: Event) -> bool:
    return event.onset <= planted.end and planted.onset <= event.end


def _pair_line(planted: Planted, event: Event | None) -> str:
    if event is None:
        return f"{_frames(planted):<18} MISSED"
    off = event.onset - planted.onset
    said = "to the frame" if off == 0 else f"{abs(off)} frames {'late' if off > 0 else 'early'}"
    return f"{_frames(planted):<18} {_frames(event):<18} {said}"


def _frames(event: Planted | Event) -> str:
    return f"{event.kind} {event.onset}-{event.end}"
