"""The demonstration: an invented take with planted events, searched, compared with the truth."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from flashpan.errors import TakeError
from flashpan.model import Event, EventLog
from flashpan.settings import Settings

if TYPE_CHECKING:
    from sample_generators import TrueEvent, Truth

CAUTION = (
    "Real lightning kills, also from a storm that seems far away. Never stay in the open with a"
    " camera: work from inside a building or a closed metal-roofed vehicle, leave when your local"
    " weather service or site rules say so, and wait until the storm has been gone for half an"
    " hour. Local codes and licensed practice come before any picture."
)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Planted events beside those found.

    Attributes
    ----------
    pairs : tuple of (TrueEvent, Event or None)
        Each planted event with the first event found that shares a frame with it.
    unplanted : tuple of Event
        Found events that share no frame with a planted one.
    planted_frames, kept_frames : int
        Frames in which a planted event shows, and how many of them a trim range keeps.
    """

    pairs: tuple[tuple[TrueEvent, Event | None], ...]
    unplanted: tuple[Event, ...]
    planted_frames: int
    kept_frames: int

    @property
    def is_right(self) -> bool:
        """Every planted event found, its frames kept, and nothing else found."""
        all_found = all(event is not None for _, event in self.pairs)
        return all_found and not self.unplanted and self.kept_frames == self.planted_frames


def make_demo_take(directory: str | os.PathLike[str], seed: int) -> tuple[Path, Truth]:
    """Write the invented take into a folder; return its path and what was planted in it.

    Raises
    ------
    TakeError
        There is such a take already: nothing is overwritten.
    """
    from sample_generators import demo_take  # renders pictures; nothing else needs it

    path = Path(directory) / "invented-storm.mkv"
    if path.exists():
        raise TakeError(f"{path} exists already; keep the take in another folder")
    return path, demo_take(path, seed)


def make_demo_night(directory: str | os.PathLike[str], seed: int) -> Path:
    """Write a card of three short invented takes and make a night of it; return the night.

    Raises
    ------
    TakeError
        There is such a card already, or a take failed.
    """
    from flashpan.night.ingest import ingest
    from sample_generators import demo_night

    card, dest = Path(directory, "card"), Path(directory, "night")
    if card.exists():
        raise TakeError(f"{card} exists already; make the night in another folder")
    demo_night(card, seed)
    asked = Settings.from_mapping(
        {"capture_rate": 5000, "pre_roll": 20, "post_roll": 20, "merge_gap": 20}
    )
    night = ingest(card, dest, asked)
    if night.errors:
        raise TakeError(night.errors[0])
    return dest


def compare(planted: Sequence[TrueEvent], log: EventLog) -> Comparison:
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


def _first_sharing(planted: TrueEvent, events: Iterable[Event]) -> Event | None:
    return next((event for event in events if _shares(planted, event)), None)


def _any_sharing(event: Event, planted: Iterable[TrueEvent]) -> bool:
    return any(_shares(true, event) for true in planted)


def _shares(planted: TrueEvent, event: Event) -> bool:
    return event.onset <= planted.end and planted.onset <= event.end


def _pair_line(planted: TrueEvent, event: Event | None) -> str:
    if event is None:
        return f"{_frames(planted):<18} MISSED"
    return f"{_frames(planted):<18} {_frames(event):<18} {_onset_text(planted, event.onset)}"


def _onset_text(planted: TrueEvent, found: int) -> str:
    """An onset is right from the first frame that differs to the first that noise lets show."""
    shows = planted.onset if planted.visible_from is None else planted.visible_from
    if found < planted.onset:
        return f"{planted.onset - found} frames early"
    return f"{found - shows} frames late" if found > shows else "right"


def _frames(event: TrueEvent | Event) -> str:
    return f"{event.kind} {event.onset}-{event.end}"
