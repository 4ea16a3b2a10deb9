"""Less than every frame: a take is sampled, and read frame by frame only where something is.

The user says how long the shortest event is that must not be missed.  One frame in every half of
that is read, so that no such event can lie between them.  The samples are a take of their own to
the detectors, with all they know of noise, drift and habits: each is judged by the baseline of
those before it.  More false alarms are accepted of them than of a take, since a false hit costs no
more than a look.

Around every hit, and around the few samples that stand out most besides, a short stretch is
searched frame by frame, with more false alarms accepted.  A sample that stands out by itself is
glanced at first: where the frames around it are no more than white noise, nothing is searched
(`flashpan.glance`).  Where a search finds something, and in the
first few frames, each frame is searched as in a full scan, and until the picture has been quiet for
long enough that nothing can join the event.  Such a search begins so far before that all it
remembers of its past is what a full scan remembers at that frame, and at a frame where a full
scan's sparse statistics begin anew: its scores are then those of the full scan but for rounding,
save where something is followed by steps of its own size, or held against a search's first frames.

Whatever does not fit (a source that cannot be read in part, lamps that flicker, a take in which
something happens nearly everywhere) is answered with the reason, and the take is then searched
whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Protocol

import numpy as np
import numpy.typing as npt

from flashpan.ahead import ahead, reading_ahead_pays
from flashpan.glance import Glance, bursts_around
from flashpan.grid import Grid, lay_grid
from flashpan.measure import Measurer
from flashpan.model import Event, EventLog, Frame, ScoreTrace, TakeInfo, Tiles
from flashpan.parts import NotInParts, Parts, parts_of
from flashpan.picker import REST_FRAMES
from flashpan.ranges import Span
from flashpan.readers.base import Reader, Source
from flashpan.settings import ResolvedSettings, Settings
from flashpan.units import Duration

SAMPLES_PER_EVENT = 2
"""Samples that lie in an event of the shortest length, at least."""
WARM_FRAMES = 2688
"""Quiet frames searched before an event: thresholds are of the last 2,048 (`flashpan.picker`), and
some hundred must pass before a detector's first frames are forgotten."""
BEAT_FRAMES = 64
"""What is made up only now and then (noise of the pixels every 8 frames, means of 4 frames, fits
of 16 and 32 of them) is in step again after so many frames of a search."""
CHECK_FRAMES = 512
"""Quiet frames searched before a hit to see whether there is anything.  After 256, what a lossy
codec does now and then is not known yet, and was taken for events."""
FIRST_FRAMES = 64
"""Frames searched at the take's beginning: enough to see lamps that flicker."""
_LEAST_STRIDE = 4
# Frames by which a full search may move an end of what a look found.
_LEEWAY = 64
# Samples that there are at least, however long the shortest event: they show what is normal.
_LEAST_SAMPLES = 64
# Shortest take that sampling pays for; and the share of its frames that may be searched one by one.
_LEAST_FRAMES = 4096
_MOST_SHARE = 0.75
# Share of the frames that are looked at where samples stand out, though not enough to be hits;
# from which part of what a hit is they do; and how many samples apart.
_LOOK_SHARE = 0.01
_STANDS_OUT = 0.6
_APART = 4
# A hit of one sample that is no farther above its threshold than this may be noise.
_PLAIN = 1.5
# Glances, per look.
_GLANCES = 8
# False hits per million samples, and false events per million frames where one is looked at.
_FALSE_HITS = 200.0
_FALSE_LOOKS = 100.0
# Samples after which a new state is the new normal, at least.
_LEAST_SETTLE = 16
_AHEAD = 8
# Share of the samples that may be copies of the one before, or damaged.
_FEW_COPIES = 0.1

Measured = Callable[[Reader, Grid], Iterator[tuple[Tiles, str]]]


class Searching(Protocol):
    """A search as `flashpan.find.Search` is one."""

    @property
    def flickers(self) -> bool:
        """Whether lamps were found whose ripple is taken out."""

    def events(self, on_frame: Callable[[int], None] | None = None) -> Iterator[Event]:
        """Yield each event as soon as it closes."""

    def log(self) -> EventLog:
        """The record of what has been searched so far."""


Search = Callable[[Reader, Settings, Measured, int, bool], Searching]
"""Makes a search; the number is of the frames after which a new state is the new normal, and the
flag says whether its log has a trace."""


@dataclass(frozen=True, slots=True)
class Surveyed:
    """What a survey found: events in order, and the log of the search of the first frames."""

    events: tuple[Event, ...]
    first: EventLog


def survey(
    reader: Reader,
    settings: Settings,
    search: Search,
    settle_frames: int,
    on_frame: Callable[[int], None] | None = None,
) -> Surveyed:
    """Find the events of a take that last for the shortest event's length or longer.

    Parameters
    ----------
    reader : Reader
        The open take.
    settings : Settings
        What was asked for.
    search : callable
        Makes a search of what was measured.
    settle_frames : int
        Frames after which a new state is the new normal.
    on_frame : callable, optional
        Called with the number of each frame that is sampled.

    Raises
    ------
    NotInParts
        It must be searched whole.
    """
    stride = stride_of(settings.resolved(reader.info))
    if stride < _LEAST_STRIDE:
        least = _LEAST_STRIDE * SAMPLES_PER_EVENT
        raise NotInParts(f"a shortest event of fewer than {least} frames leaves none to skip")
    with closing(parts_of(reader)) as parts:
        return _Survey(reader, parts, settings, search, settle_frames).done(on_frame)


def stride_of(wanted: ResolvedSettings) -> int:
    """Frames from one sample to the next."""
    return wanted.shortest_event_frames // SAMPLES_PER_EVENT


class _Survey:
    def __init__(
        self,
        reader: Reader,
        parts: Parts,
        settings: Settings,
        search: Search,
        settle_frames: int,
    ) -> None:
        self._reader, self._parts, self._settings = reader, parts, settings
        self._search = search
        self._results: dict[Span, tuple[list[Event], EventLog]] = {}
        self._wanted = settings.resolved(replace(reader.info, n_frames=parts.n_frames))
        assert self._wanted.stop is not None
        self._start, self._stop = self._wanted.start, self._wanted.stop
        most = (self._stop - self._start) // _LEAST_SAMPLES
        self._stride = min(stride_of(self._wanted), most)
        if self._stop - self._start < _LEAST_FRAMES:
            raise NotInParts(f"a take of fewer than {_LEAST_FRAMES} frames")
        self._settle = settle_frames
        grid = lay_grid(reader.info.shape, self._wanted.roi, self._wanted.ignore)
        self._glance = Glance(reader.info, grid)
        # Nothing more can join an event after so many quiet frames, and no new state is doubted.
        self._quiet = settle_frames + self._wanted.merge_gap_frames + 2 * REST_FRAMES

    def done(self, on_frame: Callable[[int], None] | None) -> Surveyed:
        """Search what must be searched."""
        first = Span(self._start, self._start + FIRST_FRAMES)
        self._result(first)  # flicker shows here, before all is sampled
        hits = _joined([self._beside(hit) for hit in self._hits(on_frame)])
        there = [event for hit in hits for event in self._looked_at(hit)]
        windows = _joined([first, *map(self._around, there)])
        while True:
            if sum(span.stop - span.start for span in windows) > _MOST_SHARE * self._n_frames:
                raise NotInParts("something happens in most of its parts")
            longer = [self._longer(span, self._result(span)[0]) for span in windows]
            if longer == windows:
                break
            windows = _joined(longer)
        results = [self._result(span) for span in windows]
        self._parts.finish()
        return Surveyed(tuple(event for found, _ in results for event in found), results[0][1])

    @property
    def _n_frames(self) -> int:
        return self._stop - self._start

    def _hits(self, on_frame: Callable[[int], None] | None) -> list[Span]:
        """Frames between which something is, by the samples."""
        frames = self._parts.samples(self._start, self._stop, self._stride)
        samples = _Samples(frames.frames, on_frame)
        taken = _Sampled(frames.info)
        settle = max(_LEAST_SETTLE, self._settle // self._stride)
        search = self._search(taken, self._sample_settings(), samples.measured, settle, True)
        found = [Span(event.onset, event.end + 1) for event in search.events()]
        excess = _excess(search.log().trace, len(samples.numbers))
        most, copies = _FEW_COPIES * len(samples.numbers), samples.copies
        if len(samples.damaged) > most:
            raise NotInParts("many of its frames cannot be read one by one")
        if len(copies) > most:
            if not frames.info.predicts_with_loss:
                raise NotInParts("its frames often repeat")
            copies = []  # a coded picture stands still until its coder finds it worth renewing
        at = [*samples.numbers, self._stop]
        found = [
            hit for hit in found if not _may_be_noise(hit, excess) or self._shows(hit.start, at)
        ]
        found += [Span(number, number + 1) for number in (*copies, *samples.damaged)]
        hits = [
            Span(at[max(span.start - 1, 0)], at[min(span.stop, len(at) - 1)] + 1) for span in found
        ]
        # What lasts and shows in a sample began since the one before it, or goes on from there.
        before = [at[max(number - 1, 0)] for number in self._looks(excess, at)]
        hits += [Span(frame, frame + 1) for frame in before]
        if len(frames.pointed_to) <= self._most_looks:
            hits += [Span(frame, frame + 1) for frame in frames.pointed_to]
        return hits

    @property
    def _most_looks(self) -> int:
        """Looks at what is no hit."""
        look_frames = CHECK_FRAMES + self._stride + 2 * REST_FRAMES
        return max(1, round(_LOOK_SHARE * self._n_frames / look_frames))

    def _looks(self, excess: npt.NDArray[np.float32], at: Sequence[int]) -> list[int]:
        """Samples to look at though they are no hits, as many as a small share of frames allows.

        Few samples tell little of their noise, so that thresholds are high; the frames between
        them tell a faint event that lasts from a chance.
        """
        chosen: list[int] = []
        for number in _suspects(excess, _GLANCES * self._most_looks):
            if len(chosen) < self._most_looks and self._shows(number, at):
                chosen.append(number)
        return chosen

    def _shows(self, number: int, at: Sequence[int]) -> bool:
        """Whether the frames around a sample, or around the one before, stand out too."""
        before, here = at[max(number - 1, 0)], at[number]
        bursts = bursts_around(before, here, self._stride, Span(self._start, self._stop))
        if bursts is None:
            return True
        return self._glance.shows(self._frames_of(bursts.here), self._frames_of(bursts.there))

    def _frames_of(self, spans: tuple[Span, Span]) -> tuple[Iterator[Frame], Iterator[Frame]]:
        one, other = (self._parts.stretch(span.start, span.stop) for span in spans)
        return one, other

    def _sample_settings(self) -> Settings:
        """The samples as a take of their own, in which a false alarm costs little."""
        rate = self._wanted.capture_rate
        return replace(
            self._settings,
            capture_rate=None if rate is None else rate / self._stride,
            pre_roll=_ONE,
            post_roll=_ONE,
            merge_gap=_ONE,
            shortest_event=_ONE,
            first=None,
            last=None,
            false_alarms=max(_FALSE_HITS, self._wanted.false_alarms),
        )

    def _beside(self, hit: Span) -> Span:
        """What is looked at of a hit: an event may end a little after the last that shows it."""
        stop = hit.stop + self._stride + 2 * REST_FRAMES
        return Span(self._in_step(hit.start - CHECK_FRAMES), min(self._stop, stop))

    def _looked_at(self, part: Span) -> list[Event]:
        """Events near a hit, of which some may be noise."""
        settings = self._part(part)
        alarms = max(_FALSE_LOOKS, self._wanted.false_alarms)
        measured = self._frame_by_frame(part)
        settings = replace(settings, false_alarms=alarms)
        search = self._search(self._reader, settings, measured, self._settle, False)
        return list(search.events())

    def _around(self, event: Event) -> Span:
        """What is searched for an event; a longer look may move both of its ends a little."""
        stop = min(self._stop, event.end + 1 + _LEEWAY + self._quiet)
        return Span(self._in_step(event.onset - _LEEWAY - WARM_FRAMES), stop)

    def _in_step(self, start: int) -> int:
        """The last frame up to one at which a search is in step with a full scan."""
        return self._start + max(0, start - self._start) // BEAT_FRAMES * BEAT_FRAMES

    def _result(self, window: Span) -> tuple[list[Event], EventLog]:
        """Events of a window, each frame of which is searched, and the log."""
        if window not in self._results:
            measured = self._frame_by_frame(window)
            search = self._search(self._reader, self._part(window), measured, self._settle, False)
            events = sorted(search.events(), key=lambda event: event.onset)
            if search.flickers:
                raise NotInParts("its light flickers")
            self._results[window] = events, search.log()
        return self._results[window]

    def _longer(self, window: Span, found: Sequence[Event]) -> Span:
        """The window, or a longer one where an event is too near to its ends."""
        start, stop = window.start, window.stop
        busy = 0
        for event in found:
            missing = WARM_FRAMES - (event.onset - window.start - busy)
            start = min(start, self._in_step(window.start - missing))
            busy += event.end + 1 - event.onset + self._wanted.merge_gap_frames
        if any(event.end >= stop - self._quiet for event in found):
            stop = min(self._stop, stop + max(2 * self._quiet, (stop - start) // 2))
        return Span(start, stop)

    def _part(self, window: Span) -> Settings:
        return replace(
            self._settings, first=window.start, last=window.stop - 1, shortest_event=_ONE
        )

    def _frame_by_frame(self, window: Span) -> Measured:
        def measured(reader: Reader, grid: Grid) -> Iterator[tuple[Tiles, str]]:
            measured = self._measured_here(window, reader, grid)
            return ahead(measured, _AHEAD) if reading_ahead_pays(grid) else measured

        return measured

    def _measured_here(
        self, window: Span, reader: Reader, grid: Grid
    ) -> Iterator[tuple[Tiles, str]]:
        measurer = Measurer(reader.info, grid)  # the first frame has none before it, as a take's
        for frame in self._parts.stretch(window.start, window.stop):
            yield measurer.measure(frame), frame.picture_type


class _Samples:
    """Frames at a stride.

    Attributes
    ----------
    numbers : list of int
        Frame that each sample is.
    copies, damaged : list of int
        Numbers of samples that repeat the one before, and of those that cannot be read.
    """

    def __init__(
        self,
        frames: Iterator[tuple[int, Frame | None]],
        on_frame: Callable[[int], None] | None,
    ) -> None:
        self._frames, self._on_frame = frames, on_frame
        self.numbers: list[int] = []
        self.copies: list[int] = []
        self.damaged: list[int] = []

    def measured(self, reader: Reader, grid: Grid) -> Iterator[tuple[Tiles, str]]:
        """Statistics of every sample, which are numbered from 0."""
        measured = self._measured_here(reader.info, grid)
        return ahead(measured, _AHEAD) if reading_ahead_pays(grid) else measured

    def _measured_here(self, info: TakeInfo, grid: Grid) -> Iterator[tuple[Tiles, str]]:
        measurer = Measurer(info, grid)
        for number, (index, frame) in enumerate(self._frames):
            self.numbers.append(index)
            if frame is None:
                self.damaged.append(number)
                continue
            tiles = measurer.measure(frame)
            if tiles.is_copy:
                self.copies.append(number)
            if self._on_frame is not None:
                self._on_frame(index)
            yield replace(tiles, index=number), ""


class _Sampled(Reader):
    """Samples as a take of their own, which is measured elsewhere."""

    name = "samples"

    def __init__(self, info: TakeInfo) -> None:
        self.info = info

    @classmethod
    def accepts(cls, source: Source) -> bool:
        """Nobody asks for it."""
        return False

    def frames(self) -> Iterator[Frame]:
        """Nobody asks for them."""
        return iter(())

    def close(self) -> None:
        """Nothing is open."""


def _excess(trace: ScoreTrace | None, n_samples: int) -> npt.NDArray[np.float32]:
    """How far the largest score of every sample goes, in parts of its threshold; 0 if damaged."""
    assert trace is not None
    excess = np.zeros(n_samples, np.float32)
    excess[trace.frames] = (trace.scores / np.maximum(trace.thresholds, 1e-6)).max(axis=0)
    return excess


def _may_be_noise(hit: Span, excess: npt.NDArray[np.float32]) -> bool:
    """Whether a hit is a single sample that hardly stands out."""
    return hit.stop - hit.start == 1 and 0.0 < excess[hit.start] <= _PLAIN


def _suspects(excess: npt.NDArray[np.float32], most: int) -> list[int]:
    """Samples that stand out most, though not enough to be hits, and not close together."""
    left, chosen = excess.copy(), list[int]()
    while len(chosen) < most and left.size and left.max() > _STANDS_OUT:
        number = int(left.argmax())
        if excess[number] <= 1.0:  # else it is a hit already
            chosen.append(number)
        left[max(0, number - _APART) : number + _APART + 1] = 0.0
    return chosen


def _joined(windows: Sequence[Span]) -> list[Span]:
    """Windows in order, those that touch made one."""
    joined: list[Span] = []
    for window in sorted(windows, key=lambda span: span.start):
        if joined and window.start <= joined[-1].stop:
            stop = max(joined[-1].stop, window.stop)
            joined[-1] = Span(joined[-1].start, stop)
        else:
            joined.append(window)
    return joined


_ONE = Duration(Fraction(1))
