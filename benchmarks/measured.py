"""One take, searched by flashpan and by the plain script in the same pass, held to its truth."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy.typing as npt
from conditions import Job
from invented_reader import InventedReader, WatchedReader
from matching import Matched, Wanted, match_events, wanted_events
from plain_script import mean_difference, plain_events

import flashpan
from flashpan.model import Event, EventLog, ScoreTrace
from flashpan.ranges import Span, trim_ranges
from flashpan.readers.base import Reader
from sample_generators import Take, write_take
from sample_generators.write import SUFFIXES


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one method found: first and last frame of each event, and how that matches."""

    found: tuple[tuple[int, int], ...]
    matched: Matched


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One take's result.

    ``kept`` and ``ideal`` count the frames in the trim ranges of the found and of the true
    events; ``notes`` has a line for every missed, extra, false or displaced event.
    """

    scenario: str
    condition: str
    seed: int
    n_frames: int
    wanted: tuple[Wanted, ...]
    flashpan: Outcome
    plain: Outcome
    kept: int
    ideal: int
    notes: tuple[str, ...] = field(default=())


class DifferenceKeeper:
    """Collects the series that the plain script works on while another method reads."""

    def __init__(self) -> None:
        self.series: list[float] = []
        self._previous: npt.NDArray[Any] | None = None

    def look(self, luma: npt.NDArray[Any]) -> None:
        """Take in a frame."""
        self.series.append(mean_difference(self._previous, luma))
        self._previous = luma


def measure(job: Job) -> Measured:
    """Search one take both ways."""
    take, settings, keeper = job.take(), job.scene.settings(), DifferenceKeeper()
    with _opened(take, job) as reader:
        log = flashpan.find(WatchedReader(reader, keeper.look), settings, keep_trace=True)
    gap = int(log.settings["merge_gap_frames"])
    wanted = tuple(wanted_events(take, gap))
    outcome = _outcome(wanted, [(event.onset, event.end) for event in log.events])
    return Measured(
        scenario=job.scene.scenario,
        condition=job.condition.name,
        seed=job.seed,
        n_frames=log.totals.frames,
        wanted=wanted,
        flashpan=outcome,
        plain=_outcome(wanted, plain_events(keeper.series, gap)),
        kept=log.totals.kept,
        ideal=_ideal(wanted, log),
        notes=tuple(_notes(wanted, outcome.matched, log)),
    )


@contextmanager
def _opened(take: Take, job: Job) -> Iterator[Reader]:
    """The take in memory, or, where a codec is asked for, through a temporary file."""
    if job.condition.form is None:
        yield InventedReader(take)
        return
    with tempfile.TemporaryDirectory(prefix="accuracy-") as folder:
        path = Path(folder) / f"{take.name}{SUFFIXES[job.condition.form]}"
        write_take(take, path, form=job.condition.form, quality=job.condition.quality)
        with flashpan.open_take(path, capture_rate=take.capture_rate) as reader:
            yield reader


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


def _notes(wanted: Sequence[Wanted], matched: Matched, log: EventLog) -> Iterator[str]:
    for i in matched.missed:
        word = "swallowed" if i in matched.swallowed else "missed"
        yield f"{word} {_told(wanted[i])}: {_best(wanted[i], log.trace)}"
    for i, j in matched.pairs:
        off = wanted[i].off_band(log.events[j].onset)
        if abs(off) > 1:
            yield f"onset {off:+d} {_told(wanted[i])}: found {_said(log.events[j])}"
    for word, numbers in (("extra", matched.extra), ("false", matched.false)):
        for j in numbers:
            truth = "; ".join(_told(event) for event in wanted) or "nothing"
            yield f"{word} {_said(log.events[j])}; truth: {truth}"


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


def _best(event: Wanted, trace: ScoreTrace | None) -> str:
    """The score that came nearest to its threshold during a missed event."""
    assert trace is not None
    part = slice(event.onset, event.end + 1)
    ratio = trace.scores[:, part] / trace.thresholds[:, part]
    if not ratio.size:
        return "no frame of it was scored"
    row, column = divmod(int(ratio.argmax()), ratio.shape[1])
    score, threshold = trace.scores[:, part][row, column], trace.thresholds[:, part][row, column]
    where = event.onset + column
    return f"best {trace.detectors[row]} {score:.1f} of {threshold:.1f} at {where}"
