"""One take, searched by flashpan and by others in the same pass, held to its truth."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from coded import visibility_left
from conditions import Job
from ffmpeg_filters import FilterRun, change_events, freeze_events, is_installed
from invented_reader import InventedReader, WatchedReader
from matching import Matched, Wanted, match_events, wanted_events
from plain_script import mean_difference, plain_events

import flashpan
from flashpan.model import Event, EventLog, ScoreTrace
from flashpan.ranges import Span, trim_ranges
from flashpan.readers.base import Reader
from sample_generators import Take, write_take
from sample_generators.truth import VISIBLE
from sample_generators.write import SUFFIXES


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one method found: first and last frame of each event, and how that matches."""

    found: tuple[tuple[int, int], ...]
    matched: Matched


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """What went wrong with one event.

    ``fault`` is ``"missed"``, ``"swallowed"``, ``"onset"``, ``"extra"`` or ``"false"``,
    ``reason`` what such faults have in common, ``text`` the whole story.
    """

    fault: str
    reason: str
    visibility: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One take's result.

    ``others`` has what other methods found, by name; ``left`` the visibility that a lossy
    codec leaves of each event (nothing where that was not measured); ``kept`` and ``ideal``
    count the frames in the trim ranges of the found and of the true events.
    """

    scenario: str
    condition: str
    moves: bool
    seed: int
    n_frames: int
    wanted: tuple[Wanted, ...]
    flashpan: Outcome
    others: dict[str, Outcome]
    left: tuple[float, ...]
    kept: int
    ideal: int
    notes: tuple[Note, ...] = ()


class DifferenceKeeper:
    """Collects the series that the plain script works on while another method reads."""

    def __init__(self) -> None:
        self.series: list[float] = []
        self._previous: npt.NDArray[Any] | None = None

    def look(self, luma: npt.NDArray[Any]) -> None:
        """Take in a frame."""
        self.series.append(mean_difference(self._previous, luma))
        self._previous = luma


class Rivals:
    """The other methods, which look on while flashpan reads."""

    def __init__(self, reader: Reader, *, wanted: bool) -> None:
        self._differences = DifferenceKeeper() if wanted else None
        info = reader.info
        self._filters = FilterRun(info.shape, info.bit_depth) if wanted and is_installed() else None

    def look(self, luma: npt.NDArray[Any]) -> None:
        """Take in a frame."""
        for method in (self._differences, self._filters):
            if method is not None:
                method.look(luma)

    def found(self, merge_gap_frames: int) -> dict[str, list[tuple[int, int]]]:
        """Return what each method found, once all frames are through."""
        events = {}
        if self._differences is not None:
            events["plain"] = plain_events(self._differences.series, merge_gap_frames)
        if self._filters is not None:
            marks, n_frames = self._filters.finish(), self._filters.n_frames
            events["scdet"] = change_events(marks, merge_gap_frames)
            events["freezedetect"] = freeze_events(marks, n_frames, merge_gap_frames)
        return events


def measure(job: Job) -> Measured:
    """Search one take every way."""
    take, condition = job.take(), job.condition
    left: list[float] = []
    with _opened(take, job) as (reader, path):
        rivals = Rivals(reader, wanted=job.compares)
        watched = WatchedReader(reader, rivals.look)
        log = flashpan.find(watched, job.settings(), keep_trace=True)
        if job.compares and path is not None and condition.form and condition.is_lossy:
            left = visibility_left(take, path, condition.form, condition.quality)
    gap = int(log.settings["merge_gap_frames"])
    wanted = tuple(wanted_events(take, gap))
    events = [event for event in log.events if not _tells_copies(event, take)]
    outcome = _outcome(wanted, [(event.onset, event.end) for event in events])
    return Measured(
        scenario=job.scene.scenario,
        condition=condition.name,
        moves=condition.moves,
        seed=job.seed,
        n_frames=log.totals.frames,
        wanted=wanted,
        flashpan=outcome,
        others={name: _outcome(wanted, found) for name, found in rivals.found(gap).items()},
        left=tuple(left),
        kept=log.totals.kept,
        ideal=_ideal(wanted, log),
        notes=tuple(
            _notes(wanted, outcome.matched, events, log.trace, _erased(wanted, take, left))
        ),
    )


def _erased(wanted: Sequence[Wanted], take: Take, left: Sequence[float]) -> frozenset[int]:
    """Return the numbers of the events that a codec left too little of to be asked for."""
    if not left:
        return frozenset()
    found = []
    for number, event in enumerate(wanted):
        truths = zip(take.truth.events, left, strict=True)
        kept = [v for truth, v in truths if event.onset <= truth.peak <= event.end]
        if kept and max(kept) < VISIBLE:
            found.append(number)
    return frozenset(found)


def _tells_copies(event: Event, take: Take) -> bool:
    """Whether it says no more than that frames are copies, and they are."""
    frames = range(event.onset, event.end + 1)
    return event.kind == "gap" and bool(np.isin(frames, take.truth.copies).any())


@contextmanager
def _opened(take: Take, job: Job) -> Iterator[tuple[Reader, Path | None]]:
    """The take in memory, or, where a codec is asked for, through a temporary file."""
    if job.condition.form is None:
        yield InventedReader(take), None
        return
    with tempfile.TemporaryDirectory(prefix="accuracy-") as folder:
        path = Path(folder) / f"{take.name}{SUFFIXES[job.condition.form]}"
        write_take(take, path, form=job.condition.form, quality=job.condition.quality)
        with flashpan.open_take(path, capture_rate=take.capture_rate) as reader:
            yield reader, path


def _outcome(wanted: Sequence[Wanted], found: Sequence[tuple[int, int]]) -> Outcome:
    return Outcome(found=tuple(found), matched=match_events(wanted, found))


def _ideal(wanted: Sequence[Wanted], log: EventLog) -> int:
    """Frames that true events, padded, merged and clipped as found ones are, would keep."""
    ranges = trim_ranges(
        (Span(event.onset, event.end + 1) for event in wanted),
        pre_roll_frames=int(log.settings["pre_roll_frames"]),
        post_roll_frames=int(log.settings["post_roll_frames"]),
        merge_gap_frames=0,
        start=0,
        stop=log.totals.frames,
    )
    return sum(kept.n_frames for kept in ranges)


def _notes(
    wanted: Sequence[Wanted],
    matched: Matched,
    events: Sequence[Event],
    trace: ScoreTrace | None,
    erased: frozenset[int],
) -> Iterator[Note]:
    for i in matched.missed:
        fault = "swallowed" if i in matched.swallowed else "missed"
        reason, best = _best(wanted[i], trace)
        if fault == "swallowed":
            reason = "part of another event"
        elif i in erased:
            reason = f"the codec left less than {VISIBLE:g} of its visibility"
        text = f"{fault} {_told(wanted[i])}: {best}"
        yield Note(fault=fault, reason=reason, visibility=wanted[i].visibility, text=text)
    for i, j in matched.pairs:
        off, event = wanted[i].off_band(events[j].onset), events[j]
        if abs(off) > 1:
            reason = f"{'early' if off < 0 else 'late'} by {event.detector}"
            text = f"onset {off:+d} {_told(wanted[i])}: found {_said(event)}"
            yield Note(fault="onset", reason=reason, visibility=wanted[i].visibility, text=text)
    for fault, numbers in (("extra", matched.extra), ("false", matched.false)):
        for j in numbers:
            truth = "; ".join(_told(event) for event in wanted) or "nothing"
            text = f"{fault} {_said(events[j])}; truth: {truth}"
            reason = f"{events[j].kind} by {events[j].detector}"
            yield Note(fault=fault, reason=reason, visibility=0.0, text=text)


def _told(event: Wanted) -> str:
    seen = f"seen from {event.visible_from}"
    return f"{event.onset}-{event.end} ({seen}, visibility {event.visibility:.1f})"


def _said(event: Event) -> str:
    x, y, width, height = event.box.as_box()
    return (
        f"{event.onset}-{event.end} peak {event.peak} {event.kind} by {event.detector},"
        f" strength {event.strength:.1f}, chance {event.chance:.2g}/M,"
        f" box {width}x{height}+{x}+{y}"
    )


def _best(event: Wanted, trace: ScoreTrace | None) -> tuple[str, str]:
    """The score that came nearest to its threshold during a missed event: in short, in full."""
    assert trace is not None
    part = slice(event.onset, event.end + 1)
    ratio = trace.scores[:, part] / trace.thresholds[:, part]
    if not ratio.size or not np.isfinite(ratio).any():
        return "never scored", "no frame of it was scored"
    row, column = divmod(int(np.nanargmax(ratio)), ratio.shape[1])
    score, threshold = trace.scores[:, part][row, column], trace.thresholds[:, part][row, column]
    name, where, share = trace.detectors[row], event.onset + column, score / threshold
    steps = ((0.5, "far below"), (0.8, "below"), (1.0, "just below"), (np.inf, "above"))
    word = next(word for limit, word in steps if share <= limit)
    before = slice(max(0, event.onset - 1), event.onset)
    if share > 1 and (trace.scores[row, before] > trace.thresholds[row, before]).any():
        word = "already above"
    return f"{name} {word} its threshold", f"best {name} {score:.1f} of {threshold:.1f} at {where}"
