"""Frames of a night's takes, on demand: from the take, or from its clips once it is gone."""

from __future__ import annotations

import os
import threading
from collections import OrderedDict
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import cv2
import numpy as np

from flashpan.cut.anyframe import AnyFrame
from flashpan.cut.burnin import in_colour
from flashpan.cut.native import NativePicture
from flashpan.cut.sidecar import read_sidecar
from flashpan.cut.tone import FULL, Pixels8, Tone, toned
from flashpan.errors import TakeError
from flashpan.eventlog import read_log
from flashpan.model import EventLog
from flashpan.night.places import inside_night
from flashpan.night.rows import ClipRow, TakeRow
from flashpan.readers.open import open_take
from flashpan.readers.sequence import is_pattern
from flashpan.sheet.looks import as_jpeg, frames_of
from flashpan.sheet.strip import strip_of
from flashpan.sheet.tones import strip_tone, tone_text

Source = Literal["take", "clips", "none"]
_MOST_OPEN = 3
_DECODED_BYTES = 256 << 20
_CODED_BYTES = 192 << 20
_QUALITY = 95


@dataclass(frozen=True, slots=True)
class Shown:
    """A frame as it goes to the browser.

    Attributes
    ----------
    data : bytes
    media_type : str
        ``image/jpeg``, or ``image/png`` without loss.
    tone : str
        What was done to the tones, in words.
    """

    data: bytes
    media_type: str
    tone: str


def source_of(dest: Path, row: TakeRow, clips: list[ClipRow]) -> Source:
    """Where frames of a take can be had from: it is the take only while it is as it was."""
    if _lies_there(row):
        return "take"
    return "clips" if any(_is_there(dest, row, clip) for clip in clips) else "none"


def _lies_there(row: TakeRow) -> bool:
    if is_pattern(row.path):
        return os.path.isdir(os.path.dirname(row.path))
    try:
        size = os.stat(row.path).st_size
    except OSError:
        return False
    return row.identity.n_files > 1 or os.path.isdir(row.path) or size == row.identity.bytes


def _is_there(dest: Path, row: TakeRow, clip: ClipRow) -> bool:
    try:
        return clip.form == "clip" and inside_night(dest, dest / row.folder / clip.name).exists()
    except TakeError:
        return False


class Projector:
    """Shows frames; for several threads at once.

    Parameters
    ----------
    dest : Path
        The night.
    """

    def __init__(self, dest: Path) -> None:
        self._dest = dest
        self._lock = threading.Lock()
        self._open: OrderedDict[tuple[object, ...], _Film] = OrderedDict()
        self._coded: OrderedDict[tuple[object, ...], Shown] = OrderedDict()
        self._coded_bytes = 0

    def show(
        self,
        row: TakeRow,
        clips: list[ClipRow],
        frame: int,
        *,
        event: int | None = None,
        lossless: bool = False,
    ) -> Shown:
        """One frame.

        Parameters
        ----------
        row, clips : TakeRow, list of ClipRow
            The take.
        frame : int
        event : int, optional
            Show it in the tones of this event's strip; else as it was recorded.
        lossless : bool
            PNG, else JPEG of quality 95 without thinned out colours.

        Raises
        ------
        TakeError
            The frame cannot be had.
        """
        film_key = _film_key(row, clips)
        key = (*film_key, frame, event, lossless)
        with self._lock:
            if key in self._coded:
                self._coded.move_to_end(key)
                return self._coded[key]
            film = self._film(film_key, row, clips)
        shown = film.shown(frame, event, lossless)
        with self._lock:
            self._remember(key, shown)
        return shown

    def close(self) -> None:
        """Let go of all takes."""
        with self._lock:
            while self._open:
                self._open.popitem()[1].close()

    def _film(self, key: tuple[object, ...], row: TakeRow, clips: list[ClipRow]) -> _Film:
        if key not in self._open:
            log = read_log(inside_night(self._dest, self._dest / row.folder / row.log_name))
            self._open[key] = _Film(self._dest, row, clips, log)
        self._open.move_to_end(key)
        while len(self._open) > _MOST_OPEN:
            self._open.popitem(last=False)[1].close()
        return self._open[key]

    def _remember(self, key: tuple[object, ...], shown: Shown) -> None:
        if key in self._coded:
            return
        self._coded[key] = shown
        self._coded_bytes += len(shown.data)
        while self._coded_bytes > _CODED_BYTES:
            self._coded_bytes -= len(self._coded.popitem(last=False)[1].data)


def _film_key(row: TakeRow, clips: list[ClipRow]) -> tuple[object, ...]:
    """What a take's frames depend on."""
    names = tuple((clip.name, clip.sha256) for clip in clips)
    return (row.id, row.path, row.settings_key, _lies_there(row), names)


class _Film:
    """One take that is being looked at."""

    def __init__(self, dest: Path, row: TakeRow, clips: list[ClipRow], log: EventLog) -> None:
        self._dest, self._row, self._clips, self._log = dest, row, clips, log
        self._closing = ExitStack()
        self._lock = threading.Lock()
        self._tones: dict[int, Tone] = {}
        self._take: AnyFrame | None = None
        self._pieces: dict[str, tuple[AnyFrame, int]] = {}

    def close(self) -> None:
        with self._lock:
            self._closing.close()
            self._take, self._pieces = None, {}

    def shown(self, frame: int, event: int | None, lossless: bool) -> Shown:
        with self._lock:
            tone = FULL if event is None else self._tone(event)
            picture = self._picture(frame)
        pixels = in_colour(toned(picture, tone))
        data = _as_png(pixels) if lossless else as_jpeg(pixels, _QUALITY)
        return Shown(data, "image/png" if lossless else "image/jpeg", tone_text(tone))

    def _tone(self, event: int) -> Tone:
        """The tone of an event's strip, so that page and sheet agree."""
        if event not in self._tones:
            if not 0 <= event < len(self._log.events):
                raise TakeError(f"{self._row.name}: has no event {event}")
            wanted = strip_of(self._log.events[event], *frames_of(self._log))
            self._tones[event] = strip_tone(list(self._some(one.frame for one in wanted)))
        return self._tones[event]

    def _some(self, frames: Iterable[int]) -> Iterator[NativePicture]:
        """Those frames that can be had."""
        for frame in frames:
            try:
                yield self._picture(frame)
            except TakeError:
                continue

    def _picture(self, frame: int) -> NativePicture:
        if _lies_there(self._row):
            return self._whole().picture(frame)
        for clip in self._clips:
            if clip.form == "clip" and clip.first <= frame <= clip.last:
                piece, first = self._piece(clip)
                return replace(piece.picture(frame - first), index=frame)
        raise TakeError(
            f"{self._row.path}: is not there any more, and no clip has frame {frame}; put it back"
        )

    def _whole(self) -> AnyFrame:
        if self._take is None:
            info = replace(self._log.take, path=self._row.path)
            raw = self._log.settings.get("raw")
            self._take = AnyFrame(info, raw, remembered_bytes=_DECODED_BYTES)
            self._closing.callback(self._take.close)
        return self._take

    def _piece(self, clip: ClipRow) -> tuple[AnyFrame, int]:
        """A clip, and the frame of the take that is its first."""
        if clip.name not in self._pieces:
            path = inside_night(self._dest, self._dest / self._row.folder / clip.name)
            beside = read_sidecar(path)
            raw = beside.get("raw")
            with open_take(path, raw=raw) as reader:
                info = replace(reader.info, n_frames=reader.info.declared_frames)
            opened = AnyFrame(info, raw, remembered_bytes=_DECODED_BYTES // 4)
            self._closing.callback(opened.close)
            self._pieces[clip.name] = (opened, clip.first - int(beside.get("head_frames") or 0))
        return self._pieces[clip.name]


def _as_png(picture: Pixels8) -> bytes:
    done, coded = cv2.imencode(
        ".png", np.ascontiguousarray(picture[..., ::-1]), [cv2.IMWRITE_PNG_COMPRESSION, 1]
    )
    assert done
    return coded.tobytes()
