"""What truly happens in a take, measured on the noiseless pictures with and without it.

When an event begins and ends is measured on the undisturbed scene.  How visible it is depends
on what it is seen through: that is measured on the pictures in their light and weather, where
the lamps of the moment may be dark and a burnt-in bar may hide it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from sample_generators.disturb import Order
from sample_generators.scenarios.base import Happening, Scenario
from sample_generators.sensor import Picture

TILE_PX = 12
VISIBLE = 3.0
DIFFERS = 1e-7
"""Fraction of full scale: about the resolution of the float32 pictures."""
SAMPLES = 16
"""Frames of a long event, evenly spaced, that are tried for its best one."""

Box = tuple[int, int, int, int]
Render = Callable[[int, int | None], Picture]


@dataclass(frozen=True, slots=True, kw_only=True)
class TruePart:
    """A named stretch of an event; inclusive frames."""

    name: str
    first: int
    last: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueEvent:
    """One event; frame numbers from 0, inclusive at both ends.

    Attributes
    ----------
    onset : int
        First frame whose noiseless picture differs from the one without the event.
    visible_from : int or None
        First frame in which the change's root sum of squares over its best tile exceeds
        3 times that tile's temporal noise; ``None`` if none does.
    peak : int
        The best frame: the greatest visibility among those tried.
    end : int
        Last frame that differs from the picture the event leaves behind.
    kind : str
        ``"flash"``, ``"motion"``, ``"lamp"``, ``"dimming"`` or ``"appearance"``.
    box : tuple of int
        ``(x, y, width, height)`` of the pixels that change by more than half their noise.
    visibility : float
        Root sum of squares of the change over its best 12 × 12 tile, at any position, in its
        best frame, divided by the root mean square temporal noise of that tile's pixels.
    parts : tuple of TruePart
        Strokes, fall, crown …
    """

    onset: int
    visible_from: int | None
    peak: int
    end: int
    kind: str
    box: Box
    visibility: float
    parts: tuple[TruePart, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is known of an invented take; ``copies`` are the frames equal to the one before."""

    scenario: str
    seed: int
    n_frames: int
    rows: int
    cols: int
    bit_depth: int
    capture_rate: Fraction
    trigger_frame: int | None
    disturbances: tuple[str, ...]
    events: tuple[TrueEvent, ...]
    copies: tuple[int, ...] = ()
    note: str = "Invented: rendered by a program, shows nothing real."

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data for JSON."""
        return asdict(self) | {"capture_rate": str(self.capture_rate)}

    def write(self, path: Path) -> None:
        """Write it as JSON."""
        path.write_text(json.dumps(self.as_dict(), indent=1) + "\n", encoding="utf-8")


@dataclass(frozen=True, slots=True)
class Tile:
    """The best tile for a change: its top left pixel and how visible the change is there."""

    top: int
    left: int
    visibility: float


def tile_visibility(change: Picture, variance: Picture) -> float:
    """Return a change's visibility (see `TrueEvent`); both in code values, same shape."""
    return best_tile(change, variance).visibility


def best_tile(change: Picture, variance: Picture) -> Tile:
    """Return the tile, at any position, in which a change is most visible."""
    size = (TILE_PX, TILE_PX)
    options: dict[str, Any] = {"normalize": False, "borderType": cv2.BORDER_CONSTANT}
    # Only tiles wholly inside the picture: those whose window is not cut at its border.
    half = TILE_PX // 2
    inside = (slice(half, change.shape[0] - half + 1), slice(half, change.shape[1] - half + 1))
    squares = cv2.boxFilter(np.square(change, dtype=np.float64), -1, size, **options)[inside]
    noise = cv2.boxFilter(variance.astype(np.float64), -1, size, **options)[inside]
    # A running sum leaves rounding dust below zero.
    ratio = np.maximum(squares, 0.0) / (noise / TILE_PX**2)
    top, left = np.unravel_index(int(ratio.argmax()), ratio.shape)
    return Tile(int(top), int(left), float(np.sqrt(ratio[top, left])))


class Measure:
    """One event's pictures with and without it, undisturbed and as they are seen.

    ``variance`` gives the temporal noise (code values squared) of a noiseless picture,
    ``scale_dn`` the code values per fraction of full scale.
    """

    def __init__(
        self,
        render: Render,
        seen: Render,
        number: int,
        variance: Callable[[Picture], Picture],
        scale_dn: float,
    ) -> None:
        self._render = render
        self._seen = seen
        self._number = number
        self._variance = variance
        self._scale_dn = np.float32(scale_dn)
        self.visibility = lru_cache(maxsize=4096)(self._visibility)

    def differs(self, t: int) -> bool:
        """Say whether the event changes frame ``t`` at all."""
        return self._apart(self._render(t, None), self._render(t, self._number))

    def trace(self, t: int) -> Picture:
        """Return what the event does to frame ``t``, unclipped, fraction of full scale."""
        return self._render(t, None) - self._render(t, self._number)

    @staticmethod
    def _apart(one: Picture, other: Picture, least: float = DIFFERS) -> bool:
        return one is not other and float(cv2.norm(one, other, cv2.NORM_INF)) > least

    def still_moves(self, t: int, settled: Picture) -> bool:
        """Say whether the event's trace in frame ``t`` is not yet the one it leaves behind."""
        # Two differences of rounded pictures: a little more than one is apart by chance.
        return self._apart(self.trace(t), settled, 3 * DIFFERS)

    def change(self, t: int) -> tuple[Picture, Picture]:
        """Return what the event changes in frame ``t``, clipped as the sensor would, and the
        variance of the picture without it; code values.
        """
        without = np.clip(self._seen(t, self._number), 0, 1)
        change = np.clip(self._seen(t, None), 0, 1) - without
        return self._scale_dn * change, self._variance(without)

    def _visibility(self, t: int) -> float:
        return tile_visibility(*self.change(t))


def measure_event(
    measure: Measure,
    happening: Happening,
    n_frames: int,
    rate: float,
) -> TrueEvent | None:
    """Return the truth of one happening, ``None`` if no frame of the take shows it."""
    stop = int(np.ceil(happening.start + happening.rest_s * rate)) + 2
    onset = _onset(measure, int(np.floor(happening.start)), min(stop, n_frames))
    if onset is None:
        return None
    end = _end(measure, onset, stop, n_frames)
    tried = _tried(happening, onset, end, rate)
    peak = max(tried, key=measure.visibility)
    seen = (t for t in range(onset, end + 1) if measure.visibility(t) > VISIBLE)
    return TrueEvent(
        onset=onset,
        visible_from=next(seen, None),
        peak=peak,
        end=end,
        kind=happening.kind,
        box=_box(measure, tried, peak),
        visibility=measure.visibility(peak),
        parts=_parts(happening, onset, end, rate),
    )


def _onset(measure: Measure, start: int, stop: int) -> int | None:
    """Find the first frame that differs, near the one that physics gives."""
    t = max(0, start)
    while t < stop and not measure.differs(t):
        t += 1
    # A rolling shutter sees the lower rows early.
    while t > 0 and t <= start and measure.differs(t - 1):
        t -= 1
    return t if t < stop else None


def _end(measure: Measure, onset: int, stop: int, n_frames: int) -> int:
    """Find the last frame before the event's trace rests; scenarios go on after the take."""
    settled = measure.trace(stop)
    t = min(stop, n_frames) - 1
    while t > onset and not measure.still_moves(t, settled):
        t -= 1
    return t


def _tried(happening: Happening, onset: int, end: int, rate: float) -> list[int]:
    """Return frames in which the event may be at its best."""
    salient = [int(np.floor(happening.start + s * rate)) for s in happening.salient_s()]
    near = [t + step for t in salient for step in (0, 1)]
    even = np.linspace(onset, end, SAMPLES).astype(int).tolist()
    return sorted({t for t in near + even if onset <= t <= end})


def _box(measure: Measure, tried: Iterable[int], peak: int) -> Box:
    """Return the bounds of what visibly changes in any frame tried."""
    changed: np.ndarray | None = None
    for t in tried:
        change, variance = measure.change(t)
        over = np.square(change) > 0.25 * variance
        changed = over if changed is None else changed | over
    if changed is None or not changed.any():
        changed = np.abs(measure.change(peak)[0]) > 0
    rows, cols = np.flatnonzero(changed.any(axis=1)), np.flatnonzero(changed.any(axis=0))
    if not rows.size:
        return (0, 0, 0, 0)
    top, left = int(rows[0]), int(cols[0])
    return (left, top, int(cols[-1]) - left + 1, int(rows[-1]) - top + 1)


def _parts(happening: Happening, onset: int, end: int, rate: float) -> tuple[TruePart, ...]:
    found = []
    for part in happening.parts():
        first = int(np.floor(happening.start + part.start_s * rate))
        last = max(first, int(np.ceil(happening.start + part.stop_s * rate)) - 1)
        if first <= end and last >= onset:
            found.append(TruePart(name=part.name, first=max(first, onset), last=min(last, end)))
    return tuple(found)


def measure_events(
    scenario: Scenario,
    render: Render,
    seen: Render,
    n_frames: int,
    rate: float,
    variance: Callable[[Picture], Picture],
    scale_dn: float,
) -> tuple[TrueEvent, ...]:
    """Return the truth of every happening that the take shows, by onset.

    ``render`` gives undisturbed pictures, ``seen`` those in their light and weather; frames
    are the camera's.
    """
    found = []
    for number, happening in enumerate(scenario.happenings):
        measure = Measure(render, seen, number, variance, scale_dn)
        event = measure_event(measure, happening, n_frames, rate)
        if event is not None:
            found.append(event)
    return tuple(sorted(found, key=lambda event: event.onset))


def renumbered(events: Iterable[TrueEvent], order: Order, n_frames: int) -> tuple[TrueEvent, ...]:
    """Return events in the file's frame numbers; those that lost every frame are left out."""
    moved = (_renumbered(event, order, n_frames) for event in events)
    return tuple(event for event in moved if event is not None)


def _renumbered(event: TrueEvent, order: Order, n_frames: int) -> TrueEvent | None:
    def span(first: int, last: int) -> tuple[int, int] | None:
        begin, stop = order.first_at(first, n_frames), order.first_at(last + 1, n_frames)
        return (begin, stop - 1) if begin < stop else None

    whole = span(event.onset, event.end)
    if whole is None:
        return None
    onset, end = whole
    seen = event.visible_from
    if seen is not None:
        first_seen = order.first_at(seen, n_frames)
        seen = first_seen if first_seen <= end else None
    parts = [(part, span(part.first, part.last)) for part in event.parts]
    return replace(
        event,
        onset=onset,
        visible_from=seen,
        peak=min(order.first_at(event.peak, n_frames), end),
        end=end,
        parts=tuple(replace(p, first=s[0], last=s[1]) for p, s in parts if s is not None),
    )
