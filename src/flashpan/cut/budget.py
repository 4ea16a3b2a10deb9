"""`--budget`: when not everything fits, the strongest events are kept first.

Ranges are taken whole or not at all, in descending order of their strongest event; each one
is kept if it fits in what is left when its turn comes.  So a weaker range may be kept beside
a stronger one that was too large, never in its place.  A range without events was put into
the log by hand and comes first.  What is kept stays in frame order.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from flashpan.errors import SettingsError, quoted
from flashpan.model import EventLog, TrimRange
from flashpan.units import DECIMAL

_AMOUNT = re.compile(rf"({DECIMAL})\s*((?:[kmgt]i?)?b)?", re.IGNORECASE)
_PREFIXES = ("", "k", "m", "g", "t")


@dataclass(frozen=True, slots=True)
class Budget:
    """So many frames, or so many bytes.

    Attributes
    ----------
    amount : int
        Never negative.
    in_bytes : bool
        False where ``amount`` is frames.
    """

    amount: int
    in_bytes: bool = False

    def __str__(self) -> str:
        return f"{self.amount:,} {'bytes' if self.in_bytes else 'frames'}"


@dataclass(frozen=True, slots=True)
class Candidate:
    """A range that asks for a part of the budget.

    Attributes
    ----------
    cost : int
        Frames or bytes.
    strength : float
        Of its strongest event; infinite where it has none.
    """

    cost: int
    strength: float


@dataclass(frozen=True, slots=True)
class Choice:
    """What a budget allows: places in the list of candidates, ascending."""

    kept: tuple[int, ...]
    left_out: tuple[int, ...]


def parse_budget(text: str, option: str = "--budget") -> Budget:
    """Read ``5000`` (frames), ``500MB``, ``1.5 GB`` or ``2GiB`` (bytes).

    kB, MB, GB and TB are powers of 1000, KiB, MiB, GiB and TiB of 1024 (IEC 80000-13); small
    or capital letters mean the same.  A part of a byte is dropped.

    Raises
    ------
    SettingsError
        Neither, or nothing.
    """
    match = _AMOUNT.fullmatch(text.strip())
    if match is None:
        raise SettingsError(
            f"{option} {quoted(text)} is no budget; write frames (5000) or bytes (500MB, 2GiB)"
        )
    amount, unit = Fraction(match[1]), (match[2] or "").lower()
    if not unit and amount.denominator != 1:
        raise SettingsError(f"{option} {text!r}: frames are whole; write 500MB or 2GiB for bytes")
    whole = int(amount * _bytes_in(unit)) if unit else int(amount)
    if not whole:
        raise SettingsError(f"{option} {text!r} keeps nothing; give more than zero")
    return Budget(whole, in_bytes=bool(unit))


def _bytes_in(unit: str) -> int:
    prefix = unit.rstrip("b")
    base = 1024 if prefix.endswith("i") else 1000
    return int(base ** _PREFIXES.index(prefix.rstrip("i")))


def choose(candidates: Sequence[Candidate], budget: int) -> Choice:
    """Choose by strength what fits.

    Parameters
    ----------
    candidates : sequence of Candidate
        Of one take, or of all takes of a run one after the other.
    budget : int
        In the unit of their costs.

    Returns
    -------
    Choice
        Of equal strength, the earlier candidate goes first.
    """
    remaining, kept = budget, set()
    for place in sorted(range(len(candidates)), key=lambda place: -candidates[place].strength):
        if candidates[place].cost <= remaining:
            remaining -= candidates[place].cost
            kept.add(place)
    places = range(len(candidates))
    return Choice(
        tuple(place for place in places if place in kept),
        tuple(place for place in places if place not in kept),
    )


def candidates_of(log: EventLog, costs: Iterable[int] | None = None) -> list[Candidate]:
    """The ranges of a log as candidates.

    Parameters
    ----------
    log : EventLog
        What was found.
    costs : iterable of int, optional
        Bytes that each range will need; frames where they are left out.
    """
    prices = [kept.n_frames for kept in log.ranges] if costs is None else list(costs)
    return [
        Candidate(price, strength_of(log, kept))
        for price, kept in zip(prices, log.ranges, strict=True)
    ]


def strength_of(log: EventLog, kept: TrimRange) -> float:
    """Strength of a range's strongest event, in noise units; infinite where it has none."""
    return max((log.events[number].strength for number in kept.events), default=math.inf)


def left_out_text(log: EventLog, kept: TrimRange) -> str:
    """One line for a range that the budget left out."""
    said = {0: "put in by hand", 1: f"strength {strength_of(log, kept):.1f}"}.get(
        len(kept.events),
        f"{len(kept.events)} events, the strongest {strength_of(log, kept):.1f}",
    )
    return (
        f"left out by the budget: frames {kept.first:,} to {kept.last:,}"
        f" ({kept.n_frames:,} frames, {said})"
    )
