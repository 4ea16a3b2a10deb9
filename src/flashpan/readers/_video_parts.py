"""Packets of a video read by their place in the file, and decoded without those between.

The index of MP4, MOV and AVI says where every packet lies; of other containers all packets have to
be gone through once, which is quick beside decoding them.  Their bytes are then read from there and
given to a decoder of their own.  An index is used only where it has one entry for every frame that
the container declares, none of them hidden.  The first packet, read so, must be the one that the
demuxer hands out.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from fractions import Fraction
from typing import Any

import av
import numpy as np
import numpy.typing as npt
from av.container import InputContainer
from av.packet import Packet
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from flashpan.patience import heard
from flashpan.readers._video_index import index_table
from flashpan.readers._video_open import decoder_limits, open_container
from flashpan.threads import decoder_threads

# Bytes that a container may put before what it stores of a packet, at the place that it tells.
_MOST_BEFORE = 64


class StoredPackets:
    """Packets of a take by their number, and the pictures in them.

    Parameters
    ----------
    path : str
        The take.
    container, stream
        Freshly opened, for this object alone, which closes them.
    table : ndarray of int64, shape (packets, 3)
        Time stamp, place and size of every packet.
    each_alone : bool
        True where every packet is coded by itself: then a decoder waits for no other one.
    header : callable, optional
        Gives what the container leaves out at the head of a packet of some size.
    """

    def __init__(
        self,
        path: str,
        container: InputContainer,
        stream: VideoStream,
        table: npt.NDArray[np.int64],
        each_alone: bool,
        header: Callable[[int], bytes] | None = None,
    ) -> None:
        self._path, self._index = path, stream.index
        self._container, self._decoder = container, stream.codec_context
        # Threads that each take a picture would hold them back.
        self._decoder.thread_type = "SLICE"
        self._each_alone, self._header = each_alone, header or _nothing
        self._time_base = stream.time_base or Fraction(1)
        self._table = table
        self._number_at = {stamp: number for number, stamp in enumerate(self.stamps)}
        self._file = os.open(path, os.O_RDONLY)
        self._running: InputContainer | None = None

    @property
    def stamps(self) -> list[int]:
        """Time stamp of every packet."""
        stamps: list[int] = self._table[:, 0].tolist()
        return stamps

    @property
    def sizes(self) -> npt.NDArray[np.int64]:
        """Bytes of every packet."""
        return self._table[:, 2]

    def __len__(self) -> int:
        return len(self._table)

    def picture(self, number: int) -> VideoFrame | None:
        """Decode one packet by itself; None where it does not give one picture."""
        try:
            pictures = self._decoder.decode(self._packet(number, is_key=True))
            if not self._each_alone:  # it may wait for what is to come
                pictures += self._decoder.decode(None)
                self._decoder.flush_buffers()
        except (av.FFmpegError, OSError, ValueError):
            self._decoder.flush_buffers()
            return None
        return pictures[0] if len(pictures) == 1 else None

    def run(
        self, numbers: Sequence[int], *, skips: bool
    ) -> Generator[tuple[int, VideoFrame], None, None]:
        """Decode packets one after the other; yield pictures with the numbers of their packets.

        Parameters
        ----------
        numbers : sequence of int
            In the order of decoding; the first one is a keyframe.
        skips : bool
            Leave out pictures that no other builds on, as far as the stream tells.
        """
        decoder = self._running_decoder()
        decoder.skip_frame = "NONREF" if skips else "DEFAULT"
        try:
            for number in numbers:
                packet = self._packet(number, is_key=number == numbers[0])
                yield from self._numbered(decoder.decode(packet))
            yield from self._numbered(decoder.decode(None))
        except (av.FFmpegError, OSError, ValueError):
            return
        finally:
            decoder.flush_buffers()

    def _running_decoder(self) -> VideoCodecContext:
        """A second decoder, whose threads may each take a picture."""
        if self._running is None:
            self._running = open_container(self._path)
            stream = self._running.streams[self._index]
            assert isinstance(stream, VideoStream)
            stream.codec_context.options = decoder_limits()
            stream.codec_context.thread_count = decoder_threads()
            stream.codec_context.thread_type = "AUTO"
        stream = self._running.streams[self._index]
        assert isinstance(stream, VideoStream)
        return stream.codec_context

    def _numbered(self, pictures: list[VideoFrame]) -> Iterator[tuple[int, VideoFrame]]:
        for picture in pictures:
            number = self._number_at.get(picture.pts) if picture.pts is not None else None
            if number is not None:
                yield number, picture

    def _packet(self, number: int, *, is_key: bool) -> Packet[Any]:
        heard()
        stamp, place, size = self._table[number].tolist()
        header = self._header(size)
        packet = Packet(header + os.pread(self._file, size - len(header), place))
        packet.pts = packet.dts = stamp
        packet.time_base, packet.is_keyframe = self._time_base, is_key
        return packet

    def close(self) -> None:
        """Release files and decoders; may be called twice."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1
        self._container.close()
        if self._running is not None:
            self._running.close()


def indexed_packets(
    path: str, stream: VideoStream, first: Packet[VideoStream] | None
) -> npt.NDArray[np.int64] | None:
    """Time stamp, place and size of every packet, by the container's index.

    Returns
    -------
    ndarray or None
        None where the index may not tell all, or a packet is not what lies at its place.
    """
    table = index_table(stream, first, stream.frames)
    if table is None or first is None or not (np.diff(table[:, 0]) > 0).all():
        return None
    with open(path, "rb") as file:
        file.seek(int(table[0, 1]))
        if file.read(first.size) != bytes(first):
            return None
    return np.ascontiguousarray(table[:, :3])


def _nothing(size: int) -> bytes:
    return b""


def prores_header(size: int) -> bytes:
    """Size and name of a ProRes frame, which Matroska leaves out (its codec mapping V_PRORES)."""
    return size.to_bytes(4, "big") + b"icpf"


def found_packets(
    path: str,
    first: Packet[VideoStream] | None,
    table: npt.NDArray[np.int64],
    header: Callable[[int], bytes] | None = None,
) -> npt.NDArray[np.int64] | None:
    """Places of packets, corrected by what the container stores before each of them.

    Parameters
    ----------
    path : str
        The take.
    first : Packet or None
        The first packet that the demuxer hands out.
    table : ndarray of int64, shape (packets, 3)
        Time stamp, place and size of every packet as the demuxer tells them.
    header : callable, optional
        As for `StoredPackets`.

    Returns
    -------
    ndarray of int64, shape (packets, 3), or None
        None where the first packet's bytes are not found near its place in one piece, or
        packets overlap.
    """
    if first is None or not len(table) or (table[:, 1] < 0).any():
        return None
    n_left_out = len(header(first.size)) if header else 0
    with open(path, "rb") as file:
        file.seek(int(table[0, 1]))
        before = file.read(_MOST_BEFORE + first.size).find(bytes(first)[n_left_out:])
    in_file = table[np.argsort(table[:, 1])]
    if before < 0 or (np.diff(in_file[:, 1]) < in_file[:-1, 2] - n_left_out).any():
        return None
    found = table.copy()
    found[:, 1] += before
    return found
