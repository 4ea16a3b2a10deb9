"""Packets to pictures, past whatever is damaged."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator
from itertools import islice

import av
import numpy as np
import numpy.typing as npt
from av.container import InputContainer
from av.packet import Packet
from av.video.frame import PictureType, VideoFrame
from av.video.stream import VideoStream

from flashpan.patience import heard
from flashpan.readers._video_open import decoder_limits

_TRIES = 8
UNKNOWN_PTS = int(np.iinfo(np.int64).min)
"""Where a packet has no time stamp."""

# More pictures than threads and reordering hold back: then packets are no whole pictures
# (fields, hidden references), and missing ones say nothing.
_MOST_IN_FLIGHT = 128


class PacketIndex:
    """What is noted of every packet that is read, 24 bytes each, for cutting without another look.

    Attributes
    ----------
    is_predicted : bool
        True where a decoded picture builds on others, whatever the container says.
    is_whole : bool
        True where the stream has been read to its end.
    """

    def __init__(self) -> None:
        self._pts, self._places, self._sizes = array("q"), array("q"), array("q")
        self.is_predicted = self.is_whole = False

    def add(self, packet: Packet[VideoStream]) -> None:
        """Note one packet that holds data."""
        self._pts.append(UNKNOWN_PTS if packet.pts is None else packet.pts)
        self._places.append(-1 if packet.pos is None else packet.pos)
        self._sizes.append(packet.size << 2 | packet.is_keyframe << 1 | (not packet.is_discard))

    def table(self) -> npt.NDArray[np.int64]:
        """Time stamp, place, size, keyframe and shown of every packet, shape (packets, 5)."""
        sizes = np.array(self._sizes, np.int64)
        columns = (np.array(self._pts, np.int64), np.array(self._places, np.int64))
        return np.stack([*columns, sizes >> 2, sizes >> 1 & 1, sizes & 1], axis=1)


class Decoding:
    """Decodes one stream from its start, skipping and counting what is damaged.

    Parameters
    ----------
    container, stream
        Open, at their start, threads chosen.
    reopen : callable
        Opens the same file once more.

    Attributes
    ----------
    bytes_read : int
        Sizes of the packets so far, summed.
    n_packets, n_empty, n_hidden, n_failed, n_pictures : int
        Packets that hold data, hold none, lie outside the container's edit list, or
        do not decode; pictures that came out.
    first_failure : int or None
        Pictures that had come out when the first packet failed.
    n_partial : int
        Pictures that the decoder or the container marks as damaged, handed out all the same.
    first_partial, last_good : int or None
        Number of the first such picture, and of the last one that is none.
    position : int
        Where in the file the last packet began, as far as the container tells.
    stopped_by : str
        Why reading ended before the end of the file, or ``""``.
    index : PacketIndex or None
        Where every packet is noted.
    """

    def __init__(
        self,
        container: InputContainer,
        stream: VideoStream,
        reopen: Callable[[], InputContainer],
    ) -> None:
        self._container = container
        self.index: PacketIndex | None = None
        self._reopen = reopen
        self._stream = stream
        self.bytes_read = 0
        self.n_packets = self.n_empty = self.n_hidden = self.n_failed = self.n_pictures = 0
        self.n_partial = 0
        self.first_failure: int | None = None
        self.first_partial: int | None = None
        self.last_good: int | None = None
        self._damaged_pts: set[int] = set()
        self.position = 0
        self.stopped_by = ""
        self._flow = self.packets()

    def pass_over(self) -> bool:
        """Read the packets that are left without decoding them, for the counts.

        Every packet that is shown is taken to give a picture that is whole.

        Returns
        -------
        bool
            False where it is known already that not all do.
        """
        for _ in self._flow:
            pass
        self.n_pictures = self.n_packets - self.n_hidden
        self.last_good = self.n_pictures - 1
        return not (self.stopped_by or self.n_failed or self.n_partial or self._damaged_pts)

    def pictures(self) -> Iterator[VideoFrame]:
        """Yield every picture that decodes, the ones held back for reordering at the end too."""
        for packet in self._flow:
            yield from self._decoded(packet)
        failed = self.n_failed
        yield from self._decoded(None)
        missing = self.n_packets - self.n_hidden - failed - self.n_pictures
        if missing == 1 and self.first_failure is None:
            self.first_failure = self.n_pictures
        if 2 <= missing <= _MOST_IN_FLIGHT and self._stream.codec_context.thread_count != 1:
            yield from self._rest_on_one_thread()

    def _rest_on_one_thread(self) -> Iterator[VideoFrame]:
        """Yield the pictures that a failure kept the drained decoder from handing over.

        Threads work on several pictures at once, and when one of the last packets fails
        there is no asking for those behind it.  One thread holds none back.  A single
        picture missing is the failed one itself, so a take cut inside its last packet
        is not decoded twice.
        """
        container = self._reopen()
        try:
            stream = container.streams[self._stream.index]
            assert isinstance(stream, VideoStream)
            stream.codec_context.options = decoder_limits()
            stream.codec_context.thread_count = 1
            whole = Decoding(container, stream, self._reopen)
            yield from islice(whole.pictures(), self.n_pictures, None)
            self.n_failed, self.first_failure = whole.n_failed, whole.first_failure
            self.n_partial, self.first_partial = whole.n_partial, whole.first_partial
            self.n_pictures, self.last_good = whole.n_pictures, whole.last_good
        finally:
            container.close()

    def _decoded(self, packet: Packet[VideoStream] | None) -> list[VideoFrame]:
        try:
            pictures = self._stream.codec_context.decode(packet)
        except (av.FFmpegError, OSError, ValueError):
            self.n_failed += 1
            if self.first_failure is None:
                self.first_failure = self.n_pictures
            return []
        for picture in pictures:
            if self.index is not None and is_predicted(picture):
                self.index.is_predicted = True
            self._note_quality(picture)
            self.n_pictures += 1
        return pictures

    def _note_quality(self, picture: VideoFrame) -> None:
        damaged = picture.is_corrupt or picture.pts in self._damaged_pts
        if not damaged:
            self.last_good = self.n_pictures
            return
        self._damaged_pts.discard(picture.pts or 0)
        self.n_partial += 1
        if self.first_partial is None:
            self.first_partial = self.n_pictures

    def packets(self) -> Iterator[Packet[VideoStream]]:
        """Packets that hold data, whatever their time stamps say.

        An empty packet must not reach the decoder, which would take it for the end of the
        take; some containers write one where the camera dropped a frame.
        """
        for packet in self._demuxed():
            self.bytes_read += packet.size
            self.position = max(self.position, packet.pos or 0)
            if packet.size == 0:
                self.n_empty += 1
                continue
            self.n_packets += 1
            self.n_hidden += packet.is_discard
            if (
                packet.is_corrupt
                and packet.pts is not None
                and len(self._damaged_pts) < _MOST_IN_FLIGHT
            ):
                self._damaged_pts.add(packet.pts)
            if self.index is not None:
                self.index.add(packet)
            yield packet
        if self.index is not None:
            self.index.is_whole = True

    def _demuxed(self) -> Iterator[Packet[VideoStream]]:
        """Every packet of the stream; reading goes on after an error as long as it leads on."""
        for _ in range(_TRIES):
            before = self.n_packets
            try:
                for packet in self._container.demux(self._stream):
                    heard()
                    if packet.size or packet.pts is not None or packet.dts is not None:
                        yield packet
                return
            except IndexError:
                # The end: PyAV flushes a stream that turned up late, which it does not know.
                return
            except (av.FFmpegError, OSError, ValueError) as error:
                self.stopped_by = getattr(error, "strerror", None) or str(error)
                if self.n_packets == before:
                    return


def is_predicted(picture: VideoFrame) -> bool:
    """Whether the decoder says that a picture builds on others, whatever the container says."""
    return PictureType(picture.pict_type) in (PictureType.P, PictureType.B)
