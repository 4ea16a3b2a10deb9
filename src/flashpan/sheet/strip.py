"""Which frames of an event are shown, so that the action is seen."""

from __future__ import annotations

from bisect import insort
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from flashpan.model import Event, ScoreTrace

BEFORE, ONSET, THROUGH, PEAK, END, AFTER = "before", "onset", "through", "peak", "end", "after"
STRIP_FRAMES = 8
"""Enough to see a flash come and go, few enough for one line of a page."""


@dataclass(frozen=True, slots=True)
class Shown:
    """One frame of a strip.

    Attributes
    ----------
    frame : int
        Its number in the take.
    role : str
        ``before``, ``onset``, ``through``, ``peak``, ``end`` or ``after``.
    """

    frame: int
    role: str


def strip_of(
    event: Event,
    start: int,
    stop: int,
    n_frames: int = STRIP_FRAMES,
    *,
    trace: ScoreTrace | None = None,
) -> tuple[Shown, ...]:
    """Choose the frames of an event that a strip shows, ascending.

    The last frame before the event, its onset, peak and end and the first frame after it come
    first.  What room is left goes to frames spread evenly from onset to peak and from peak to
    end, each time where the widest gap is; a short event leaves room for more before and after,
    ever farther from it.

    Parameters
    ----------
    event : Event
    start, stop : int
        Frames that there are, half-open; none outside is chosen.
    n_frames : int
        At most so many; 5 at least, so that onset, peak, end and both sides are seen.
    trace : ScoreTrace, optional
        Where it is known, each frame between onset, peak and end gives way to the one with the
        highest score in the stretch that it stands for: the strokes of a flash, and not the
        dark between them.
    """
    chosen = sorted(
        {
            frame
            for frame in (event.onset - 1, event.onset, event.peak, event.end, event.end + 1)
            if start <= frame < stop
        }
    )
    inside = [frame for frame in chosen if event.onset <= frame <= event.end]
    spread = _spread(inside, n_frames - (len(chosen) - len(inside)))
    if trace is not None:
        spread = _liveliest(spread, set(inside), trace)
    chosen = sorted({*chosen, *spread})
    for frame in _around(event, start, stop):
        if len(chosen) >= n_frames:
            break
        if frame not in chosen:
            insort(chosen, frame)
    return tuple(Shown(frame, _role(frame, event)) for frame in chosen)


def _spread(marks: list[int], n_frames: int) -> list[int]:
    """The marks, and frames evenly between them, so that the widest step is as small as can be."""
    gaps = [right - left for left, right in pairwise(marks)]
    parts = [1] * len(gaps)
    for _ in range(n_frames - len(marks)):
        widest = max(range(len(gaps)), key=lambda k: gaps[k] / parts[k], default=None)
        if widest is None or gaps[widest] <= parts[widest]:
            break
        parts[widest] += 1
    return sorted(
        marks
        + [
            left + round(gap * step / n_parts)
            for left, gap, n_parts in zip(marks, gaps, parts, strict=False)
            for step in range(1, n_parts)
        ]
    )


def _liveliest(frames: list[int], fixed: set[int], trace: ScoreTrace) -> list[int]:
    """The frames, those that are not fixed moved to the highest score nearest to them."""
    heights = np.nan_to_num(trace.scores / np.maximum(trace.thresholds, 1e-6)).max(axis=0)
    chosen = [frames[0]] if frames else []
    for before, frame, after in zip(frames, frames[1:], frames[2:], strict=False):
        if frame not in fixed:
            # half way to each neighbour, or all the way where that stays as it is
            first = before if before in fixed else (before + frame) // 2
            last = after - 1 if after in fixed else (frame + after) // 2
            first = max(first, chosen[-1]) + 1
            around = np.searchsorted(trace.frames, (first, max(last, first) + 1))
            there = slice(*around)
            if heights[there].size:
                frame = int(trace.frames[there][np.argmax(heights[there])])
        chosen.append(frame)
    return chosen + frames[1:][-1:]


def _around(event: Event, start: int, stop: int) -> list[int]:
    """Frames outside an event, by turns after and before it, each twice as far as the last."""
    frames = []
    step = 2
    while step <= stop - start:
        frames += [event.end + step, event.onset - step]
        step *= 2
    return [frame for frame in frames if start <= frame < stop]


def _role(frame: int, event: Event) -> str:
    if frame < event.onset:
        return BEFORE
    if frame > event.end:
        return AFTER
    # a flash of one frame is all three at once; what it is most is its peak
    names = {event.end: END, event.onset: ONSET, event.peak: PEAK}
    return names.get(frame, THROUGH)
