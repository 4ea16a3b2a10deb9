"""The last frames of a pipe, kept so that what led up to an event is there when it is found."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from flashpan.atomic import scratch_file
from flashpan.cut.space import raw_need, require_space
from flashpan.cut.stored import Pieces
from flashpan.errors import TakeError, UsageError
from flashpan.ranges import Span

_PIECE_BYTES = 256 << 20
"""Of the files that a spool is made of: each is removed as a whole."""


class Spool:
    """Frames that may still be needed and that memory does not hold, in temporary files.

    Parameters
    ----------
    folder : Path
        The destination.
    piece_bytes : int
        Size from which on a new file is begun.
    """

    def __init__(self, folder: Path, piece_bytes: int = _PIECE_BYTES) -> None:
        self._folder, self._piece_bytes = folder, piece_bytes
        self._pieces: deque[_Piece] = deque()

    @property
    def start(self) -> int | None:
        """First frame that is there."""
        return self._pieces[0].first if self._pieces else None

    def add(self, index: int, stored: Pieces) -> None:
        """Write a frame; it follows the last one, or is the first."""
        if not self._pieces or self._pieces[-1].n_bytes >= self._piece_bytes:
            self._pieces.append(_Piece(self._folder, index, self._piece_bytes))
        self._pieces[-1].add(stored)

    def release(self, before: int) -> None:
        """Remove files all of whose frames lie before that frame."""
        while self._pieces and self._pieces[0].stop <= before:
            self._pieces.popleft().close()

    def frame(self, index: int) -> Pieces:
        """Bytes of a frame that is there."""
        piece = next(piece for piece in self._pieces if index < piece.stop)
        return (piece.read(index),)

    def close(self) -> None:
        """Remove all."""
        while self._pieces:
            self._pieces.popleft().close()


class _Piece:
    """One file of a spool, from frame ``first`` to before ``stop``."""

    def __init__(self, folder: Path, first: int, most_bytes: int) -> None:
        require_space(folder, [raw_need(1, most_bytes)])
        self.first, self.n_bytes = first, 0
        self._places: list[int] = []
        self._open = ExitStack()
        self._path = self._open.enter_context(scratch_file(folder))
        self._file: BinaryIO = self._open.enter_context(self._path.open("w+b", buffering=0))

    @property
    def stop(self) -> int:
        return self.first + len(self._places)

    def add(self, stored: Pieces) -> None:
        self._places.append(self.n_bytes)
        try:
            for piece in stored:
                view = memoryview(piece)
                while view:
                    written = self._file.write(view)
                    self.n_bytes += written
                    view = view[written:]
        except OSError as error:
            raise TakeError(
                f"{self._path.parent}: cannot hold the frames of a long event"
                f" ({error.strerror}); free some space and run again"
            ) from error

    def read(self, index: int) -> bytes:
        place = index - self.first
        end = self._places[place + 1] if place + 1 < len(self._places) else self.n_bytes
        return os.pread(self._file.fileno(), end - self._places[place], self._places[place])

    def close(self) -> None:
        self._open.close()


class FrameRing:
    """Holds the last frames of a stream, the bytes of each, in constant memory.

    Feed it every frame (``ring.add(frame.index, reader.stored)`` with a
    `flashpan.readers.pipe.PipeReader`); when a range is closed, `frames` hands it out.  It has
    to be as long as the longest range and the time that passes until its end is known; or it
    is given a spool, to which those that give way but may still be needed go (`keep_from`).

    Parameters
    ----------
    n_frames : int
        Frames to hold.
    start : bytes
        What a file of these frames begins with (``reader.start``).
    spool : Spool, optional
        Closed with the ring.
    """

    def __init__(self, n_frames: int, start: bytes = b"", spool: Spool | None = None) -> None:
        if n_frames < 1:
            raise UsageError(f"a ring of {n_frames} frames holds nothing; give it 1 or more")
        self.start = start
        self._n_frames = n_frames
        self._held: deque[tuple[int, Pieces]] = deque()
        self._spool = spool
        self._needed = 0

    def keep_from(self, frame: int) -> None:
        """Say which frame is the first that may still be asked for."""
        self._needed = max(self._needed, frame)
        if self._spool is not None:
            self._spool.release(self._needed)

    def add(self, index: int, stored: Pieces) -> None:
        """Take the next frame; the oldest gives way once the ring is full."""
        if self._held and index != self._held[-1][0] + 1:
            raise ValueError(f"frame {index} does not follow frame {self._held[-1][0]}")
        self._held.append((index, stored))
        if len(self._held) > self._n_frames:
            oldest, pieces = self._held.popleft()
            if self._spool is not None and oldest >= self._needed:
                self._spool.add(oldest, pieces)

    @property
    def held(self) -> Span:
        """Frames that are there now."""
        if not self._held:
            return Span(0, 0)
        spooled = None if self._spool is None else self._spool.start
        start = self._held[0][0] if spooled is None else spooled
        return Span(start, self._held[-1][0] + 1)

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
        in_memory = self._held[0][0]
        for index in range(span.start, span.stop):
            if index < in_memory and self._spool is not None:
                yield self._spool.frame(index)
            else:
                yield self._held[index - in_memory][1]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._spool is not None:
            self._spool.close()
