"""What shall become of one take: its log, the ranges to keep, their names and their sizes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from pathlib import Path

from flashpan.cut.base import Clip, Cut, CutSettings
from flashpan.cut.budget import Budget, Candidate, candidates_of, parse_budget
from flashpan.cut.engine import Cutter
from flashpan.cut.forms import Copy, Form, Look, copy_need, copy_there
from flashpan.cut.names import clip_name, inside
from flashpan.cut.needs import clip_need
from flashpan.cut.space import Need
from flashpan.cut.there import clip_there
from flashpan.model import EventLog, TakeInfo, TrimRange
from flashpan.ranges import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimSettings(CutSettings):
    """What is wanted of the clips; what is looked for stands in `flashpan.Settings`.

    Attributes
    ----------
    how, files, renumber, overwrite, verify
        Of every clip, see `flashpan.cut.base.CutSettings`.
    also : tuple of Form or str
        What every range goes out as beside its clip.
    burn_in : bool
        Put frame number and times below viewing copies and previews.
    stretch : bool
        Brighten them to the tones that each range uses.
    budget : Budget, str or None
        What may be kept of all takes of a run together: frames (``"5000"``) or bytes
        (``"500MB"``).
    """

    also: tuple[Form, ...] = ()
    burn_in: bool = True
    stretch: bool = False
    budget: Budget | str | None = None

    def __post_init__(self) -> None:
        CutSettings.__post_init__(self)
        object.__setattr__(self, "also", tuple(dict.fromkeys(Form(one) for one in self.also)))
        self.limit  # noqa: B018  # so that nonsense is refused at once

    @property
    def limit(self) -> Budget | None:
        """The budget, read."""
        return parse_budget(self.budget) if isinstance(self.budget, str) else self.budget

    @property
    def look(self) -> Look:
        """How viewing copies and previews show the take."""
        return Look(burn_in=self.burn_in, stretch=self.stretch)


@dataclass(slots=True, kw_only=True)
class Plan:
    """One take, searched and ready to be cut.

    Attributes
    ----------
    log : EventLog
        With all of its ranges.
    log_path : Path
        Where the log is, in the destination.
    take : TakeInfo
        What the reader says of the take, with the log's count and rates.
    raw : str or None
        Geometry of headerless pixels.
    stem : str
        What all that the take leaves in the destination begins with.
    wanted : TrimSettings
    kept : tuple of int
        Ranges to write, by their place in the log; the budget leaves out the others.
    cutter : Cutter
        Shared by estimating and cutting.
    """

    log: EventLog
    log_path: Path
    take: TakeInfo
    raw: str | None
    stem: str
    wanted: TrimSettings
    kept: tuple[int, ...]
    cutter: Cutter = field(default_factory=Cutter)
    _clips: dict[int, Clip | None] = field(default_factory=dict, repr=False)
    _copies: dict[tuple[int, Form], Copy | None] = field(default_factory=dict, repr=False)

    @property
    def left_out(self) -> tuple[TrimRange, ...]:
        """Ranges that the budget left out."""
        return tuple(
            one for number, one in enumerate(self.log.ranges) if number not in set(self.kept)
        )

    def cut(self, number: int) -> Cut:
        """Range ``number`` of the log, as something to be cut."""
        kept = self.log.ranges[number]
        return cut_of(
            self.log,
            kept,
            number,
            self.take,
            self.raw,
            self.log_path.parent / self.stem,
            self.wanted,
        )

    def clip_there(self, number: int) -> Clip | None:
        """The clip of an earlier run that need not be cut again; looked at once."""
        if number not in self._clips:
            self._clips[number] = None if self.wanted.overwrite else clip_there(self.cut(number))
        return self._clips[number]

    def copy_there(self, number: int, form: Form) -> Copy | None:
        """The same of a copy beside the clip."""
        if (number, form) not in self._copies:
            found = copy_there(form, self.cut(number), self.wanted.look)
            self._copies[number, form] = None if self.wanted.overwrite else found
        return self._copies[number, form]

    def needs(self) -> Iterator[Need]:
        """What is still to be written will take on disk."""
        for number in self.kept:
            if self.clip_there(number) is None:
                yield clip_need(self.cut(number), self.cutter)
            for form in self.wanted.also:
                if self.copy_there(number, form) is None:
                    yield self._copy_need(number, form)

    def candidates(self) -> list[Candidate]:
        """All ranges, with what they cost in the unit of the budget."""
        budget = self.wanted.limit
        if budget is None or not budget.in_bytes:
            return candidates_of(self.log)
        return candidates_of(self.log, map(self._cost_bytes, range(len(self.log.ranges))))

    def _cost_bytes(self, number: int) -> int:
        needs = [self._copy_need(number, form) for form in self.wanted.also]
        needs.append(clip_need(self.cut(number), self.cutter))
        return sum(need.n_bytes for need in needs)

    def _copy_need(self, number: int, form: Form) -> Need:
        return copy_need(form, self.take, self.log.ranges[number].n_frames, self.wanted.look)


def cut_of(
    log: EventLog,
    kept: TrimRange,
    number: int,
    take: TakeInfo,
    raw: str | None,
    base: Path,
    wanted: TrimSettings,
) -> Cut:
    """A range of a log as something to be cut, under its name in the destination.

    Parameters
    ----------
    log : EventLog
        For the onsets.
    kept : TrimRange
        The range; its events are numbers in the log.
    number : int
        The range's number, for its name.
    take, raw : TakeInfo, str or None
        The source.
    base : Path
        Destination and stem.
    wanted : TrimSettings
    """
    name = clip_name(base.name, number, kept.first, kept.last, n_frames=take.n_frames)
    return Cut(
        take=take,
        span=Span(kept.first, kept.last + 1),
        target=inside(base.parent, name),
        raw=raw,
        onsets=tuple(sorted(log.events[event].onset for event in kept.events)),
        **{one.name: getattr(wanted, one.name) for one in fields(CutSettings)},
    )
