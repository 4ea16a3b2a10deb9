"""Packets to pictures, past whatever is damaged."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import islice

import av
from av.container import InputContainer
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

_TRIES = 8

# More pictures than threads and reordering hold back: then packets are no whole pictures
# (fields, hidden references), and missing ones say nothing.
_MOST_IN_FLIGHT = 128


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
    stopped_by : str
        Why reading ended before the end of the file, or ``""``.
    """

    def __init__(
        self,
        container: InputContainer,
        stream: VideoStream,
        reopen: Callable[[], InputContainer],
    ) -> None:
        self._container = container
        self._reopen = reopen
        self._stream = stream
        self.bytes_read = 0
        self.n_packets = self.n_empty = self.n_hidden = self.n_failed = self.n_pictures = 0
        self.n_partial = 0
        self.first_failure: int | None = None
        self.first_partial: int | None = None
        self.last_good: int | None = None
        self._damaged_pts: set[int] = set()
        self.stopped_by = ""

    def pictures(self) -> Iterator[VideoFrame]:
        """Yield every picture that decodes, the ones held back for reordering at the end too."""
        for packet in self.packets():
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
            yield packet

    def _demuxed(self) -> Iterator[Packet[VideoStream]]:
        """Every packet of the stream; reading goes on after an error as long as it leads on."""
        for _ in range(_TRIES):
            before = self.n_packets
            try:
                for packet in self._container.demux(self._stream):
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
