"""Single pictures of a video in which each is coded by itself, without reading the others.

The index of MP4, MOV and AVI says where every packet lies.  Its bytes are read from there and given
to a decoder of their own.  That is done only where the index has one entry for every frame
that the container declares, none of them hidden, and where the first packet, read so, is the one
that the demuxer hands out.
"""

from __future__ import annotations

import os
from fractions import Fraction

import av
import numpy as np
import numpy.typing as npt
from av.container import InputContainer
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from flashpan.readers._video_index import index_table


class PictureParts:
    """Any picture of a take by its number.

    Parameters
    ----------
    path : str
        The take.
    container, stream
        Freshly opened, for this object alone, which closes them.
    table : ndarray of int64, shape (frames, 3)
        Time stamp, place and size of every packet.
    """

    def __init__(
        self,
        path: str,
        container: InputContainer,
        stream: VideoStream,
        table: npt.NDArray[np.int64],
    ) -> None:
        self._container, self._decoder = container, stream.codec_context
        # Threads that each take a picture would hold them back.
        self._decoder.thread_type = "SLICE"
        self._time_base = stream.time_base or Fraction(1)
        self._table = table
        self._file = os.open(path, os.O_RDONLY)

    @property
    def stamps(self) -> list[int]:
        """Time stamp of every frame."""
        stamps: list[int] = self._table[:, 0].tolist()
        return stamps

    def __len__(self) -> int:
        return len(self._table)

    def size(self, index: int) -> int:
        """Bytes of a frame's packet."""
        return int(self._table[index, 2])

    def picture(self, index: int) -> VideoFrame | None:
        """Decode one picture; None where it does not decode."""
        stamp, place, size = self._table[index].tolist()
        packet = Packet(os.pread(self._file, size, place))
        packet.pts = packet.dts = stamp
        packet.time_base = self._time_base
        try:
            pictures = self._decoder.decode(packet)
        except (av.FFmpegError, OSError, ValueError):
            return None
        return pictures[0] if len(pictures) == 1 else None

    def close(self) -> None:
        """Release file and decoder."""
        os.close(self._file)
        self._container.close()


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
