"""What is to be copied of takes: frames, the bytes or files that hold them, and sums."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from pathlib import Path

from flashpan.errors import FlashpanError
from flashpan.model import EventLog, TakeInfo
from flashpan.night.found import Found
from flashpan.ranges import Span, merge
from flashpan.readers._video_decode import PacketIndex


class Form(StrEnum):
    """In which form a take can be copied in part.

    Attributes
    ----------
    BYTES
        Frames lie one after the other in a file: raw pixels, ``.npy``, Y4M.
    FILES
        A file for each frame: stills.
    PACKETS
        Packets of a video, to be put into a new container.
    PAGES
        Pages of a TIFF file, to be written anew.
    WHOLE
        Not at all: the whole take.
    NOTHING
        There is nothing to copy.
    """

    BYTES = "bytes"
    FILES = "files"
    PACKETS = "packets"
    PAGES = "pages"
    WHOLE = "whole"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class ByteSpan:
    """Bytes of a file: the first, counted from 0, and how many."""

    first: int
    n_bytes: int

    @property
    def last(self) -> int:
        """Last byte, inclusive."""
        return self.first + self.n_bytes - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One trim range, and where its frames are.

    Attributes
    ----------
    first, last : int
        Frames of the take, inclusive.
    events : tuple of int
        The events in it, by their number in the log.
    spans : tuple of ByteSpan
        Bytes of the take's file.
    files : tuple of str
        Files below the source, in frame order.
    packets : tuple of int or None
        First and last packet of the video, in the order of the file, inclusive.
    head_frames, tail_frames : int
        Frames that go along because those asked for build on them.
    n_bytes : int
        Bytes to copy; of pages an estimate.
    """

    first: int
    last: int
    events: tuple[int, ...] = ()
    spans: tuple[ByteSpan, ...] = ()
    files: tuple[str, ...] = ()
    packets: tuple[int, int] | None = None
    head_frames: int = 0
    tail_frames: int = 0
    n_bytes: int = 0

    @property
    def n_frames(self) -> int:
        """Frames asked for."""
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """Where the frames to be kept of one take lie.

    Attributes
    ----------
    form : Form
    parts : tuple of Part
        A part for each trim range.
    header : bytes
        What a copy begins with instead of the take's own header.
    around : tuple of ByteSpan
        Bytes of the file that no frame is in and that are needed with any of them: what a raw
        take has before its frames; a video's header and index.
    notes : tuple of str
        What the user should know.
    """

    form: Form
    parts: tuple[Part, ...] = ()
    header: bytes = b""
    around: tuple[ByteSpan, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def spans(self) -> tuple[ByteSpan, ...]:
        """All bytes to copy of the take's file, each once, in order."""
        every = (*self.around, *(span for part in self.parts for span in part.spans))
        merged = merge(Span(one.first, one.first + one.n_bytes) for one in every)
        return tuple(ByteSpan(one.start, one.stop - one.start) for one in merged)


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """A file or folder of a copy.

    Attributes
    ----------
    path : Path
    n_bytes : int
    proof : str
        What was proved of it.
    was_there : bool
        True where an earlier run had written it, and it is as it was.
    """

    path: Path
    n_bytes: int
    proof: str
    was_there: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FlaggedTake:
    """What to copy of one take.

    Attributes
    ----------
    found : Found
        Where it lies, and its size.
    place : str
        The same below the source, as in a copy of the source.
    log : EventLog
        What was found in it.
    take : TakeInfo
        What is known of it.
    raw : str or None
        Geometry of headerless pixels.
    laid : Laid
        Frames, bytes and files to copy.
    was_known : bool
        True where an earlier run had searched it, so that it was not read again.
    copied : tuple of Copied
        What was copied, where that was asked for.
    copy_notes : tuple of str
        What the user should know of the copy.
    """

    found: Found
    place: str
    log: EventLog
    take: TakeInfo
    raw: str | None
    laid: Laid
    was_known: bool = False
    index: PacketIndex | None = field(default=None, repr=False)
    copied: tuple[Copied, ...] = ()
    copy_notes: tuple[str, ...] = ()

    @property
    def form(self) -> Form:
        """In which form it can be copied in part."""
        return self.laid.form

    @property
    def parts(self) -> tuple[Part, ...]:
        """A part for each trim range."""
        return self.laid.parts

    @property
    def n_bytes(self) -> int:
        """Bytes to copy, containers' own parts included."""
        if self.form is Form.WHOLE:
            return self.found.bytes
        if self.form in (Form.FILES, Form.PAGES):
            return sum(part.n_bytes for part in self.parts)
        return len(self.laid.header) + sum(span.n_bytes for span in self.laid.spans)

    @property
    def saved_bytes(self) -> int:
        """Bytes that need not be copied."""
        return self.found.bytes - self.n_bytes

    @property
    def bytes_read(self) -> int:
        """Bytes of the take that were read to search it."""
        return 0 if self.was_known else self.log.totals.bytes_read


@dataclass(frozen=True, slots=True)
class Failure:
    """A take that cannot be read, searched or copied, and why, in one line."""

    path: str
    error: FlashpanError


@dataclass(frozen=True, slots=True, kw_only=True)
class Flagged:
    """What to copy of a source.

    Attributes
    ----------
    source : Path
        As it was given, absolute.
    takes : tuple of FlaggedTake
        All that could be searched, also those with nothing to copy.
    failed : tuple of Failure
        All others.
    offload_rate : Fraction or None
        Bytes per second that files are copied at.
    """

    source: Path
    takes: tuple[FlaggedTake, ...]
    failed: tuple[Failure, ...] = ()
    offload_rate: Fraction | None = None

    @property
    def n_bytes(self) -> int:
        """Bytes to copy."""
        return sum(one.n_bytes for one in self.takes)

    @property
    def take_bytes(self) -> int:
        """Bytes of the takes that could be searched."""
        return sum(one.found.bytes for one in self.takes)

    @property
    def saved_bytes(self) -> int:
        """Bytes that need not be copied."""
        return self.take_bytes - self.n_bytes

    @property
    def saved_s(self) -> float | None:
        """Seconds that copying takes less than copying everything; None without a rate."""
        return self.seconds(self.saved_bytes)

    def seconds(self, n_bytes: int) -> float | None:
        """How long so many bytes take at the link's rate."""
        return None if self.offload_rate is None else float(n_bytes / self.offload_rate)

    @property
    def exit_code(self) -> int:
        """0, or the gravest of the failures."""
        return max((one.error.exit_code for one in self.failed), default=0)


def bytes_of(spans: Iterable[ByteSpan]) -> int:
    """Sum over spans."""
    return sum(span.n_bytes for span in spans)
