"""What the picker made of single frames, kept for people who doubt it.

The picker alone knows which thresholds were in force at a frame and what followed from
them; it says so here, at that moment, for the few frames that somebody asks about.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from flashpan.model import Score


@dataclass(frozen=True, slots=True)
class Opening:
    """The score that opened an event: frame, detector, score and the threshold it passed."""

    frame: int
    detector: str
    value: float
    threshold: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How one detector's score stood at one frame.

    Attributes
    ----------
    score : Score
        The score as the picker saw it.
    opening, closing : float
        Scores above which it opens an event, and keeps an open one open.
    chance : float
        Probability, per frame, that noise gives this score or more.
    learned_from : int
        Quiet frames that the thresholds rest on; 0 where there were too few to learn from.
    opens, keeps_open : bool
        Whether it did so: was above its threshold, and counted.
    is_told : bool
        True where the score is evidence of an event that had ended already, and so did not
        count.
    """

    score: Score
    opening: float
    closing: float
    chance: float
    learned_from: int
    opens: bool
    keeps_open: bool
    is_told: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruling:
    """What the picker made of one frame.

    Attributes
    ----------
    index : int
        The frame.
    refreshed : bool
        True where the stream codes it afresh, so that it has thresholds of its own.
    standings : mapping of str to Standing
        One per detector.
    opening : Opening or None
        What opened the event that was open at this frame, or opened at it.
    departed_last : int or None
        Last departed frame of the event that was open already.
    """

    index: int
    refreshed: bool
    standings: Mapping[str, Standing]
    opening: Opening | None
    departed_last: int | None


class Watch:
    """Keeps the rulings on one frame and its neighbours.

    Parameters
    ----------
    frame : int
        The frame asked about.
    around : int
        Neighbours on either side.

    Attributes
    ----------
    rulings : list of Ruling
        In the order of frames.
    departs_next : int or None
        First frame after the one asked about that opened an event or kept one open.
    shift : tuple of float
        Pixels to the right and down that the camera had moved the whole picture by there.
    """

    def __init__(self, frame: int, around: int = 0) -> None:
        self.frame = frame
        self._wanted = range(frame - around, frame + around + 1)
        self.rulings: list[Ruling] = []
        self.departs_next: int | None = None
        self.shift = (0.0, 0.0)

    def __contains__(self, index: int) -> bool:
        return index in self._wanted

    def add(self, ruling: Ruling) -> None:
        """Keep a ruling."""
        self.rulings.append(ruling)

    def pass_by(self, index: int, *, departs: bool) -> None:
        """Note a frame of the take and whether the picker counted a departure at it."""
        if departs and self.departs_next is None and index > self.frame:
            self.departs_next = index
