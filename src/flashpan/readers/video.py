"""Video files: every codec and container that PyAV decodes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import chain
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt
from av.container import InputContainer
from av.packet import Packet
from av.video.frame import PictureType, VideoFrame
from av.video.stream import VideoStream

from flashpan.errors import UnreadableTake
from flashpan.limits import MAX_PIXELS
from flashpan.model import Frame, TakeInfo
from flashpan.patience import heard
from flashpan.readers._video_clock import TimeStamps
from flashpan.readers._video_decode import Decoding, PacketIndex
from flashpan.readers._video_display import orientation
from flashpan.readers._video_luma import is_limited_range, luma_source
from flashpan.readers._video_open import (
    is_cut,
    looks_like_video,
    open_container,
    picture_stream,
    require_readable,
)
from flashpan.readers._video_parts import (
    StoredPackets,
    found_packets,
    indexed_packets,
    prores_header,
)
from flashpan.readers.base import Reader, Source


class VideoReader(Reader):
    """One open video file.

    The first picture is decoded on construction, so ``info`` is sound from then on.
    ``info.rotation`` is the turn for viewing in degrees clockwise, already applied to the
    luma where it is a multiple of 90.  ``info.capture_rate`` is the one the user states:
    no open standard that these containers carry holds it.

    `frames` is a stream: a second call goes on where the first stopped.

    Attributes
    ----------
    thread_count : int
        Decoder threads, 0 for what `flashpan.threads` allows; read on construction.
    keeps_index : bool
        Note every packet for `packet_index`; to be set before frames are asked for.
    """

    name: ClassVar[str] = "video"
    priority: ClassVar[int] = 90
    thread_count: int = 0
    keeps_index: bool = False

    @classmethod
    def accepts(cls, source: Source) -> bool:
        """Say by extension or leading bytes whether this is a video file."""
        return source.raw is None and source.path != "-" and looks_like_video(source.path)

    def __init__(self, source: Source) -> None:
        self._source = source
        self._parts: StoredPackets | None = None
        self._container = open_container(source.path)
        try:
            self._begin()
        except BaseException:
            self.close()
            raise

    def _begin(self) -> None:
        self._stream = picture_stream(self._container, self._source.path)
        self._stream.codec_context.thread_type = "AUTO"
        if self.thread_count:
            self._stream.codec_context.thread_count = self.thread_count
        self._decoding = Decoding(self._container, self._stream, self._reopened)
        self._decoding.index = PacketIndex()
        pictures = self._decoding.pictures()
        first = next(pictures, None)
        if first is None:
            raise UnreadableTake(f"{self._source.path}: no picture in it decodes; {self._cure()}")
        self._pictures = chain([first], pictures)
        self._describe(first)
        self._count = 0
        self._finished = False

    def _cure(self) -> str:
        """What may help where nothing decodes."""
        again = "copy it again from the camera"
        is_size_known = bool(self._stream.codec_context.width)
        return again if is_size_known else f"{again}, or allow larger pictures: {MAX_PIXELS.cure}"

    def _reopened(self) -> InputContainer:
        return open_container(self._source.path)

    def _describe(self, first: VideoFrame) -> None:
        """Fill ``info`` from the headers and the first picture."""
        codec, stream = self._stream.codec_context.codec, self._stream
        self._orientation = orientation(first)
        try:
            self._luma = luma_source(first.format)
        except ValueError as error:
            cure = "convert the take to a YUV or gray format first"
            raise UnreadableTake(f"{self._source.path}: {error}; {cure}") from error
        self._pixels = first.format.name
        rate = stream.average_rate or stream.guessed_rate or None
        ticks = 1 / (rate * stream.time_base) if rate and stream.time_base else None
        self._clock = TimeStamps(ticks)
        self._size = (first.width, first.height)
        shape = self._orientation.apply(np.empty((first.height, first.width), np.bool_)).shape
        self.info = TakeInfo(
            path=self._source.path,
            name=Path(self._source.path).stem,
            shape=(shape[0], shape[1]),
            bit_depth=self._luma.bit_depth,
            declared_frames=self._declared_frames(rate),
            capture_rate=self._source.capture_rate,
            playback_rate=self._source.playback_rate or rate,
            trigger_frame=self._source.trigger_frame,
            time_base=stream.time_base,
            codec=codec.canonical_name,
            container=self._container.format.name,
            pixel_format=first.format.name,
            limited_range=is_limited_range(first, codec.canonical_name, self._luma.bit_depth),
            rotation=self._orientation.clockwise,
            intra_only=bool(codec.intra_only),
            warnings=tuple(self._first_warnings(first)),
        )

    def _declared_frames(self, rate: Fraction | None) -> int | None:
        """Frames by the header; by its duration where it counts whole frames of the rate."""
        stream = self._stream
        if stream.frames:
            return int(stream.frames)
        tag = stream.metadata.get("NUMBER_OF_FRAMES", "")  # Matroska statistics tag
        if tag.isdigit():
            return int(tag)
        if stream.duration and rate and stream.time_base == 1 / rate:
            return int(stream.duration)
        return None

    def _first_warnings(self, first: VideoFrame) -> Iterator[str]:
        turn = self._orientation
        if not turn.exact:
            yield f"display matrix turns by {turn.clockwise} degrees: not applied"
        elif turn.mirrored:
            yield "display matrix mirrors the picture: applied"
        if first.format.name[:-2].endswith(("f16", "f32")):
            yield "float samples: clipped to 0…1 and rounded to 16 bits"

    @property
    def packet_index(self) -> PacketIndex | None:
        """What was noted of the packets, once all have been read; None where it was not."""
        index = self._decoding.index
        return index if index is not None and index.is_whole else None

    def frames(self) -> Iterator[Frame]:
        """Yield every frame in the order of viewing; see `Reader.frames`."""
        if not self.keeps_index:
            self._decoding.index = None
        for picture in self._pictures:
            if self._changes(picture):
                break
            frame = self._frame(picture, self._count)
            self.bytes_read = self._decoding.bytes_read
            self._clock.add(frame.index, frame.pts)
            self._count += 1
            yield frame
        self._finish()

    def frames_of(self, pictures: Iterable[VideoFrame], start: int) -> Iterator[Frame]:
        """Make frames of pictures that were decoded elsewhere, from frame ``start`` on.

        Parameters
        ----------
        pictures : iterable of VideoFrame
            Of this take, in the order of viewing.
        start : int
            Number of the first one.
        """
        self._count = start
        for picture in pictures:
            if self._changes(picture):
                return
            yield self._frame(picture, self._count)
            self._count += 1

    def pass_over(self) -> int | None:
        """Read to the end without decoding, and count the packets that are shown.

        Returns
        -------
        int or None
            None where some are known not to give a whole picture.
        """
        self._pictures = chain(())
        return self._decoding.n_pictures if self._decoding.pass_over() else None

    def decoded_elsewhere(self, stamps: Sequence[int | None]) -> None:
        """After `pass_over`, leave in ``info`` what `frames` leaves there.

        Parameters
        ----------
        stamps : sequence of int or None
            Time stamp of every frame of the take, as others have decoded it.
        """
        for index, stamp in enumerate(stamps):
            self._clock.add(index, stamp)
        self._count = len(stamps)
        self._finish()

    def in_parts(self) -> Callable[[int], Frame | None] | None:
        """Any frame by its number, where the container's index says where it lies."""
        if self._parts is None:
            self._parts = self._opened_parts()
        if self._parts is None:
            return None
        return self._each_by_itself(self._parts)

    def _each_by_itself(self, parts: StoredPackets) -> Callable[[int], Frame | None]:
        self._parts = parts
        self.info = replace(self.info, n_frames=len(parts))
        return self._part

    def stored_packets(
        self, table: npt.NDArray[np.int64], *, each_alone: bool
    ) -> StoredPackets | None:
        """Packets by their place in the file; None where their bytes are not found there.

        Parameters
        ----------
        table : ndarray of int64, shape (packets, 3)
            Time stamp, place and size of every packet of the take.
        each_alone : bool
            True where every packet is a frame that is coded by itself.
        """
        path, (container, stream, first) = self._source.path, self._opened_again()
        headers = (None, prores_header) if self.info.codec == "prores" else (None,)
        for header in headers:
            found = found_packets(path, first, table, header)
            if found is not None:
                return StoredPackets(path, container, stream, found, each_alone, header)
        container.close()
        return None

    def in_stored_parts(self, table: npt.NDArray[np.int64]) -> Callable[[int], Frame | None] | None:
        """Any frame by its number, where every packet is a frame that is coded by itself."""
        if self._parts is None:
            self._parts = self.stored_packets(table, each_alone=True)
        return None if self._parts is None else self._each_by_itself(self._parts)

    def _opened_parts(self) -> StoredPackets | None:
        path, (container, stream, first) = self._source.path, self._opened_again()
        table = indexed_packets(path, stream, first)
        if table is None:
            container.close()
            return None
        return StoredPackets(path, container, stream, table, each_alone=True)

    def _opened_again(self) -> tuple[InputContainer, VideoStream, Packet[VideoStream] | None]:
        """The file opened once more, its pictures, and the first packet of them."""
        container = self._reopened()
        stream = picture_stream(container, self._source.path)
        return container, stream, next(container.demux(stream), None)

    def _part(self, index: int) -> Frame | None:
        assert self._parts is not None
        if not 0 <= index < len(self._parts):
            return None
        heard()
        picture = self._parts.picture(index)
        self.bytes_read += int(self._parts.sizes[index])
        return None if picture is None else self.frame_of(picture, index)

    def frame_of(self, picture: VideoFrame, index: int) -> Frame | None:
        """Make a frame of a picture that was decoded elsewhere; None where it is another kind.

        Parameters
        ----------
        picture : VideoFrame
            Of this take.
        index : int
            Its number.
        """
        return None if self._differs(picture) else self._frame(picture, index)

    def part_sizes(self) -> npt.NDArray[np.int64] | None:
        """Bytes of every frame's packet, once `in_parts` has looked."""
        return None if self._parts is None else self._parts.sizes

    def parts_were_all(self) -> None:
        """Tell of the clock what the container's index tells."""
        assert self._parts is not None
        self.stamps_were(self._parts.stamps)

    def stamps_were(self, stamps: Sequence[int]) -> None:
        """Tell of the clock what is known of every frame without having decoded it."""
        for index, stamp in enumerate(stamps):
            self._clock.add(index, stamp)
        variable, notes = self._clock.report()
        self._warn(*notes)
        self.info = replace(self.info, n_frames=len(stamps), variable_rate=variable)
        self._finished = True

    def _differs(self, picture: VideoFrame) -> bool:
        size = (picture.width, picture.height)
        return size != self._size or picture.format.name != self._pixels

    def _changes(self, picture: VideoFrame) -> bool:
        """Say whether the take ends here because its pictures change; warn if so."""
        if not self._differs(picture):
            return False
        size = (picture.width, picture.height)
        try:
            luma = luma_source(picture.format)
        except ValueError:
            luma = None
        if size == self._size and luma and luma.bit_depth == self._luma.bit_depth:
            self._luma, self._pixels = luma, picture.format.name
            return False
        old = f"{self._size[0]}x{self._size[1]} {self._pixels}"
        new = f"{size[0]}x{size[1]} {picture.format.name} at frame {self._count}"
        self._warn(f"pictures change from {old} to {new}: the take ends there")
        self._pictures = chain(())
        return True

    def _frame(self, picture: VideoFrame, index: int) -> Frame:
        kind = PictureType(picture.pict_type)
        return Frame(
            index=index,
            luma=_owned(self._orientation.apply(self._luma.samples(picture))),
            pts=picture.pts,
            is_keyframe=bool(picture.key_frame) or self.info.intra_only,
            picture_type="" if kind is PictureType.NONE else kind.name,
        )

    def _finish(self) -> None:
        """Put what only decoding could tell into ``info``, once."""
        if self._finished:
            return
        self._finished = True
        self.bytes_read = self._decoding.bytes_read
        variable, notes = self._clock.report()
        damage = [*self._damage(), *self._shortfall()]
        if damage:  # a disk that fails looks like a file that is cut off, and is none
            require_readable(self._source.path, self._decoding.position, self._count)
        self._warn(*damage, *notes)
        self.info = replace(self.info, n_frames=self._count, variable_rate=variable)

    def _damage(self) -> Iterator[str]:
        decoding, declared, last = self._decoding, self.info.declared_frames, self._last_good()
        if decoding.n_empty:
            yield f"{decoding.n_empty} packets are empty: frames that the recorder left out"
        if decoding.n_hidden:
            frames = "1 frame lies" if decoding.n_hidden == 1 else f"{decoding.n_hidden} frames lie"
            yield f"{frames} outside the container's edit list: left out"
        shown = decoding.n_packets - decoding.n_hidden
        lost = max(decoding.n_failed, shown - decoding.n_pictures)
        if lost > 0:
            after = decoding.first_failure
            where = f"; the first after frame {after - 1}" if after else ""
            yield f"{lost} of {decoding.n_packets} packets gave no picture{where}"
        if decoding.n_partial:
            first = decoding.first_partial
            yield f"{decoding.n_partial} frames decode only in part; the first is frame {first}"
        if decoding.stopped_by:
            yield f"reading stopped early ({decoding.stopped_by}); the last good frame is {last}"
        if declared is not None and declared != self._count:
            cut = f"; the last good frame is {last}" if declared > self._count else ""
            yield f"container declares {declared} frames, {self._count} decode{cut}"

    def _last_good(self) -> str:
        last = self._decoding.last_good
        return "none" if last is None else str(min(last, self._count - 1))

    def _shortfall(self) -> Iterator[str]:
        """Signs that the file ends before the take did, beside a count of frames."""
        container = self._container
        if is_cut(self._source.path, self.info.container):
            yield f"the file is cut off; the last good frame is {self._last_good()}"
        # Matroska states a duration, in milliseconds, but no count.
        rate, stated = self._stream.average_rate, container.duration
        matroska = self.info.container.startswith("matroska") and len(container.streams) == 1
        if not (matroska and rate and stated and self.info.declared_frames is None):
            return
        expected = int(rate * Fraction(stated, 1_000_000))
        if self._count + 1 + rate / 500 < expected:
            yield (
                f"container states about {expected} frames by its duration, {self._count} decode; "
                f"the last good frame is {self._last_good()}"
            )

    def _warn(self, *notes: str) -> None:
        self.info = replace(self.info, warnings=(*self.info.warnings, *notes))

    def close(self) -> None:
        """Release the file and the decoder."""
        parts, self._parts = self._parts, None
        if parts is not None:
            parts.close()
        self._container.close()


def _owned(luma: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Copy out of the decoder's memory: contiguous, native byte order, read-only."""
    copy = np.array(luma, dtype=luma.dtype.newbyteorder("="), order="C", copy=True)
    copy.setflags(write=False)
    return copy
