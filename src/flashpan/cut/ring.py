"""The last frames of a pipe, kept so that what led up to an event is there when it is found."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from flashpan.cut.stored import Pieces
from flashpan.errors import TakeError, UsageError
from flashpan.ranges import Span


class FrameRing:
    """Holds the last frames of a stream, the bytes of each, in constant memory.

    Feed it every frame (``ring.add(frame.index, reader.stored)`` with a
    `flashpan.readers.pipe.PipeReader`); when a range is closed, `frames` hands it out.  It has
    to be as long as the longest range and the time that passes until its end is known.

    Parameters
    ----------
    n_frames : int
        Frames to hold.
    start : bytes
        What a file of these frames begins with (``reader.start``).
    """

    def __init__(self, n_frames: int, start: bytes = b"") -> None:
        if n_frames < 1:
            raise UsageError(f"a ring of {n_frames} frames holds nothing; give it 1 or more")
        self.start = start
        self._held: deque[tuple[int, Pieces]] = deque(maxlen=n_frames)

    def add(self, index: int, stored: Pieces) -> None:
        """Take the next frame; the oldest gives way once the ring is full."""
        if self._held and index != self._held[-1][0] + 1:
            raise ValueError(f"frame {index} does not follow frame {self._held[-1][0]}")
        self._held.append((index, stored))

    @property
    def held(self) -> Span:
        """Frames that are there now."""
        if not self._held:
            return Span(0, 0)
        return Span(self._held[0][0], self._held[-1][0] + 1)

    def frames(self, span: Span) -> Iterator[Pieces]:
        """Bytes of each frame of a range.

        Raises
        ------
        TakeError
            Frames of the range have given way already, or have not arrived.
        """
        there = self.held
        if span.start < there.start or span.stop > there.stop:
            raise TakeError(
                f"-: frames {span.start} to {span.stop - 1} are not all held (only {there.start}"
                f" to {there.stop - 1}); hold more frames, or ask for shorter rolls"
            )
        offset = span.start - there.start
        for place in range(offset, offset + span.stop - span.start):
            yield self._held[place][1]
