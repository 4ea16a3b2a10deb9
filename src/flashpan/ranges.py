"""Half-open intervals of frames: pad, then merge, then clip.

The order matters.  Clipping first would move the edge that the rolls start from; merging
first would leave padded intervals that overlap.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from typing import NamedTuple

from flashpan.model import TrimRange


class Span(NamedTuple):
    """Frames ``start`` to ``stop - 1``."""

    start: int
    stop: int


def inclusive(span: Span) -> tuple[int, int]:
    """First and last frame of a span: the one place where half-open becomes inclusive.

    Raises
    ------
    ValueError
        The span holds no frame, so that it has neither.
    """
    if span.stop <= span.start:
        raise ValueError(f"{span} holds no frame")
    return span.start, span.stop - 1


def pad(spans: Iterable[Span], before: int, after: int) -> list[Span]:
    """Grow every span by ``before`` frames ahead and ``after`` behind; may pass frame 0."""
    return [Span(span.start - before, span.stop + after) for span in spans]


def merge(spans: Iterable[Span], gap: int = 0) -> list[Span]:
    """Join spans, in any order, that have at most ``gap`` frames between them."""
    merged: list[Span] = []
    for span in sorted(spans):
        if merged and span.start - merged[-1].stop <= gap:
            merged[-1] = Span(merged[-1].start, max(merged[-1].stop, span.stop))
        else:
            merged.append(span)
    return merged


def clip(spans: Iterable[Span], start: int, stop: int) -> list[Span]:
    """Cut spans to ``start`` … ``stop - 1``; what lies outside is dropped."""
    cut = (Span(max(span.start, start), min(span.stop, stop)) for span in spans)
    return [span for span in cut if span.start < span.stop]


def trim_ranges(
    events: Iterable[Span],
    *,
    pre_roll_frames: int,
    post_roll_frames: int,
    merge_gap_frames: int,
    start: int,
    stop: int,
) -> tuple[TrimRange, ...]:
    """What to keep of a take: the events with their rolls, merged and clipped.

    Parameters
    ----------
    events : iterable of Span
        Onset to end (half-open) of each event, in the order of their numbers.
    pre_roll_frames, post_roll_frames : int
        Frames kept before each onset and after each end.
    merge_gap_frames : int
        Ranges with at most this many frames between them, rolls included, become one.
    start, stop : int
        Part of the take that may be kept, half-open.

    Returns
    -------
    tuple of TrimRange
        Inclusive, ascending and apart; each names the events it keeps.
    """
    numbered = list(events)
    joined = merge(pad(numbered, pre_roll_frames, post_roll_frames), merge_gap_frames)
    owned = _numbers_by_span(numbered, joined)
    return tuple(
        TrimRange(*inclusive(kept), tuple(numbers))
        for span, numbers in zip(joined, owned, strict=True)
        for kept in clip([span], start, stop)
    )


def _numbers_by_span(events: list[Span], spans: list[Span]) -> list[list[int]]:
    """Event numbers that each of the spans, ascending and apart, holds."""
    starts = [span.start for span in spans]
    owned: list[list[int]] = [[] for _ in spans]
    for number, event in enumerate(events):
        owned[bisect_right(starts, event.start) - 1].append(number)
    return owned
