"""A take of which only parts are read: any stretch of it, and single frames at a stride.

Where every frame is stored or coded by itself, one is fetched without the others.  Where frames are
predicted from each other, a stretch is decoded from the nearest keyframe that can be begun with,
and samples are keyframes as far as these are near enough to each other.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import chain

import av
import numpy as np
from av.video.frame import VideoFrame

from flashpan.model import Frame, TakeInfo
from flashpan.readers._video_parts import StoredPackets
from flashpan.readers.base import Reader
from flashpan.readers.packets import PacketTable, entry_frame, packet_table, pictures_from
from flashpan.readers.video import VideoReader
from flashpan.sampling import Group, Numbers, at_stride, in_groups, standing_out

# Frames by which a sample may come early where frames that no other builds on are left out: the
# longest run of B pictures that encoders write (common practice, no source).
_EARLY = 16
# Share of all frames that may be decoded only to get at what sizes point to.
_MOST_FOR_EXTRA = 0.05


class NotInParts(Exception):  # a signal: the take is to be searched whole
    """Why a take cannot be searched in parts."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Some frames of a take.

    Attributes
    ----------
    info : TakeInfo
        What they are as a take of their own.
    frames : iterator of (int, Frame or None)
        With their numbers, ascending; None where one cannot be had.
    pointed_to : tuple of int
        Other frames that sizes point to, which would be unlike the samples.
    """

    info: TakeInfo
    frames: Iterator[tuple[int, Frame | None]]
    pointed_to: tuple[int, ...] = ()


class Parts(ABC):
    """Access to a take that is not read whole.

    Attributes
    ----------
    n_frames : int
        Frames of the take.
    """

    n_frames: int

    @abstractmethod
    def stretch(self, start: int, stop: int) -> Iterator[Frame]:
        """Yield the frames from ``start`` to ``stop - 1``, without those that are left out."""

    @abstractmethod
    def samples(self, start: int, stop: int, stride: int) -> Samples:
        """Frames of which any two neighbours are at most ``stride`` apart."""

    @abstractmethod
    def finish(self) -> None:
        """Leave in the reader's ``info`` what reading the whole take leaves there."""

    def close(self) -> None:  # noqa: B027 (most hold nothing of their own)
        """Release what was opened for this."""


def parts_of(reader: Reader) -> Parts:
    """Access to the parts of an open take.

    Raises
    ------
    NotInParts
        Only reading it from the beginning leads to its frames.
    """
    fetch = reader.in_parts()
    if fetch is not None:
        return SingleFrames(reader, fetch)
    if isinstance(reader, VideoReader):
        return _by_packets(reader)
    raise NotInParts("this take's frames cannot be read one by one")


class SingleFrames(Parts):
    """A take any frame of which can be fetched by its number."""

    def __init__(self, reader: Reader, fetch: Callable[[int], Frame | None]) -> None:
        assert reader.info.n_frames is not None
        self.n_frames = reader.info.n_frames
        self._reader, self._fetch = reader, fetch

    def stretch(self, start: int, stop: int) -> Iterator[Frame]:
        """See `Parts.stretch`."""
        frames = map(self._fetch, range(start, stop))
        return (frame for frame in frames if frame is not None)

    def samples(self, start: int, stop: int, stride: int) -> Samples:
        """See `Parts.samples`."""
        sizes = self._reader.part_sizes()
        extra = np.zeros(0, np.int64)
        if sizes is not None:
            extra = standing_out(sizes, start, stop, stride)
        numbers = at_stride(start, stop, stride, extra).tolist()
        return Samples(self._reader.info, ((index, self._fetch(index)) for index in numbers))

    def finish(self) -> None:
        """See `Parts.finish`."""
        self._reader.parts_were_all()


def _by_packets(reader: VideoReader) -> Parts:
    """Access by all packets of a video, which are read once without decoding them."""
    table = packet_table(replace(reader.info, n_frames=None))
    reader.bytes_read += int(table.size.sum())
    if not table.is_whole or not table.is_shown.all():
        raise NotInParts("its packets are no whole frames in a known order")
    places = np.stack([table.pts, table.place, table.size], axis=1)
    if table.intra:
        fetch = reader.in_stored_parts(places)
        if fetch is not None:
            return SingleFrames(reader, fetch)
    else:
        stored = reader.stored_packets(places, each_alone=False)
        if stored is not None:
            return GroupsOfFrames(reader, table, stored)
    raise NotInParts("its packets do not lie in one piece each")


class GroupsOfFrames(Parts):
    """A video whose frames are predicted from each other, from keyframe to keyframe.

    Parameters
    ----------
    reader : VideoReader
        The open take.
    table : PacketTable
        Of all its packets, every one of which is taken to give a frame.
    stored : StoredPackets
        The same packets, read by their place; closed with this.
    """

    def __init__(self, reader: VideoReader, table: PacketTable, stored: StoredPackets) -> None:
        self._reader, self._table, self._stored = reader, table, stored
        self._packet_of = table.frames_in_packets()
        self.n_frames = len(self._packet_of)
        self._frame_in = np.empty(self.n_frames, np.int64)
        self._frame_in[self._packet_of] = np.arange(self.n_frames)
        self._key_packets = np.flatnonzero(table.is_key)
        self._keys = np.sort(self._frame_in[self._key_packets])

    def stretch(self, start: int, stop: int) -> Iterator[Frame]:
        """See `Parts.stretch`.

        Raises
        ------
        NotInParts
            A packet gave no frame, or another one than its own: numbers cannot be trusted.
        """
        try:
            first = entry_frame(self._table, start)
            self._count(first, stop)
            n_read = 0
            with closing(pictures_from(self._table, start)) as pictures:
                for frame in self._expected(pictures, start, stop):
                    n_read += 1
                    yield frame
        except (av.FFmpegError, OSError) as error:
            raise NotInParts(f"it cannot be decoded from its middle on ({error})") from error
        if n_read < stop - start:
            raise NotInParts("some of its packets give no frame, or its pictures change")

    def _expected(self, pictures: Iterator[VideoFrame], start: int, stop: int) -> Iterator[Frame]:
        """Frames as long as each picture is the one that its number should have."""
        stamps = self._table.pts[self._packet_of[start:stop]].tolist()
        for index, (stamp, picture) in enumerate(zip(stamps, pictures, strict=False), start):
            frame = self._reader.frame_of(picture, index)
            if frame is None or picture.pts != stamp:
                return
            yield frame

    def samples(self, start: int, stop: int, stride: int) -> Samples:
        """See `Parts.samples`."""
        extra = self._extra(start, stop, stride)
        groups = in_groups(self._keys, start, stop, stride, extra[:0])
        info = replace(self._reader.info, n_frames=self.n_frames)
        if all(group.wanted == (group.key,) for group in groups):
            # Keyframes alone are a take in which every frame is coded by itself.
            frames = chain.from_iterable(self._of_group(group, skips=False) for group in groups)
            return Samples(replace(info, intra_only=True), frames, tuple(extra.tolist()))
        skips = stride > 2 * _EARLY
        stride -= _EARLY * skips
        groups = in_groups(self._keys, start, stop, stride, extra)
        return Samples(info, chain.from_iterable(self._of_group(group, skips) for group in groups))

    def _extra(self, start: int, stop: int, stride: int) -> Numbers:
        """Frames that the sizes of predicted frames point to, where they are few."""
        sizes = self._table.size[self._packet_of].copy()
        sizes[self._keys] = 0
        extra = standing_out(sizes, start, stop, stride)
        before = self._keys[np.searchsorted(self._keys, extra, side="right") - 1]
        is_cheap = int((extra - before).sum()) <= _MOST_FOR_EXTRA * (stop - start)
        return extra if is_cheap else extra[:0]

    def _of_group(self, group: Group, skips: bool) -> Iterator[tuple[int, Frame | None]]:
        if group.wanted == (group.key,):
            self._count(group.key, group.key + 1)
            picture = self._stored.picture(int(self._packet_of[group.key]))
            yield group.key, None if picture is None else self._reader.frame_of(picture, group.key)
        else:
            self._count(group.key, group.wanted[-1] + 1)
            yield from _nearest(group.wanted, self._decoded(group, skips))

    def _decoded(self, group: Group, skips: bool) -> Iterator[Frame]:
        """Decode on from a keyframe, until nobody asks any more."""
        first = int(self._packet_of[group.key])
        after = self._key_packets[np.searchsorted(self._key_packets, first, side="right") :]
        stop = int(after[0]) if len(after) else self.n_frames
        numbers = [n for n in range(first, stop) if self._table.pts[n] >= self._table.pts[first]]
        with closing(self._stored.run(numbers, skips=skips)) as pictures:
            for number, picture in pictures:
                frame = self._reader.frame_of(picture, int(self._frame_in[number]))
                if frame is not None:
                    yield frame

    def _count(self, start: int, stop: int) -> None:
        self._reader.bytes_read += int(self._table.size[self._packet_of[start:stop]].sum())

    def finish(self) -> None:
        """See `Parts.finish`."""
        stamps = self._table.pts[self._packet_of].tolist()
        self._reader.stamps_were(stamps)

    def close(self) -> None:
        """Release file and decoder."""
        self._stored.close()


def _nearest(
    wanted: tuple[int, ...], frames: Iterator[Frame]
) -> Iterator[tuple[int, Frame | None]]:
    """Of frames in order, those that are wanted or, where one is left out, the one before it."""
    left = deque(wanted)
    last: Frame | None = None
    given = -1
    for frame in frames:
        while left and frame.index > left[0]:
            number = left.popleft()
            if last is None or last.index < given:
                yield number, None
            elif last.index > given:
                given = last.index
                yield given, last
        if left and frame.index == left[0]:
            given = left.popleft()
            yield given, frame
        if not left:
            return
        last = frame
    for number in left:
        yield number, None
