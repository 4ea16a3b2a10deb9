"""Which packet holds which frame: the table that every cut of a video goes by.

The table is read once per take, without decoding, and serves all of its ranges.  Frames are
numbered as the reader numbers them: in the order of viewing, those left out that the
container hides or that do not decode.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import chain, islice
from typing import Any

import av
import numpy as np
import numpy.typing as npt
from av.container import InputContainer
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from flashpan.errors import CutRefused
from flashpan.model import TakeInfo
from flashpan.readers._video_decode import (
    UNKNOWN_PTS,
    Decoding,
    PacketIndex,
    is_predicted,
)
from flashpan.readers._video_index import index_table
from flashpan.readers._video_open import open_container, picture_stream
from flashpan.readers.nal import can_begin

Numbers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
_LOOKED_AT = 16
# Their decoders say of every picture whether it builds on others; many others call all of them
# whole, also where blocks are left as they were in the picture before.
_TELL = frozenset(
    {
        "av1",
        "cfhd",
        "ffv1",
        "h264",
        "hevc",
        "mpeg1video",
        "mpeg2video",
        "mpeg4",
        "png",
        "vp8",
        "vp9",
    }
)
_GUESSED = frozenset({"h264", "hevc", "vc1", "wmv3"})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PacketTable:
    """Packets of a take, in the order of the file.

    Attributes
    ----------
    path : str
        The take.
    pts : ndarray of int64, shape (packets,)
        Time stamps in ticks of the stream; the smallest number where there is none.
    place : ndarray of int64, shape (packets,)
        Byte of the file at which each begins; -1 where the container does not say.
    size : ndarray of int64, shape (packets,)
        Bytes.
    is_key, is_shown : ndarray of bool, shape (packets,)
        Marked as coded by itself; not hidden by the container.
    packet_of : ndarray of int64, shape (frames,), or None
        Packet that holds each frame; None where packets and frames do not match one to one.
    is_whole : bool
        True where every packet that is shown gives one frame, so that frames may be counted
        from any of them on.
    intra : bool
        True where every frame is coded by itself and packets come in the order of viewing.
    codec : str
        FFmpeg's name of the codec.
    """

    path: str
    pts: Numbers
    place: Numbers
    size: Numbers
    is_key: Flags
    is_shown: Flags
    packet_of: Numbers | None
    is_whole: bool
    intra: bool
    codec: str

    def frames_in_packets(self) -> Numbers:
        """Packet of each frame.

        Raises
        ------
        CutRefused
            Frames and packets do not match.
        """
        if self.packet_of is None:
            raise CutRefused(
                f"{self.path}: its packets are no whole frames in a known order; use --how exact"
            )
        return self.packet_of


def packet_table(take: TakeInfo, index: PacketIndex | None = None) -> PacketTable:
    """Read the table of a video take, or take it from what a search has noted.

    Where ``take.n_frames`` is not what the packets add up to, the take is decoded once, to
    learn which packets give frames.  Where nobody has counted them yet, every packet is taken to
    give one.
    """
    columns = _columns(take) if index is None else _named(index.table())
    codec = av.Codec(take.codec, "r")
    pts, shown = columns["pts"], columns["is_shown"]
    intra = bool((columns["is_key"].all() or codec.intra_only) and _ascend(pts))
    packet_of = _in_order(pts, np.flatnonzero(shown))
    tells = codec.canonical_name in _TELL
    is_sure = codec.intra_only or (tells and index is not None and not index.is_predicted)
    if intra and not is_sure and not (tells and index is None and _begins_intra(take.path)):
        intra, packet_of = False, None  # the container's marks are wrong, or may be
    # AVI has no time stamps of viewing: for these codecs FFmpeg guesses them, and often wrongly
    if take.container == "avi" and codec.canonical_name in _GUESSED and not intra:
        packet_of = None
    is_whole = packet_of is not None and take.n_frames in (None, len(packet_of))
    if packet_of is not None and not is_whole:
        in_order, packet_of = packet_of, _packets_of_pictures(take.path, pts, packet_of)
        is_whole = packet_of is in_order
    return PacketTable(
        path=take.path,
        **columns,
        packet_of=packet_of,
        is_whole=is_whole,
        intra=intra,
        codec=codec.canonical_name,
    )


def _begins_intra(path: str) -> bool:
    """Whether a decoder, too, finds the first frames to be coded by themselves.

    An MP4 file without a list of keyframes counts all of its frames as such.
    """
    with open_container(path) as container:
        stream = picture_stream(container, path)
        stream.codec_context.thread_type = "AUTO"
        pictures = islice(_decoding(container, stream, path).pictures(), _LOOKED_AT)
        return not any(map(is_predicted, pictures))


def _decoding(container: InputContainer, stream: VideoStream, path: str) -> Decoding:
    return Decoding(container, stream, partial(open_container, path))


def _columns(take: TakeInfo) -> dict[str, Any]:
    """Columns out of the container's index where that will do, else out of all packets."""
    with open_container(take.path) as container:
        stream = picture_stream(container, take.path)
        packets = _decoding(container, stream, take.path).packets()
        first = next(packets, None)
        # the frames of a take that has been read whole
        indexed = index_table(stream, first, take.n_frames)
        if indexed is not None:
            return _named(indexed)
        noted = PacketIndex()
        for packet in chain([first], packets):
            if packet is not None:
                noted.add(packet)
    return _named(noted.table())


def _named(table: Numbers) -> dict[str, Any]:
    pts, place, size, is_key, is_shown = (np.ascontiguousarray(column) for column in table.T)
    return {
        "pts": pts,
        "place": place,
        "size": size,
        "is_key": is_key.astype(bool),
        "is_shown": is_shown.astype(bool),
    }


def _ascend(pts: Numbers) -> bool:
    return bool((np.diff(pts) >= 0).all() and not (pts == UNKNOWN_PTS).any())


def _in_order(pts: Numbers, shown: Numbers) -> Numbers | None:
    """Packets in the order of viewing; None where time stamps do not tell it."""
    stamps = pts[shown]
    if (stamps == UNKNOWN_PTS).any():
        return None
    if _ascend(stamps):
        return shown  # on a coarse clock several frames may bear one stamp
    if len(np.unique(stamps)) < len(stamps):
        return None
    return shown[np.argsort(stamps)]


def _packets_of_pictures(path: str, pts: Numbers, in_order: Numbers) -> Numbers | None:
    """Packet of each picture that decodes, by its time stamp."""
    with open_container(path) as container:
        stream = picture_stream(container, path)
        stream.codec_context.thread_type = "AUTO"
        stamps = [picture.pts for picture in _decoding(container, stream, path).pictures()]
    if len(stamps) == len(in_order):
        return in_order
    if 2 * len(stamps) <= len(in_order) + 2:
        return None  # packets hold fields, two to a frame
    packets = {stamp: number for number, stamp in enumerate(pts.tolist())}
    if (
        len(packets) < len(pts)
        or len(set(stamps)) < len(stamps)
        or not packets.keys() >= set(stamps)
    ):
        return None
    return np.array([packets[stamp] for stamp in stamps if stamp is not None], np.int64)


def entry_packet(table: PacketTable, frame: int) -> int:
    """Packet to begin with so that ``frame`` and all after it decode.

    Returns
    -------
    int
        The nearest keyframe that is viewed no later and can be begun with; else packet 0.
    """
    wanted = table.frames_in_packets()[frame]
    if table.intra:
        return int(wanted)
    keys = np.flatnonzero(table.is_key[: wanted + 1])
    early = keys[table.pts[keys] <= table.pts[wanted]]
    for number in early[::-1].tolist():
        if number == 0 or _is_entry(table, number):
            return int(number)
    return 0


def entry_frame(table: PacketTable, frame: int) -> int:
    """Frame to begin decoding with so that ``frame`` and all after it are as in the whole take."""
    return _frames_before(table, entry_packet(table, frame))


def _is_entry(table: PacketTable, number: int) -> bool:
    if table.codec not in ("h264", "hevc"):
        return True
    return can_begin(table.codec, *packet_bytes(table, number))


def packet_bytes(table: PacketTable, number: int) -> tuple[bytes, bytes | None]:
    """What one packet holds, and the stream's header."""
    with open_container(table.path) as container:
        stream = picture_stream(container, table.path)
        _, packet = next(feed(container, stream, table, number))
        return bytes(packet), stream.codec_context.extradata


def feed(
    container: InputContainer, stream: VideoStream, table: PacketTable, start: int
) -> Iterator[tuple[int, Packet[VideoStream]]]:
    """Yield packets with their numbers, from number ``start`` to the end of the take.

    Reading begins near ``start`` where the container can be searched, else at its beginning;
    so it does where pictures have a palette, which goes with the first packet, or with any that
    changes it, and which the one at ``start`` is given.

    Parameters
    ----------
    container, stream
        Freshly opened.
    table : PacketTable
        Of the same file.
    start : int
        First packet wanted.
    """
    if start and stream.pix_fmt != "pal8" and _searchable(table, start):
        container.seek(int(table.pts[start]), stream=stream)
        packets = _decoding(container, stream, table.path).packets()
        begun = next(packets, None)
        number = -1 if begun is None else _number_at(table, begun.pos)
        if begun is not None and 0 <= number <= start:
            if number == start:
                yield number, begun
            yield from _from(packets, number + 1, start)
            return
        with open_container(table.path) as again:
            yield from _from(
                _decoding(again, picture_stream(again, table.path), table.path).packets(), 0, start
            )
        return
    yield from _from(_decoding(container, stream, table.path).packets(), 0, start)


def _from(
    packets: Iterator[Packet[VideoStream]], begun: int, start: int
) -> Iterator[tuple[int, Packet[VideoStream]]]:
    palette = None
    for number, packet in enumerate(packets, begun):
        if packet.has_sidedata("palette"):
            palette = packet.get_sidedata("palette")
        if number == start and palette is not None:
            packet.set_sidedata(palette)
        if number >= start:
            yield number, packet


def _searchable(table: PacketTable, start: int) -> bool:
    return bool(table.pts[start] != UNKNOWN_PTS and (table.place >= 0).all())


def _number_at(table: PacketTable, place: int | None) -> int:
    """Number of the packet that begins at a place of the file; -1 where that is not one."""
    found = np.flatnonzero(table.place == (-1 if place is None else place))
    return int(found[0]) if len(found) == 1 else -1


def pictures_from(table: PacketTable, frame: int) -> Generator[VideoFrame, None, None]:
    """Decode frame ``frame`` and all after it, from a freshly opened file.

    Frames are counted from a packet that can be begun with, or from the beginning of the
    take where that would not be safe.
    """
    start = entry_packet(table, frame) if table.is_whole else 0
    if start:
        pictures = _decoded(table, start)
        first = next(pictures, None)
        if first is not None and not is_predicted(first):
            yield from islice(chain([first], pictures), frame - _frames_before(table, start), None)
            return
    with open_container(table.path) as container:
        stream = picture_stream(container, table.path)
        stream.codec_context.thread_type = "AUTO"
        yield from islice(_decoding(container, stream, table.path).pictures(), frame, None)


def _frames_before(table: PacketTable, start: int) -> int:
    """Frames viewed before the first one that comes of beginning at packet ``start``."""
    packets = table.frames_in_packets()
    if table.intra:
        return int(np.searchsorted(packets, start))
    shown_early = table.is_shown & (table.pts < table.pts[start])
    return int(np.count_nonzero(shown_early)) if start else 0


def _decoded(table: PacketTable, start: int) -> Iterator[VideoFrame]:
    """Decode from a packet on, without the frames that lead it and build on earlier ones."""
    with open_container(table.path) as container:
        stream = picture_stream(container, table.path)
        stream.codec_context.thread_type = "AUTO"
        for number, packet in feed(container, stream, table, start):
            if table.intra or table.pts[number] >= table.pts[start]:
                yield from stream.codec_context.decode(packet)
        yield from stream.codec_context.decode(None)
