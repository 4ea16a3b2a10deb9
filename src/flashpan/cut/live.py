"""A pipe is cut while it arrives: found, held as long as it may be needed, and written."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from flashpan.cut.base import Clip, Cut
from flashpan.cut.carry import copied
from flashpan.cut.engine import cut_held
from flashpan.cut.forms import clip_pictures, copy_need
from flashpan.cut.plan import TrimSettings, cut_of
from flashpan.cut.report import CLIP, Failed, Output, Trimmed
from flashpan.cut.ring import FrameRing, Spool
from flashpan.cut.space import Need, raw_need, require_space
from flashpan.errors import FlashpanError, UsageError
from flashpan.eventlog import write_log
from flashpan.find import Search
from flashpan.model import EventLog, TrimRange
from flashpan.onset import LOOK_BACK
from flashpan.readers.base import Reader
from flashpan.readers.pipe import PipeReader
from flashpan.settings import Settings

_MEMORY_BYTES = 512 << 20
"""For frames; what does not fit and may be needed goes to the disk."""
_IN_FLIGHT = 64
"""Frames that the search has read and not yet judged, where nothing makes it wait."""
_FAR = 1 << 62
_NOT_ENDED = "the pipe had not ended when this log was written; the frames after are not in it"


def cut_while_it_arrives(
    reader: Reader,
    settings: Settings,
    log_path: Path,
    stem: str,
    wanted: TrimSettings,
    on_frame: Callable[[int], None] | None = None,
) -> Trimmed:
    """Search a pipe and cut each range as soon as no later event can reach into it.

    Memory holds the pre-roll and what the search looks back on.  Frames of an event that lasts
    longer than that go to temporary files in the destination until it is cut.

    Parameters
    ----------
    reader : Reader
        The pipe.
    settings : Settings
        What to look for.
    log_path, stem : Path, str
        Where the log will be; what the clips begin with.
    wanted : TrimSettings
        What to make of the ranges.
    on_frame : callable, optional
        Called with each frame's number.

    Returns
    -------
    Trimmed
        Its log's ranges are those that were cut.  It has been written, and anew before every
        clip, so that a run that is killed leaves one as well.
    """
    if not isinstance(reader, PipeReader):
        raise UsageError(f"{reader.info.path}: is no pipe; give its path")
    search = Search(reader, settings)
    resolved = search.settings
    ring_frames = resolved.pre_roll_frames + LOOK_BACK + _IN_FLIGHT
    fitting = max(1, _MEMORY_BYTES // max(1, _bytes_of(reader)))
    with FrameRing(min(ring_frames, fitting), reader.start, Spool(log_path.parent)) as ring:
        live = _Live(search, ring, reader, log_path.parent / stem, wanted, settings.raw)

        def arrived(index: int) -> None:
            live.arrived(index)
            if on_frame is not None:
                on_frame(index)

        for _ in search.events(arrived):
            live.look_again()
        return live.finished(log_path)


def _bytes_of(reader: PipeReader) -> int:
    return sum(len(piece) for piece in reader.stored)


class _Live:
    """The ranges of a pipe, each cut when its time has come."""

    def __init__(
        self,
        search: Search,
        ring: FrameRing,
        reader: PipeReader,
        base: Path,
        wanted: TrimSettings,
        raw: str | None,
    ) -> None:
        self._search, self._ring, self._reader = search, ring, reader
        self._base, self._wanted, self._raw = base, wanted, raw
        self._cut: list[TrimRange] = []
        self._clips: list[tuple[int, Cut, Clip]] = []
        self._failed: list[Failed] = []
        self._pending: list[TrimRange] = []
        self._is_logged = False

    def look_again(self) -> None:
        """There is a new event: take in what is to be kept for it."""
        self._pending = self._waiting(_FAR)

    def arrived(self, index: int) -> None:
        """Hold the frame that was read last, and cut what is ready."""
        self._ring.add(index, self._reader.stored)
        safe = self._search.undecided_from - self._search.settings.pre_roll_frames
        while self._pending and self._pending[0].last < min(index, safe - 1):
            self._write(self._pending.pop(0), self._search.log())
        first = self._pending[0].first if self._pending else safe
        self._ring.keep_from(min(safe, first))

    def finished(self, log_path: Path) -> Trimmed:
        """Cut the rest at the end of the pipe."""
        log = self._search.log()
        for kept in self._waiting(log.totals.frames + self._search.settings.start):
            self._write(kept, log)
        log = self._of_what_was_cut(log)
        self._keep(log)
        outputs = tuple(self._with_copies(log))
        return Trimmed(log=log, log_path=log_path, outputs=outputs, failed=tuple(self._failed))

    def _of_what_was_cut(self, log: EventLog) -> EventLog:
        ranges = tuple(replace(kept, events=_events_in(log, kept)) for kept in self._cut)
        kept_frames = sum(kept.n_frames for kept in ranges)
        return replace(log, ranges=ranges, totals=replace(log.totals, kept=kept_frames))

    def _keep(self, log: EventLog) -> None:
        """Write the log; from the second time on it is our own that is replaced."""
        overwrite = self._wanted.overwrite or self._is_logged
        write_log(log, self._base.parent, overwrite, stem=self._base.name)
        self._is_logged = True

    def _with_copies(self, log: EventLog) -> Iterator[Output]:
        """Every clip, and the copies beside it: they are made when nothing more arrives."""
        forms, look = self._wanted.also, self._wanted.look
        for number, cut, clip in self._clips:
            yield Output(number, clip)
            for copy in copied(forms, number, cut, clip_pictures(clip), log, look):
                if isinstance(copy, Failed):
                    self._failed.append(copy)
                else:
                    yield copy

    def _waiting(self, stop: int) -> list[TrimRange]:
        """Ranges so far that have not been cut, without frames that have."""
        begin = self._cut[-1].last + 1 if self._cut else 0
        return [
            replace(kept, first=max(kept.first, begin))
            for kept in self._search.ranges(stop)
            if kept.last >= begin
        ]

    def _write(self, kept: TrimRange, log: EventLog) -> None:
        # rarely an event is dated to before what had been held for it
        kept = replace(kept, first=max(kept.first, self._ring.held.start))
        number = len(self._cut)
        self._cut.append(kept)
        cut = cut_of(log, kept, number, log.take, self._raw, self._base, self._wanted)
        so_far = self._of_what_was_cut(log)
        try:
            self._keep(replace(so_far, warnings=(*so_far.warnings, _NOT_ENDED)))
            require_space(self._base.parent, self._needs(cut))
            clip = cut_held(cut, self._ring)
        except FlashpanError as error:
            self._failed.append(Failed(number, CLIP, error))
            return
        self._clips.append((number, cut, clip))

    def _needs(self, cut: Cut) -> Iterator[Need]:
        yield raw_need(cut.n_frames, _bytes_of(self._reader))
        for form in self._wanted.also:
            yield copy_need(form, cut.take, cut.n_frames, self._wanted.look)


def _events_in(log: EventLog, kept: TrimRange) -> tuple[int, ...]:
    """Numbers of the events that share a frame with a range."""
    return tuple(
        number
        for number, event in enumerate(log.events)
        if event.onset <= kept.last and event.end >= kept.first
    )
