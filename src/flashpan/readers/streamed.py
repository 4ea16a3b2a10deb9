"""What the readers of stills, raw pixels and stacks share: fetch, count, warn, end.

A reader here only says how to fetch frame ``index``; this module turns that into a take:
frames in order, a count, and damage as a warning instead of an exception.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import count
from typing import Any

from flashpan.model import Frame, TakeInfo
from flashpan.patience import heard
from flashpan.readers.base import Reader, Source


class EndOfTake(Exception):  # a signal, like StopIteration
    """No frame of this number can follow; the reason is empty where the take is whole."""

    def __init__(self, reason: str = "") -> None:
        super().__init__(reason)
        self.reason = reason


def describe(source: Source, *, name: str, **facts: Any) -> TakeInfo:
    """Join what the user states and what the file says into a `TakeInfo`.

    The user's rates and trigger frame win over the file's.
    """
    if source.playback_rate is not None:
        facts["playback_rate"] = source.playback_rate
    return TakeInfo(
        path=source.path,
        name=name,
        capture_rate=source.capture_rate,
        trigger_frame=source.trigger_frame,
        **facts,
    )


class StreamedReader(Reader):
    """A reader that hands out frames one after the other."""

    @abstractmethod
    def _fetch(self, index: int) -> Frame | None:
        """Return frame ``index``, or ``None`` where it is left out; raise `EndOfTake`."""

    def frames(self) -> Iterator[Frame]:
        """Yield every readable frame in order; a frame left out keeps its number."""
        yield from self._from(0)

    def _from(self, start: int) -> Iterator[Frame]:
        for index in count(start):
            heard()
            try:
                frame = self._fetch(index)
            except EndOfTake as end:
                self._finish(index, end.reason)
                return
            if frame is not None:
                yield frame

    def _finish(self, n_frames: int, reason: str) -> None:
        if reason:
            self._warn(reason)
        self.info = replace(self.info, n_frames=n_frames)

    def _warn(self, text: str) -> None:
        if text not in self.info.warnings:
            self.info = replace(self.info, warnings=(*self.info.warnings, text))


class IndexedReader(StreamedReader):
    """A reader that can fetch any frame without touching the others."""

    def in_parts(self) -> Callable[[int], Frame | None] | None:
        """Any frame by its number, where their number is known."""
        return None if self.info.n_frames is None else self.frame_at

    def frame_at(self, index: int) -> Frame | None:
        """Return one frame by its number.

        Parameters
        ----------
        index : int
            From 0, in file order.

        Returns
        -------
        Frame or None
            ``None`` where the frame is damaged and left out, or past the end of the take.
        """
        if index < 0:
            raise IndexError(f"frames are numbered from 0, got {index}")
        heard()
        try:
            return self._fetch(index)
        except EndOfTake:
            return None

    def frames_from(self, start: int) -> Iterator[Frame]:
        """Yield frame ``start`` and all after it, as `frames` does, without those before."""
        return self._from(start)
