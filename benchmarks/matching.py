"""Found events against true ones.

*True events.*  What happens within the merge gap of the search is one event: true events
are merged with the same gap, and one whose parts (the strokes of a flash) lie further
apart than that is several.  An event that is nowhere more than 3 times the noise of its
best tile cannot be asked for: it counts neither as missed nor, if found, as false.

*The band.*  An event's first trace may be far below the noise, so its onset is known only
to lie between ``onset`` (the noiseless picture differs) and ``visible_from`` (it exceeds 3
times the noise of its best tile).  An onset found in that band is exact; outside, its
error is the distance to the band.

*Matching.*  A found and a true event may be a pair if they share a frame, give or take
`TOLERANCE_FRAMES`, and the found one does not start more than `EARLY_FRAMES` too early:
what opened long before is about something else.  Pairs are one to one: as many as
possible, and among those the ones whose onsets are nearest.  A true event without a
partner is missed; it is *swallowed* if a found event holds frames of it: kept, but
not told apart.  A found event without one is *extra* if it could have been one (a piece of
the true event) and *false* if not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from flashpan.ranges import Span, merge
from sample_generators import Take, TrueEvent
from sample_generators.truth import VISIBLE, tile_visibility

TOLERANCE_FRAMES = 2
EARLY_FRAMES = 25
"""The shortest default pre-roll."""
_NEVER = 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A true event as a search with a merge gap should see it; frames inclusive."""

    onset: int
    visible_from: int | None
    end: int
    visibility: float

    def off_band(self, onset: int) -> int:
        """Signed distance of a found onset to the band; negative is early, 0 inside."""
        seen = self.onset if self.visible_from is None else self.visible_from
        return min(0, onset - self.onset) + max(0, onset - seen)

    def shares(self, first: int, last: int) -> bool:
        """Whether it shares a frame with these, within the tolerance."""
        return first <= self.end + TOLERANCE_FRAMES and last >= self.onset - TOLERANCE_FRAMES

    def may_be(self, first: int, last: int) -> bool:
        """Whether a found event may be this one."""
        return self.shares(first, last) and first >= self.onset - EARLY_FRAMES


@dataclass(frozen=True, slots=True)
class Matched:
    """Numbers of paired, missed, extra and false events; the swallowed are among the missed."""

    pairs: tuple[tuple[int, int], ...]
    missed: tuple[int, ...]
    swallowed: tuple[int, ...]
    extra: tuple[int, ...]
    false: tuple[int, ...]


def wanted_events(take: Take, gap_frames: int) -> list[Wanted]:
    """Return a take's true events as a search with this merge gap should see them."""
    pieces = [piece for event in take.truth.events for piece in _pieces(take, event, gap_frames)]
    joined = merge([Span(piece.onset, piece.end + 1) for piece in pieces], gap_frames)
    return [_joined([p for p in pieces if span.start <= p.onset < span.stop]) for span in joined]


def match_events(wanted: Sequence[Wanted], found: Sequence[tuple[int, int]]) -> Matched:
    """Pair true events with found ones (first and last frame each)."""
    cost = np.full((len(wanted), len(found)), _NEVER)
    for i, event in enumerate(wanted):
        for j, (first, last) in enumerate(found):
            if event.may_be(first, last):
                cost[i, j] = abs(event.off_band(first))
    rows, cols = linear_sum_assignment(cost)
    pairs = tuple((int(i), int(j)) for i, j in zip(rows, cols, strict=True) if cost[i, j] < _NEVER)
    true_taken, found_taken = {i for i, _ in pairs}, {j for _, j in pairs}
    left = [j for j in range(len(found)) if j not in found_taken]
    extra = tuple(j for j in left if any(event.may_be(*found[j]) for event in wanted))
    missed = tuple(
        i for i, w in enumerate(wanted) if i not in true_taken and w.visible_from is not None
    )
    return Matched(
        pairs=pairs,
        missed=missed,
        swallowed=tuple(i for i in missed if any(wanted[i].shares(*span) for span in found)),
        extra=extra,
        false=tuple(j for j in left if j not in extra),
    )


def _joined(pieces: list[Wanted]) -> Wanted:
    seen = [piece.visible_from for piece in pieces if piece.visible_from is not None]
    return Wanted(
        onset=min(piece.onset for piece in pieces),
        visible_from=min(seen, default=None),
        end=max(piece.end for piece in pieces),
        visibility=max(piece.visibility for piece in pieces),
    )


def _pieces(take: Take, event: TrueEvent, gap_frames: int) -> list[Wanted]:
    """Split an event where its parts lie further apart than the merge gap."""
    spans = merge([Span(part.first, part.last + 1) for part in event.parts], gap_frames)
    if len(spans) < 2:
        return [
            Wanted(
                onset=event.onset,
                visible_from=event.visible_from,
                end=event.end,
                visibility=event.visibility,
            )
        ]
    return [_piece(take, event, span) for span in spans]


def _piece(take: Take, event: TrueEvent, span: Span) -> Wanted:
    happenings = take.scenario.happenings
    number = min(range(len(happenings)), key=lambda n: abs(happenings[n].start - event.onset))
    visibility = [_visibility(take, t, number) for t in range(*span)]
    seen = [span.start + i for i, value in enumerate(visibility) if value > VISIBLE]
    return Wanted(
        onset=span.start,
        visible_from=min(seen, default=None),
        end=span.stop - 1,
        visibility=max(visibility),
    )


def _visibility(take: Take, t: int, number: int) -> float:
    scale_dn = np.float32(take.sensor.gain * take.sensor.full_well_e)
    without = np.clip(take.picture(t, number), 0, 1)
    change = scale_dn * (np.clip(take.picture(t), 0, 1) - without)
    return tile_visibility(change, take.variance_dn2(without))
