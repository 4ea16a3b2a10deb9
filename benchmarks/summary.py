"""What was promised, what was measured, and where it falls short.

Goals: recall, by visibility, at least 0.99 from 30 on and 0.90 from 8 to 30; an onset within
a frame of its band (`matching`) for 0.95 of the events found; no more than 1 false event per
million frames, 10 where the background moves; and no more than 1.3 times the frames kept that
the true events would keep.  The same is asked of every condition, and where it is not met
the commonest reason is given.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from measured import Measured, Note, Outcome
from table import OTHERS, Row, hits_of, onset_errors

Takes = Sequence[Measured]
MISSING = ("missed", "swallowed")


@dataclass(frozen=True, slots=True)
class Count:
    """So many of so many, times a factor."""

    part: float
    whole: float
    factor: float = 1.0

    @property
    def value(self) -> float | None:
        """The ratio; None where there is nothing to divide by."""
        return self.factor * self.part / self.whole if self.whole else None

    def __str__(self) -> str:
        if self.value is None:
            return "–"
        return f"{self.value:.3g} ({self.part:g} of {self.whole:g})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """One promise.

    ``limit`` is the least or, where ``is_most``, the greatest value that keeps it;
    ``measure`` gives the value and ``concerns`` says which notes explain a failure.
    """

    name: str
    limit: float
    is_most: bool
    measure: Callable[[Takes], Count]
    concerns: Callable[[Note], bool]

    def verdict(self, count: Count) -> str:
        """Return ``met``, ``short by …``, or a dash where nothing was measured."""
        if count.value is None:
            return "–"
        short = count.value - self.limit if self.is_most else self.limit - count.value
        return f"short by {short:.2g}" if short > 0 else "met"


def _flashpan(take: Measured) -> Outcome:
    return take.flashpan


def _other(name: str) -> Callable[[Measured], Outcome]:
    return lambda take: take.others[name]


def _recall(low: float, high: float) -> Callable[[Takes], Count]:
    return lambda takes: Count(*hits_of(takes, _flashpan, low, high))


def _missing(low: float, high: float) -> Callable[[Note], bool]:
    return lambda note: note.fault in MISSING and low <= note.visibility < high


def _onsets(takes: Takes) -> Count:
    _, errors = onset_errors(takes, _flashpan)
    return Count(sum(error <= 1 for error in errors), len(errors))


def _false(*, moves: bool) -> Callable[[Takes], Count]:
    def measure(takes: Takes) -> Count:
        some = [take for take in takes if take.moves == moves]
        false = sum(len(take.flashpan.matched.false) for take in some)
        return Count(false, sum(take.n_frames for take in some), 1e6)

    return measure


def _kept(takes: Takes) -> Count:
    return Count(sum(take.kept for take in takes), sum(take.ideal for take in takes))


GOALS = (
    Goal(
        name="recall, visibility ≥ 30",
        limit=0.99,
        is_most=False,
        measure=_recall(30, np.inf),
        concerns=_missing(30, np.inf),
    ),
    Goal(
        name="recall, visibility 8–30",
        limit=0.90,
        is_most=False,
        measure=_recall(8, 30),
        concerns=_missing(8, 30),
    ),
    Goal(
        name="onset within tolerance",
        limit=0.95,
        is_most=False,
        measure=_onsets,
        concerns=lambda note: note.fault == "onset",
    ),
    Goal(
        name="false per million, still background",
        limit=1.0,
        is_most=True,
        measure=_false(moves=False),
        concerns=lambda note: note.fault == "false",
    ),
    Goal(
        name="false per million, moving background",
        limit=10.0,
        is_most=True,
        measure=_false(moves=True),
        concerns=lambda note: note.fault == "false",
    ),
    Goal(
        name="kept / ideal",
        limit=1.3,
        is_most=True,
        measure=_kept,
        concerns=lambda note: note.fault in ("false", "extra"),
    ),
)


def goal_rows(takes: Takes) -> list[Row]:
    """Return each goal with what was measured over all takes."""
    return [
        {
            "goal": goal.name,
            "promised": f"{'≤' if goal.is_most else '≥'} {goal.limit:g}",
            "measured": str(count := goal.measure(takes)),
            "": goal.verdict(count),
        }
        for goal in GOALS
    ]


def short_rows(takes: Takes) -> list[Row]:
    """Return every condition and goal that falls short, with the commonest reason."""
    rows = []
    for condition in dict.fromkeys(take.condition for take in takes):
        some = [take for take in takes if take.condition == condition]
        for goal in GOALS:
            count = goal.measure(some)
            if goal.verdict(count).startswith("short"):
                reason = _reason(goal, some)
                rows.append(
                    {
                        "condition": condition,
                        "goal": goal.name,
                        "measured": str(count),
                        "commonest reason": reason,
                    }
                )
    return rows


def _reason(goal: Goal, takes: Takes) -> str:
    notes = [note for take in takes for note in take.notes if goal.concerns(note)]
    faults = Counter(f"{note.fault}: {note.reason}" for note in notes)
    if goal.measure is _kept:
        # Kept for want of a better name: no fault of any event, but of its length.
        longer = [take for take in takes if take.kept > goal.limit * take.ideal]
        faults += Counter("events end late" for take in longer if not take.flashpan.matched.false)
    if not faults:
        return "–"
    reason, count = faults.most_common(1)[0]
    return f"{reason} ({count} of {faults.total()})"


def method_rows(takes: Takes) -> list[Row]:
    """Return every method on the same takes, side by side."""
    names = [name for name in OTHERS if all(name in take.others for take in takes)]
    rows = [_method_row("flashpan", takes, _flashpan)]
    rows += [_method_row(name, takes, _other(name)) for name in names]
    missing = [name for name in OTHERS if name not in names]
    blank = dict.fromkeys(list(rows[0])[1:], "not installed")
    return rows + [{"method": name, **blank} for name in missing]


def _method_row(name: str, takes: Takes, choose: Callable[[Measured], Outcome]) -> Row:
    true, band = onset_errors(takes, choose)
    false = sum(len(choose(take).matched.false) for take in takes)
    return {
        "method": name,
        "recall ≥ 30": str(Count(*hits_of(takes, choose, 30, np.inf))),
        "recall 8–30": str(Count(*hits_of(takes, choose, 8, 30))),
        "onset within ±1": str(Count(_within(true), len(true))),
        "within ±1 of its band": str(Count(_within(band), len(band))),
        "false / 100,000": str(Count(false, sum(take.n_frames for take in takes), 1e5)),
    }


def _within(errors: Iterable[int]) -> int:
    return sum(error <= 1 for error in errors)
