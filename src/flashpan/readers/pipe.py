"""``-``: a take that arrives on standard input, as YUV4MPEG2 or as headerless pixels."""

from __future__ import annotations

import sys
from typing import Any, ClassVar, Protocol, cast

import numpy.typing as npt

from flashpan.errors import UnreadableTake
from flashpan.model import Frame, TakeInfo
from flashpan.readers.base import Source
from flashpan.readers.blocks import Bytes, ByteStream, read_block, sealed
from flashpan.readers.geometry import parse_geometry
from flashpan.readers.raw import within
from flashpan.readers.streamed import EndOfTake, StreamedReader, describe
from flashpan.readers.y4m import MAGIC, Y4mStream

_NAME = "stdin"


class _FrameStream(Protocol):
    """What both kinds of stream offer."""

    bytes_read: int
    start: bytes
    stored: tuple[Bytes, ...]

    def describe(self, source: Source, name: str) -> TakeInfo:
        """Return what is known of the take."""

    def next_luma(self, index: int) -> npt.NDArray[Any]:
        """Return the next frame's luma, or raise `EndOfTake`."""


class _RawStream:
    """Headerless frames out of a byte stream."""

    def __init__(self, stream: ByteStream, raw: str) -> None:
        self._stream = stream
        self._geometry = parse_geometry(raw)
        self._skip = self._geometry.offset_bytes
        self.bytes_read = 0
        self.clipped = False
        self.start = b""
        self.stored: tuple[Bytes, ...] = ()

    def describe(self, source: Source, name: str) -> TakeInfo:
        """Return what is known of the take."""
        geometry = self._geometry
        return describe(
            source,
            name=name,
            shape=(geometry.rows, geometry.cols),
            bit_depth=geometry.pixel_format.bits,
            codec="raw",
            container="pipe",
            pixel_format=geometry.pixel_format.name,
        )

    def next_luma(self, index: int) -> npt.NDArray[Any]:
        """Return the next frame's luma, shape (rows, cols), or raise `EndOfTake`."""
        self._pass_header()
        data = read_block(self._stream, self._geometry.frame_bytes)
        self.bytes_read += len(data)
        if not len(data):
            raise EndOfTake
        if len(data) < self._geometry.frame_bytes:
            raise EndOfTake(f"cut short inside frame {index}")
        self.stored = (data.data,)
        picture, clipped = within(self._geometry.picture(data), self._geometry)
        self.clipped = self.clipped or clipped
        return sealed(picture)

    def _pass_header(self) -> None:
        while self._skip:
            got = len(read_block(self._stream, min(self._skip, 1 << 20)))
            self.bytes_read += got
            self._skip = self._skip - got if got else 0


class PipeReader(StreamedReader):
    """Frames from standard input, each handed on as soon as its bytes are there.

    Raises
    ------
    UnreadableTake
        Nothing arrives, or something that is no YUV4MPEG2 while no geometry is given.
    """

    name: ClassVar[str] = "pipe"
    priority: ClassVar[int] = 10

    @classmethod
    def accepts(cls, source: Source) -> bool:
        """For the path ``-``."""
        return source.path == "-"

    def __init__(self, source: Source) -> None:
        self._frames = _open_stream(source)
        self.info = self._frames.describe(source, _NAME)
        # An empty pipe shall be an error of opening, not a take of no frames.
        try:
            self._first: npt.NDArray[Any] | None = self._frames.next_luma(0)
        except EndOfTake as end:
            reason = end.reason or "no frame arrived"
            raise UnreadableTake(f"-: {reason}; check the program before the pipe") from None

    @property
    def start(self) -> bytes:
        """Bytes that a file of these frames begins with; empty for headerless pixels."""
        return self._frames.start

    @property
    def stored(self) -> tuple[Bytes, ...]:
        """Bytes of the frame handed out last, in pieces: what a clip of it is made of."""
        return self._frames.stored

    def _fetch(self, index: int) -> Frame | None:
        luma, self._first = self._first, None
        if luma is None:
            luma = self._frames.next_luma(index)
        self.bytes_read = self._frames.bytes_read
        if getattr(self._frames, "clipped", False):
            self._warn(f"values above {self.info.full_scale} are taken as white: check FORMAT")
        return Frame(index=index, luma=luma)

    def close(self) -> None:
        """Standard input belongs to the process and stays open."""


def _open_stream(source: Source) -> _FrameStream:
    stream = _standard_input()
    if source.raw is not None:
        return _RawStream(stream, source.raw)
    start = read_block(stream, len(MAGIC)).tobytes()
    if not start:
        raise UnreadableTake("-: nothing arrives on standard input; pipe a take into it")
    if start != MAGIC:
        raise UnreadableTake("-: standard input is no YUV4MPEG2; for headerless pixels give --raw")
    return Y4mStream(stream, "-", start)


def _standard_input() -> ByteStream:
    if sys.stdin is None or sys.stdin.isatty():
        raise UnreadableTake("-: standard input is a terminal; pipe a take into it")
    return cast(ByteStream, sys.stdin.buffer)
