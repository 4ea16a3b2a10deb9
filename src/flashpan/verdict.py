"""Why a frame is or is not part of an event, in plain words.

Nothing is decided here.  The picker's ruling on the frame, the score that opened each event,
the events and the trim ranges are given; this tells which of them answers the question.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from flashpan.model import Event, TrimRange
from flashpan.picker import CLOSE_WITHIN
from flashpan.ruling import Opening, Ruling, Standing

# Chances per frame from which they are told in tenths, and as nearly certain.
_OFTEN, _NEARLY_ALWAYS = 0.1, 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """All that a verdict is taken from.

    Attributes
    ----------
    frame : int
        The frame asked about.
    start, stop : int
        The part of the take that was looked at, half-open.
    ruling : Ruling or None
        What the picker made of the frame; None outside that part.
    departs_next : int or None
        First later frame at which a departure counted.
    events, openings, ranges
        Of the whole search; one opening per event.
    pre_roll_frames, post_roll_frames, merge_gap_frames : int
        As they were in force.
    """

    frame: int
    start: int
    stop: int
    ruling: Ruling | None
    departs_next: int | None
    events: Sequence[Event]
    openings: Sequence[Opening | None]
    ranges: Sequence[TrimRange]
    pre_roll_frames: int
    post_roll_frames: int
    merge_gap_frames: int

    @property
    def event(self) -> int | None:
        """Number of the event that the frame lies in."""
        within = (n for n, e in enumerate(self.events) if e.onset <= self.frame <= e.end)
        return next(within, None)

    @property
    def kept(self) -> TrimRange | None:
        """The trim range that keeps the frame."""
        return next((r for r in self.ranges if r.first <= self.frame <= r.last), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The answer.

    Attributes
    ----------
    reason : str
        One of `REASONS`.
    event : int or None
        Number of the event that the frame lies in, from 0.
    kept_as : tuple of str
        ``"event"``, or ``"post-roll"``, ``"pre-roll"`` or both; empty where it is not kept.
    kept : TrimRange or None
        The trim range that keeps it.
    text : str
        The answer in words; several sentences.
    """

    reason: str
    event: int | None
    kept_as: tuple[str, ...]
    kept: TrimRange | None
    text: str


REASONS = {
    "opened here": "the score of this frame opened the event",
    "found looking back": "the event opened at a later frame, and began before that",
    "stands still": "the picture is that of the frame before, bit for bit: a gap",
    "departed": "the event was open, and a score kept it open",
    "between departures": "quiet by itself, within the merge gap of an open event",
    "after the end": "an event was still open, but has its end before this frame",
    "told already": "above a threshold, by what belongs to an event that had ended",
    "not enough to open": "above a closing threshold only, and no event was open",
    "quiet": "no score above any threshold",
    "nothing to compare": "no detector could say anything",
    "not looked at": "outside the part of the take that was asked for",
}
"""Every reason of a verdict, and what it means."""


def verdict_on(case: Case) -> Verdict:
    """Take the verdict on one frame."""
    reason = _reason(case)
    kept_as, kept_text = _kept(case)
    sentences = [*_SENTENCES[reason](case), *_circumstances(case), kept_text]
    return Verdict(
        reason=reason,
        event=case.event,
        kept_as=kept_as,
        kept=case.kept,
        text=" ".join(text for text in sentences if text),
    )


def _reason(case: Case) -> str:
    if case.ruling is None:
        return "not looked at"
    if case.event is not None:
        return _reason_inside(case, case.ruling)
    if case.ruling.opening is not None:
        return "after the end"
    return _reason_of_quiet(case, case.ruling)


def _reason_inside(case: Case, ruling: Ruling) -> str:
    opening = ruling.opening
    if _opening_of(case) is None:
        return "stands still"
    if opening is None or opening != _opening_of(case):
        return "found looking back"
    if opening.frame == case.frame:
        return "opened here"
    departs = any(standing.keeps_open for standing in ruling.standings.values())
    return "departed" if departs else "between departures"


def _reason_of_quiet(case: Case, ruling: Ruling) -> str:
    standings = list(ruling.standings.values())
    if any(s.is_told and s.score.value > s.closing for s in standings):
        return "told already"
    if any(s.score.value > s.closing for s in standings):
        return "not enough to open"
    has_said = any(s.score.value > 0 or s.score.reading for s in standings)
    return "quiet" if has_said or case.frame > case.start else "nothing to compare"


def _opening_of(case: Case) -> Opening | None:
    return None if case.event is None else case.openings[case.event]


def _say_opened(case: Case) -> Iterator[str]:
    yield _lies_in(case)
    opening = _opening_of(case)
    assert opening is not None
    yield f"It opened at this very frame, by {_over(opening)}."
    yield from _onset_before(case)


def _say_looking_back(case: Case) -> Iterator[str]:
    yield _lies_in(case)
    opening = _opening_of(case)
    if opening is not None:
        yield (
            f"It opened later, at frame {opening.frame}, by {_over(opening)}; looking back from"
            f" there, the departed places had left their noise at frame {_event(case).onset}."
        )


def _say_still(case: Case) -> Iterator[str]:
    yield _lies_in(case)
    yield (
        "Every pixel is as in the frame before, which sensor noise never gives: the take holds"
        " no new picture here."
    )


def _say_departed(case: Case) -> Iterator[str]:
    assert case.ruling is not None
    yield _lies_in(case)
    yield _how_it_opened(case)
    keeping = [name for name, s in case.ruling.standings.items() if s.keeps_open]
    yield f"At this frame {_listed(keeping)} kept it open."


def _say_between(case: Case) -> Iterator[str]:
    assert case.ruling is not None
    yield _lies_in(case)
    yield _how_it_opened(case)
    before, after = case.ruling.departed_last, case.departs_next
    until = f"frame {case.frame}" if before is None else f"frame {before}"
    between = f" between the departures of {until} and of frame {after}" if after else ""
    yield (
        f"By itself this frame is quiet: it lies{between} within the merge gap of"
        f" {_frames(case.merge_gap_frames)}, so that they are one event."
    )
    yield from _too_late(case.ruling)


def _say_after_end(case: Case) -> Iterator[str]:
    ruling = case.ruling
    assert ruling is not None
    assert ruling.opening is not None
    yield "No event at this frame."
    ended = _ended_before(case, ruling.opening)
    if ended is None:
        yield f"What opened at frame {ruling.opening.frame} was made no event of."
        return
    yield f"{_named(case, ended)} had ended at frame {case.events[ended].end}."
    still = {name: s for name, s in ruling.standings.items() if s.keeps_open}
    for name, standing in still.items():
        yield _no_more_of_it(name, standing, case.events[ended].end)
    if not still:
        yield (
            f"It was still open for a departure within the merge gap of"
            f" {_frames(case.merge_gap_frames)}; this frame shows none."
        )
        yield from _too_late(ruling)


def _no_more_of_it(name: str, standing: Standing, end: int) -> str:
    """Why a score that kept the event open does not make it any longer."""
    score = standing.score
    if score.until <= end:
        return f"What {name} measures here ended by frame {score.until}."
    if score.moving > standing.closing:
        return f"{_capital(name)} saw the scene move again, but by too little for an event."
    return (
        f"{_capital(name)} still sees the places departed, since frame {score.since}, but at rest"
        " in their new state: an event ends when it stops moving."
    )


def _too_late(ruling: Ruling) -> Iterator[str]:
    """Scores above the closing threshold that no longer counted."""
    for name, s in ruling.standings.items():
        if s.closing < s.score.value <= s.opening and not s.is_told:
            yield (
                f"{_capital(name)} is above the {score_text(s.closing)} that keep an event open,"
                f" but that counts only within {CLOSE_WITHIN} frames of a departure."
            )


def _say_told(case: Case) -> Iterator[str]:
    assert case.ruling is not None
    standings = case.ruling.standings
    told = {n: s for n, s in standings.items() if s.is_told and s.score.value > s.closing}
    name, standing = _highest(told)
    yield (
        f"No event: {name} is at {score_text(standing.score.value)} of the"
        f" {score_text(standing.opening)} that open one, but what it measures there ended by frame"
        f" {standing.score.until} and belongs to an event that has been told."
    )


def _say_not_enough(case: Case) -> Iterator[str]:
    assert case.ruling is not None
    name, s = _highest(case.ruling.standings)
    yield (
        f"No event: the highest, {name}, reached {score_text(s.score.value)} of the"
        f" {score_text(s.opening)} that open one ({_share(s)})."
    )
    above = {n: s for n, s in case.ruling.standings.items() if s.score.value > s.closing}
    name, s = _highest(above)
    yield (
        f"{_capital(name)} is above the {score_text(s.closing)} that keep an event open, but none"
        f" was open. Noise alone gives that or more {by_noise(s, case.ruling)}."
    )


def _say_quiet(case: Case) -> Iterator[str]:
    assert case.ruling is not None
    name, s = _highest(case.ruling.standings)
    yield (
        f"No event: the highest, {name}, reached {score_text(s.score.value)} of the"
        f" {score_text(s.opening)} that open one ({_share(s)}). Noise alone gives that"
        f" or more {by_noise(s, case.ruling)}."
    )


def _say_nothing(case: Case) -> Iterator[str]:
    yield "No event: nothing can be said of this frame, which has no other to be compared with."


def _say_not_looked_at(case: Case) -> Iterator[str]:
    where = "before" if case.frame < case.start else "after"
    yield (
        f"Not looked at: the frame lies {where} the part asked for, frames"
        f" {case.start}-{case.stop - 1}."
    )


_SENTENCES = {
    "opened here": _say_opened,
    "found looking back": _say_looking_back,
    "stands still": _say_still,
    "departed": _say_departed,
    "between departures": _say_between,
    "after the end": _say_after_end,
    "told already": _say_told,
    "not enough to open": _say_not_enough,
    "quiet": _say_quiet,
    "nothing to compare": _say_nothing,
    "not looked at": _say_not_looked_at,
}


def _circumstances(case: Case) -> Iterator[str]:
    if case.ruling is None:
        return
    standings = case.ruling.standings
    late = [name for name, s in standings.items() if s.score.in_retrospect]
    if late:
        who = "" if len(late) == len(standings) else f" by {_listed(late)}"
        yield (
            f"Scored in retrospect{who}: the frame lies in the warm-up, which is judged once it"
            " has shown what is normal."
        )
    if case.ruling.refreshed:
        yield "The stream codes this frame afresh; such frames have thresholds of their own."


def _kept(case: Case) -> tuple[tuple[str, ...], str]:
    """As what the frame is kept, and in words."""
    kept = case.kept
    if kept is None:
        return (), "" if case.ruling is None else "It is in no trim range."
    where = f"in trim range {kept.first}-{kept.last}"
    if case.event is not None:
        return ("event",), f"Kept {where}."
    roles = dict(_rolls(case, kept))
    of_events = (f"{role} of event {number}" for role, number in roles.items())
    return tuple(roles), f"Kept as {_listed(of_events)}, {where}."


def _rolls(case: Case, kept: TrimRange) -> Iterator[tuple[str, int]]:
    """Rolls that the frame lies in, each with the number of the nearest event."""
    for number in kept.events:
        if 0 < case.frame - case.events[number].end <= case.post_roll_frames:
            yield "post-roll", number
    for number in reversed(kept.events):
        if 0 < case.events[number].onset - case.frame <= case.pre_roll_frames:
            yield "pre-roll", number


def _event(case: Case) -> Event:
    assert case.event is not None
    return case.events[case.event]


def _named(case: Case, number: int) -> str:
    event = case.events[number]
    return f"Event {number} ({_span(event)}, {event.kind})"


def _span(event: Event) -> str:
    return f"{event.onset}" if event.onset == event.end else f"{event.onset}-{event.end}"


def _lies_in(case: Case) -> str:
    event = _event(case)
    is_peak = " and is its peak" if case.frame == event.peak else ""
    return f"Frame {case.frame} lies in event {case.event} ({_span(event)}, {event.kind}){is_peak}."


def _how_it_opened(case: Case) -> str:
    opening = _opening_of(case)
    assert opening is not None
    return f"It opened at frame {opening.frame}, by {_over(opening)}."


def _onset_before(case: Case) -> Iterator[str]:
    onset = _event(case).onset
    if onset < case.frame:
        yield f"Looking back from here, the departed places had left their noise at frame {onset}."


def _ended_before(case: Case, opening: Opening) -> int | None:
    """The last event of this opening that had its end before the frame."""
    numbered = zip(range(len(case.events)), case.events, case.openings, strict=True)
    ended = [n for n, e, by in numbered if by == opening and e.end < case.frame]
    return ended[-1] if ended else None


def _over(opening: Opening) -> str:
    value, threshold = score_text(opening.value), score_text(opening.threshold)
    return f"{opening.detector}: {value}, over a threshold of {threshold}"


def _highest(standings: Mapping[str, Standing]) -> tuple[str, Standing]:
    """The detector nearest to its opening threshold, or furthest above it."""
    return max(standings.items(), key=lambda item: item[1].score.value / item[1].opening)


def _share(standing: Standing) -> str:
    """Percent of the opening threshold; below it is never shown as all of it."""
    return f"{min(99, round(100 * standing.score.value / standing.opening))} %"


def how_often(chance: float) -> str:
    """A probability per frame in words that follow "noise alone gives that or more"."""
    if chance >= _NEARLY_ALWAYS:
        return "in nearly every frame"
    if chance >= _OFTEN:
        return f"in {10 * chance:.0f} of 10 frames"
    for n_frames in (1_000, 1_000_000):
        if chance * n_frames >= 1:
            return f"{_times(chance * n_frames)} in {n_frames:,} frames"
    return "less than once in 1,000,000 frames"


def by_noise(standing: Standing, ruling: Ruling) -> str:
    """How often noise gives such a score; what kind of frames that is known of."""
    is_stand_in = ruling.refreshed and not standing.learned_from
    of_kind = " that are not coded afresh" if is_stand_in else ""
    return f"{how_often(standing.chance)}{of_kind}"


def _times(number: float) -> str:
    return "once" if round(number) == 1 else f"{number:.0f} times"


def score_text(value: float) -> str:
    """A score or a threshold in words: three digits or so."""
    return f"{value:.{2 if value < 10 else 1 if value < 1000 else 0}f}"


def _frames(number: int) -> str:
    return f"{number:,} frame{'' if number == 1 else 's'}"


def _listed(names: Iterable[str]) -> str:
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
