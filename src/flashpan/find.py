"""One take end to end: read → measure → score → pick → log."""

from __future__ import annotations

import math
import os
import time
from array import array
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import nullcontext
from dataclasses import dataclass, replace

import numpy as np

from flashpan import registry
from flashpan.ahead import ahead, reading_ahead_pays
from flashpan.chance import MaxLaw
from flashpan.detectors.base import Detector, Run, Scene
from flashpan.detectors.flicker import Deflicker
from flashpan.detectors.sway import Stand
from flashpan.errors import FlashpanError, SettingsError, UnreadableTake
from flashpan.fingerprint import fingerprint_of
from flashpan.gaps import PictureGaps
from flashpan.grid import Grid, lay_grid
from flashpan.kinds import kind_of
from flashpan.measure import LeadingPictures, Measurer
from flashpan.model import (
    Event,
    EventLog,
    Extent,
    Fingerprint,
    Frame,
    Score,
    ScoreTrace,
    Tiles,
    Totals,
    TrimRange,
)
from flashpan.onset import LOOK_BACK, LookBack
from flashpan.parts import NotInParts
from flashpan.picker import Pick, Picker
from flashpan.ranges import Span, trim_ranges
from flashpan.readers.base import Reader
from flashpan.ruling import Opening, Watch
from flashpan.settings import ResolvedSettings, Settings
from flashpan.survey import survey
from flashpan.units import real_time

Measured = Callable[[Reader, Grid], Iterator[tuple[Tiles, str]]]
"""Gives the statistics of every frame in order, each with the frame's picture type, for an open
take and its tiles.  By default the take is read and measured on the spot."""

_AHEAD = 8

SETTLE_FRAMES = 256
"""A new state is the new normal after this long, or after twice the merge gap if that is
longer: a continuing current may glow for half a second and still belong to its flash."""


def find(
    take: str | os.PathLike[str] | Reader,
    settings: Settings | None = None,
    *,
    on_event: Callable[[Event], None] | None = None,
    on_frame: Callable[[int], None] | None = None,
    keep_trace: bool = False,
    measured: Measured | None = None,
) -> EventLog:
    """Find the events of one take.

    Parameters
    ----------
    take : path or Reader
        What to look through: anything `flashpan.open_take` opens (``-`` is standard
        input), or an open reader, which is then read to its end but not closed.
    settings : Settings, optional
        What was asked for; every default is chosen for the take.
    on_event : callable, optional
        Called with each event as soon as it closes.
    on_frame : callable, optional
        Called with each frame's number once it has been measured.
    keep_trace : bool
        Keep every detector's score and threshold in ``log.trace``.
    measured : callable, optional
        What others have measured of the take, see `Measured`.

    Returns
    -------
    EventLog
        "Nothing found" is a log without events.

    Raises
    ------
    UnreadableTake
        The take cannot be opened or no frame of it decodes.
    SettingsError, RegionError
        A setting makes no sense for this take.
    """
    asked = settings or Settings()
    with opened(take, asked) as reader:
        note: tuple[str, ...] = ()
        if measured is None and not keep_trace and _may_skip(asked, reader):
            try:
                return _surveyed(reader, asked, on_event, on_frame)
            except NotInParts as why:
                note = (f"every frame was searched: {why}",)
        search = Search(reader, asked, keep_trace=keep_trace, measured=measured)
        for event in search.events(on_frame):
            if on_event is not None:
                on_event(event)
        log = search.log()
        return replace(log, warnings=(*log.warnings, *note))


def _may_skip(asked: Settings, reader: Reader) -> bool:
    return asked.resolved(reader.info).shortest_event_frames > 1


def _surveyed(
    reader: Reader,
    asked: Settings,
    on_event: Callable[[Event], None] | None,
    on_frame: Callable[[int], None] | None,
) -> EventLog:
    """The log of a take that was sampled, and searched only where something is."""
    began = time.monotonic()
    wanted = asked.resolved(reader.info)
    settle_frames = settle_frames_of(wanted)
    fingerprint = fingerprint_of(reader.info.path)  # once, and not for each part

    def search(
        reader: Reader, settings: Settings, measured: Measured, settle_frames: int, traced: bool
    ) -> Search:
        return Search(
            reader,
            settings,
            keep_trace=traced,
            measured=measured,
            fingerprint=fingerprint,
            settle_frames=settle_frames,
        )

    found = survey(reader, asked, search, settle_frames, on_frame)
    wanted = asked.resolved(reader.info)
    for event in found.events:
        if on_event is not None:
            on_event(event)
    assert wanted.stop is not None
    ranges = _kept(found.events, wanted, wanted.stop)
    return replace(
        found.first,
        take=replace(
            found.first.take,
            n_frames=reader.info.n_frames,
            variable_rate=reader.info.variable_rate,
            warnings=reader.info.warnings,
        ),
        settings=wanted.as_log(),
        events=found.events,
        ranges=ranges,
        totals=Totals(
            frames=wanted.stop - wanted.start,
            kept=sum(kept.n_frames for kept in ranges),
            events=len(found.events),
            seconds=round(time.monotonic() - began, 3),
            bytes_read=reader.bytes_read,
        ),
        warnings=reader.info.warnings,
    )


def settle_frames_of(wanted: ResolvedSettings) -> int:
    """Frames after which a new state is the new normal."""
    return max(SETTLE_FRAMES, 2 * wanted.merge_gap_frames)


def _kept(events: Iterable[Event], wanted: ResolvedSettings, stop: int) -> tuple[TrimRange, ...]:
    """What to keep of some events, of a take that ends before frame ``stop``."""
    return trim_ranges(
        (Span(event.onset, event.end + 1) for event in events),
        pre_roll_frames=wanted.pre_roll_frames,
        post_roll_frames=wanted.post_roll_frames,
        merge_gap_frames=0,
        start=wanted.start,
        stop=stop,
    )


def opened(
    take: str | os.PathLike[str] | Reader, settings: Settings
) -> Reader | nullcontext[Reader]:
    """An open take as it is, to be left open; a path opened as the settings say."""
    if isinstance(take, Reader):
        return nullcontext(take)
    from flashpan.readers.open import open_take  # readers are heavy and not always needed

    return open_take(
        os.fspath(take),
        raw=settings.raw,
        capture_rate=settings.capture_rate,
        playback_rate=settings.playback_rate,
        trigger_frame=settings.trigger_frame,
    )


class Search:
    """A take being searched: iterate `events`, then ask for the `log`.

    Parameters
    ----------
    reader : Reader
        The open take.
    settings : Settings
        What was asked for.
    keep_trace : bool
        Keep every frame's scores.
    watch : Watch, optional
        Told what the picker makes of the frames it asks for.
    measured : callable, optional
        See `Measured`.
    fingerprint : Fingerprint, optional
        Of the take, where it has been taken already.
    settle_frames : int, optional
        Frames after which a new state is the new normal, where it is not `settle_frames_of`.

    Attributes
    ----------
    openings : list of Opening or None
        What opened each event so far.
    """

    def __init__(
        self,
        reader: Reader,
        settings: Settings,
        *,
        keep_trace: bool = False,
        watch: Watch | None = None,
        measured: Measured | None = None,
        fingerprint: Fingerprint | None = None,
        settle_frames: int | None = None,
    ) -> None:
        self._reader = reader
        self._measure = measured or self._read_and_measured
        self.settings = settings.resolved(reader.info)
        self._began = time.monotonic()
        # before the search: a file that grows meanwhile is no longer what was searched
        self._fingerprint = fingerprint or fingerprint_of(reader.info.path)
        info, wanted = reader.info, self.settings
        self._grid = lay_grid(info.shape, wanted.roi, wanted.ignore)
        scene = Scene(
            info=info,
            grid=self._grid,
            settle_frames=settle_frames or settle_frames_of(wanted),
            with_readings=watch is not None,
        )
        self._flicker = Deflicker(replace(info, capture_rate=wanted.capture_rate), self._grid)
        self._stand = Stand(self._grid)
        self._watch = watch
        self._scorer = Scorer({name: _detector(name) for name in wanted.detectors}, scene)
        self._past = LookBack(self._grid, info.least_step, predicted=info.predicts_with_loss)
        self._picker = Picker(
            self._scorer.laws,
            wanted.false_alarms,
            wanted.merge_gap_frames,
            watch=watch,
            look_back=self._onset,
        )
        self._gaps = PictureGaps(1.0 / info.full_scale, self._grid.n_px > 0)
        self._trace = TraceKeeper(wanted.detectors) if keep_trace else None
        self._still: list[Span] = []
        self._events: list[Event] = []
        self.openings: list[Opening | None] = []
        self._last = wanted.start - 1
        self._judged = wanted.start

    @property
    def undecided_from(self) -> int:
        """First frame at which an event that is still to come may begin.

        Nothing before it is looked at any more, save that a place which departed long ago
        without opening an event may date one earlier; that is rare.
        """
        onset = self._picker.open_onset
        low = (self._judged if onset is None else onset) - LOOK_BACK
        low = max(self._picker.free_from, low, self.settings.start)
        return low if self._gaps.since is None else min(low, self._gaps.since)

    def ranges(self, stop: int) -> tuple[TrimRange, ...]:
        """What to keep of the events so far, of a take that ends before frame ``stop``."""
        return _kept(self._events, self.settings, stop)

    @property
    def flickers(self) -> bool:
        """Whether lamps were found whose ripple is taken out."""
        return self._flicker.ripple is not None

    @property
    def grid(self) -> Grid:
        """Where the tiles lie."""
        return self._grid

    def events(self, on_frame: Callable[[int], None] | None = None) -> Iterator[Event]:
        """Yield each event as soon as it closes."""
        for tiles in self._steadied(self._watched(self._measured(on_frame))):
            yield from self._stood_still()
            for moment in self._scorer.push(tiles):
                yield from self._picked(self._pick(moment))
        for moment in self._scorer.finish():
            yield from self._picked(self._pick(moment))
        yield from self._picked(self._picker.finish())
        yield from self._stood_still()

    def _watched(self, measured: Iterator[Tiles]) -> Iterator[Tiles]:
        """The measured frames, looked through for repeats."""
        for tiles in measured:
            self._still.extend(self._gaps.push(tiles))
            yield replace(tiles, repeats=True) if self._gaps.is_no_news else tiles
        self._still.extend(self._gaps.finish())

    def _stood_still(self) -> Iterator[Event]:
        """Events of the stretches of repeats that have ended."""
        while self._still:
            event = still_event(self._still.pop(0), self._grid, self.settings)
            self._note(event, None)
            yield event

    def _steadied(self, measured: Iterator[Tiles]) -> Iterator[Tiles]:
        """The measured frames without the ripple of lamps and the sway of the camera."""
        for tiles in measured:
            for even in self._flicker.push(tiles):
                yield from self._stand.push(even)
        for even in self._flicker.finish():
            yield from self._stand.push(even)
        yield from self._stand.finish()

    def _measured(self, on_frame: Callable[[int], None] | None) -> Iterator[Tiles]:
        leading = LeadingPictures()
        for tiles, picture_type in self._measure(self._reader, self._grid):
            self._last = tiles.index
            yield from leading.push(tiles, picture_type)
            if on_frame is not None:
                on_frame(tiles.index)
        yield from leading.finish()

    def _read_and_measured(self, reader: Reader, grid: Grid) -> Iterator[tuple[Tiles, str]]:
        measured = self._measured_here(reader, grid)
        return ahead(measured, _AHEAD) if self._may_read_ahead() else measured

    def _may_read_ahead(self) -> bool:
        """True where a second thread gains something, and nothing holds it up for long.

        A pipe may rest for hours.
        """
        return self._reader.info.path != "-" and reading_ahead_pays(self._grid)

    def _measured_here(self, reader: Reader, grid: Grid) -> Iterator[tuple[Tiles, str]]:
        measurer = Measurer(reader.info, grid)
        for frame in self._wanted_frames():
            yield measurer.measure(frame), frame.picture_type

    def log(self) -> EventLog:
        """The record of what has been searched so far."""
        wanted, stop = self.settings, self._last + 1
        info = replace(
            self._reader.info,
            capture_rate=wanted.capture_rate,
            playback_rate=wanted.playback_rate,
            trigger_frame=wanted.trigger_frame,
            fingerprint=self._fingerprint,
        )
        ranges = self.ranges(stop)
        return EventLog(
            take=info,
            settings=wanted.as_log(),
            events=tuple(self._events),
            ranges=ranges,
            totals=Totals(
                frames=max(0, stop - wanted.start),
                kept=sum(kept.n_frames for kept in ranges),
                events=len(self._events),
                seconds=round(time.monotonic() - self._began, 3),
                bytes_read=self._reader.bytes_read,
            ),
            warnings=info.warnings,
            trace=self._trace.trace() if self._trace else None,
        )

    def _wanted_frames(self) -> Iterator[Frame]:
        """Frames of the part asked for; what comes before must still be decoded."""
        start, stop = self.settings.start, self.settings.stop
        is_empty = True
        for frame in self._reader.frames():
            if stop is not None and frame.index >= stop and self._ends_early():
                return
            if frame.index >= start:
                is_empty = False
                yield frame
        if is_empty:
            raise self._nothing_read(start)

    def _nothing_read(self, start: int) -> FlashpanError:
        info = self._reader.info
        if not info.n_frames and not start:
            return UnreadableTake(f"{info.path}: no frame decodes; check that it is whole")
        return SettingsError(
            f"{info.path}: --first {start} lies after the last frame"
            f" ({info.n_frames} frames decode, numbered from 0)"
        )

    def _ends_early(self) -> bool:
        """True where the user asked for a last frame, rather than the file declaring it."""
        return dict(self.settings.origins).get("last", "default") != "default"

    def _onset(self, first: int, guess: int, extent: Extent | None) -> int | None:
        onset = self._past.began(first, guess, extent)
        return None if onset is None else onset.frame

    def _pick(self, moment: Moment) -> Iterator[Pick]:
        self._past.push(moment.tiles)
        self._judged = moment.index + 1
        if self._watch is not None and moment.index == self._watch.frame:
            self._watch.shift = moment.tiles.shift
        if moment.warm_up:
            for name, (values, restless) in moment.warm_up.items():
                self._picker.channels[name].prime(values, restless)
        if self._trace is not None:
            self._trace.add(moment, self._picker)
        return self._picker.push(moment.index, moment.scores, moment.refreshed)

    def _picked(self, picks: Iterator[Pick]) -> Iterator[Event]:
        for pick in picks:
            is_black = self._gaps.is_black(pick.peak)
            event = event_from(pick, self._grid, self.settings, is_black)
            self._note(event, pick.opening)
            yield event

    def _note(self, event: Event, opening: Opening | None) -> None:
        """Keep an event in its place: by onset, though a gap may close before an earlier one."""
        place = bisect_right(self._events, event.onset, key=lambda other: other.onset)
        self._events.insert(place, event)
        self.openings.insert(place, opening)


def _detector(name: str) -> Detector:
    made: Detector = registry.load(registry.DETECTORS, name)()
    return made


def event_from(pick: Pick, grid: Grid, settings: ResolvedSettings, is_black: bool = False) -> Event:
    """Put a pick into the picture: pixels, kind and real time."""
    extent = pick.extent or (0, 0, *grid.shape)
    return Event(
        onset=pick.onset,
        peak=pick.peak,
        end=pick.end,
        kind=kind_of(pick, is_black),
        detector=pick.detector,
        strength=pick.strength,
        box=grid.pixels(*extent),
        chance=pick.chance * 1e6,
        onset_s=real_time(pick.onset, settings.capture_rate, settings.trigger_frame),
    )


def still_event(still: Span, grid: Grid, settings: ResolvedSettings) -> Event:
    """Make an event of a stretch that repeats one picture.

    Its strength is by how many of its own noise units the window's difference, a root mean
    square over n pixels, is below its usual level when it is nought: sqrt(2 n).  Noise gives
    that never.
    """
    return Event(
        onset=still.start,
        peak=still.start,
        end=still.stop - 1,
        kind="gap",
        detector="difference",
        strength=math.sqrt(2.0 * float(grid.n_px.sum())),
        box=grid.pixels(0, 0, *grid.shape),
        chance=0.0,
        onset_s=real_time(still.start, settings.capture_rate, settings.trigger_frame),
    )


@dataclass(frozen=True, slots=True)
class Moment:
    """One frame's scores, in order; the first one carries the warm-up of every detector."""

    index: int
    scores: dict[str, Score]
    refreshed: bool
    tiles: Tiles
    warm_up: dict[str, tuple[list[float], bool]] | None = None


class Scorer:
    """Runs the detectors side by side and hands out complete frames in order.

    While any detector is warming up, frames wait; each wait is bounded by the longest
    warm-up.
    """

    def __init__(self, detectors: dict[str, Detector], scene: Scene) -> None:
        self._runs: dict[str, Run] = {n: d.start(scene) for n, d in detectors.items()}
        self._waiting: deque[tuple[Tiles, dict[str, Score]]] = deque()
        self._is_warm = False

    @property
    def laws(self) -> dict[str, MaxLaw]:
        """Each detector's score distribution under normal noise."""
        return {name: run.law for name, run in self._runs.items()}

    def push(self, tiles: Tiles) -> Iterator[Moment]:
        """Score one frame; yield the frames that are complete.

        A repeat of the frame before says nothing, and no detector learns from it.
        """
        if tiles.repeats and self._is_warm:
            quiet = Score(index=tiles.index, value=0.0, since=tiles.index, until=tiles.index)
            yield Moment(tiles.index, dict.fromkeys(self._runs, quiet), False, tiles)
            return
        scores = {name: run.score(tiles) for name, run in self._runs.items()}
        if self._is_warm:
            yield Moment(tiles.index, scores, tiles.refreshed, tiles)
            return
        self._waiting.append((tiles, scores))
        if all(score.valid for score in scores.values()):
            yield from self._release()

    def finish(self) -> Iterator[Moment]:
        """Yield the frames of a take that ended during the warm-up."""
        if not self._is_warm:
            yield from self._release()

    def _release(self) -> Iterator[Moment]:
        self._is_warm = True
        past = {
            name: {s.index: replace(s, in_retrospect=True) for s in run.retrospect()}
            for name, run in self._runs.items()
        }
        warm_up: dict[str, tuple[list[float], bool]] | None = {
            name: ([score.value for score in scores.values()], self._runs[name].restless)
            for name, scores in past.items()
        }
        while self._waiting:
            tiles, scores = self._waiting.popleft()
            known = {name: past[name].get(tiles.index, s) for name, s in scores.items()}
            yield Moment(tiles.index, known, tiles.refreshed, tiles, warm_up)
            warm_up = None


class TraceKeeper:
    """Collects scores and thresholds, eight bytes per detector and frame."""

    def __init__(self, detectors: tuple[str, ...]) -> None:
        self._detectors = detectors
        self._frames, self._numbers = array("q"), array("f")

    def add(self, moment: Moment, picker: Picker) -> None:
        """Keep one frame: every detector's score, then every detector's threshold."""
        scores = [moment.scores[name] for name in self._detectors]
        self._frames.append(moment.index)
        self._numbers.extend(score.value for score in scores)
        self._numbers.extend(
            picker.channels[name].thresholds(moment.refreshed, score.in_retrospect)[0]
            for name, score in zip(self._detectors, scores, strict=True)
        )

    def trace(self) -> ScoreTrace:
        """What has been collected."""
        numbers = np.array(self._numbers, np.float32).reshape(-1, 2, len(self._detectors))
        return ScoreTrace(
            detectors=self._detectors,
            frames=np.array(self._frames, np.int64),
            scores=np.ascontiguousarray(numbers[:, 0].T),
            thresholds=np.ascontiguousarray(numbers[:, 1].T),
        )
