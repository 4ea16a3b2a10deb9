"""Where the frames of a take lie: which bytes, packets or files hold a range of frames."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from contextlib import closing
from io import BufferedReader, FileIO

import numpy as np

from flashpan.cut.needs import frame_bytes
from flashpan.cut.remux import muxer_for, passage
from flashpan.cut.stored import NpyStore
from flashpan.errors import CutRefused, UnreadableTake
from flashpan.model import EventLog, TakeInfo, TrimRange
from flashpan.offload.kept import ByteSpan, Form, Laid, Part, bytes_of
from flashpan.ranges import Span
from flashpan.readers.base import Source
from flashpan.readers.geometry import parse_geometry
from flashpan.readers.npy import NpyReader
from flashpan.readers.packets import Numbers, PacketTable
from flashpan.readers.sequence import find_sequence
from flashpan.readers.y4m import parse_header, read_line

_MARKER_BYTES = 512


def laid_out(
    take: TakeInfo,
    log: EventLog,
    raw: str | None,
    table: Callable[[], PacketTable],
    name_of: Callable[[str], str],
) -> Laid:
    """Say where the trim ranges of a take lie.

    Parameters
    ----------
    take : TakeInfo
        What is known of the take.
    log : EventLog
        With the ranges.
    raw : str or None
        Geometry of headerless pixels.
    table : callable
        Gives the packet table of a video; asked only where it is needed.
    name_of : callable
        Gives the name of a file below the source.
    """
    if not log.ranges:
        return Laid(form=Form.NOTHING)
    if raw is not None or take.container == "raw":
        return _raw(raw or "", log.ranges)
    if take.container == "npy":
        return _npy(take.path, log.ranges)
    if take.container == "yuv4mpegpipe":
        return _y4m(take.path, log.ranges)
    if take.container == "stills":
        return _stills(take.path, log.ranges, name_of)
    if take.container == "tiff":
        return _pages(take, log.ranges)
    return _video(take, log.ranges, table)


def whole(ranges: Iterable[TrimRange], why: str) -> Laid:
    """The whole take, since it cannot be copied in part."""
    parts = tuple(_part(kept) for kept in ranges)
    return Laid(form=Form.WHOLE, parts=parts, notes=(f"is to be copied whole: {why}",))


def _part(kept: TrimRange, spans: tuple[ByteSpan, ...] = ()) -> Part:
    return Part(
        first=kept.first,
        last=kept.last,
        events=kept.events,
        spans=spans,
        n_bytes=bytes_of(spans),
    )


def _evenly(kept: TrimRange, start: int, size: int) -> Part:
    """A range of frames that all have one size."""
    return _part(kept, (ByteSpan(start + kept.first * size, kept.n_frames * size),))


def _raw(raw: str, ranges: Iterable[TrimRange]) -> Laid:
    geometry = parse_geometry(raw)
    start, size = geometry.offset_bytes, geometry.frame_bytes
    notes = (f"a number of frames in its first {start:,} bytes is the take's",) if start else ()
    return Laid(
        form=Form.BYTES,
        parts=tuple(_evenly(kept, start, size) for kept in ranges),
        around=(ByteSpan(0, start),) if start else (),
        notes=notes,
    )


def _npy(path: str, ranges: tuple[TrimRange, ...]) -> Laid:
    with closing(NpyReader(Source(path=path))) as stack:
        places = stack.places
    if places is None:
        return whole(ranges, "its pixels lie in Fortran order, each frame all over the file")
    return Laid(
        form=Form.BYTES,
        parts=tuple(_evenly(kept, *places) for kept in ranges),
        header=NpyStore(path).start(sum(kept.n_frames for kept in ranges)),
    )


def _y4m(path: str, ranges: tuple[TrimRange, ...]) -> Laid:
    starts = frame_starts(path, max(kept.last for kept in ranges) + 1)

    def part(kept: TrimRange) -> Part:
        start, stop = int(starts[kept.first]), int(starts[kept.last + 1])
        return _part(kept, (ByteSpan(start, stop - start),))

    return Laid(
        form=Form.BYTES,
        parts=tuple(map(part, ranges)),
        around=(ByteSpan(0, int(starts[0])),),
    )


def frame_starts(path: str, n_frames: int) -> Numbers:
    """Byte at which each frame of a Y4M file begins, its ``FRAME`` line included, and the end.

    Returns
    -------
    ndarray of int64, shape (n_frames + 1,)

    Raises
    ------
    UnreadableTake
        There are not so many frames in it.
    """
    starts = np.empty(n_frames + 1, np.int64)
    with BufferedReader(FileIO(path), _MARKER_BYTES) as file:
        header = parse_header(read_line(file) or b"", path)
        size = header.luma_bytes + header.other_bytes
        starts[0] = file.tell()
        for index in range(n_frames):
            if not file.readline().startswith(b"FRAME"):
                raise UnreadableTake(f"{path}: has no whole frame {index}; read the take again")
            starts[index + 1] = file.seek(size, os.SEEK_CUR)
    return starts


def _stills(path: str, ranges: Iterable[TrimRange], name_of: Callable[[str], str]) -> Laid:
    sequence = find_sequence(path)

    def part(kept: TrimRange) -> Part:
        paths = [sequence.path(index) for index in range(kept.first, kept.last + 1)]
        return Part(
            first=kept.first,
            last=kept.last,
            events=kept.events,
            files=tuple(name_of(str(one)) for one in paths),
            n_bytes=sum(one.stat().st_size for one in paths),
        )

    return Laid(form=Form.FILES, parts=tuple(map(part, ranges)))


def _pages(take: TakeInfo, ranges: Iterable[TrimRange]) -> Laid:
    size = frame_bytes(take, None)
    parts = (
        Part(first=one.first, last=one.last, events=one.events, n_bytes=one.n_frames * size)
        for one in ranges
    )
    note = "pages of a TIFF file lie anywhere in it: only a copy of the pages can be made"
    return Laid(form=Form.PAGES, parts=tuple(parts), notes=(note,))


def _video(
    take: TakeInfo, ranges: tuple[TrimRange, ...], read_table: Callable[[], PacketTable]
) -> Laid:
    if muxer_for(take.container, os.path.splitext(take.path)[1]) is None:
        return whole(ranges, f"{take.container} files cannot be written")
    table = read_table()
    if not len(table.place) or (table.place < 0).any():
        return whole(ranges, "its container does not say where packets lie")
    size = os.stat(take.path).st_size
    try:
        parts = tuple(_of_packets(table, kept, size) for kept in ranges)
    except CutRefused:
        return whole(ranges, "its packets are no whole frames in a known order")
    return Laid(form=Form.PACKETS, parts=parts, around=_container(table, size))


def _of_packets(table: PacketTable, kept: TrimRange, size: int) -> Part:
    """A range of packets, with what lies between them."""
    copied = passage(table, Span(kept.first, kept.last + 1))
    span = _between(table.place, table.place[copied.start : copied.stop], size)
    return Part(
        first=kept.first,
        last=kept.last,
        events=kept.events,
        spans=(span,),
        packets=(copied.start, copied.stop - 1),
        head_frames=copied.head,
        tail_frames=copied.tail,
        n_bytes=span.n_bytes,
    )


def _between(places: Numbers, wanted: Numbers, size: int) -> ByteSpan:
    """From the first packet up to the next that is not wanted, else to the file's end.

    Packets of some containers have framing before or behind them that no index tells of.
    """
    first, last = int(wanted.min()), int(wanted.max())
    later = places[places > last]
    return ByteSpan(first, (int(later.min()) if len(later) else size) - first)


def _container(table: PacketTable, size: int) -> tuple[ByteSpan, ...]:
    """What lies before the first packet and behind the last: headers, and indexes."""
    first, last = int(table.place.min()), int((table.place + table.size).max())
    spans = (ByteSpan(0, first), ByteSpan(last, size - last))
    return tuple(span for span in spans if span.n_bytes > 0)
