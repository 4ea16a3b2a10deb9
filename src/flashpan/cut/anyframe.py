"""Any frame of a take, in any order, as it is in the whole take.

Forward steps decode on from where the last one ended; jumps begin at the nearest picture that
can be begun with.  What was decoded on the way is remembered up to a number of bytes, so that
stepping back through a group of pictures decodes it once.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator
from typing import Self

from av.video.frame import VideoFrame

from flashpan.cut.native import NativePicture, of_frame, of_video
from flashpan.cut.source import of_still
from flashpan.errors import TakeError
from flashpan.model import Frame, TakeInfo
from flashpan.readers.base import Reader
from flashpan.readers.open import open_take
from flashpan.readers.packets import PacketTable, entry_frame, packet_table, pictures_from
from flashpan.readers.sequence import find_sequence
from flashpan.readers.stills import StillsReader
from flashpan.readers.streamed import IndexedReader
from flashpan.readers.video import VideoReader

Decoded = VideoFrame | Frame
_REMEMBERED_BYTES = 32 << 20


class AnyFrame:
    """A take of which single pictures are wanted; to be closed.

    Not for several threads at once.

    Parameters
    ----------
    take : TakeInfo
        What is known of it; its ``path`` is opened, and ``n_frames`` should be known.
    raw : str, optional
        Geometry of headerless pixels.
    table : PacketTable, optional
        Of a video, where it is there already.
    remembered_bytes : int
        How much of what was decoded is kept.

    Raises
    ------
    TakeError
        The take cannot be read.
    """

    def __init__(
        self,
        take: TakeInfo,
        raw: str | None = None,
        *,
        table: PacketTable | None = None,
        remembered_bytes: int = _REMEMBERED_BYTES,
    ) -> None:
        self.take, self._raw, self._table = take, raw, table
        self._reader = self._opened()
        self._is_video = isinstance(self._reader, VideoReader)
        self._flow: Iterator[Decoded] = iter(())
        self._next = -1
        self._most_bytes = remembered_bytes
        self._remembered: OrderedDict[int, Decoded] = OrderedDict()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the take; may be called twice."""
        self._flow = iter(())
        self._reader.close()

    def picture(self, index: int) -> NativePicture:
        """One frame in its colours, at the take's depth.

        Raises
        ------
        TakeError
            The take has no such frame, or it does not decode.
        """
        decoded = self.decoded(index)
        if isinstance(decoded, VideoFrame):
            return of_video(decoded, index, self.take.codec)
        if isinstance(self._reader, StillsReader):
            path = find_sequence(self.take.path).path(index)
            return of_still(path, decoded, self._reader.info)
        return of_frame(decoded, self._reader.info)

    def decoded(self, index: int) -> Decoded:
        """One frame as the decoder gave it, video unturned; others as their reader does.

        Raises
        ------
        TakeError
            As for `picture`.
        """
        found = self._remembered.get(index)
        if found is not None:
            self._remembered.move_to_end(index)
            return found
        if isinstance(self._reader, IndexedReader):
            return self._fetched(self._reader, index)
        return self._reached(index)

    def _fetched(self, reader: IndexedReader, index: int) -> Frame:
        frame = reader.frame_at(index) if index >= 0 else None
        if frame is None:
            raise self._missing(index)
        return frame

    def _reached(self, index: int) -> Decoded:
        if index < 0:
            raise self._missing(index)
        start = self._entry(index)
        if not self._next <= index or self._next < start:
            self._begin(start)
        for decoded in self._flow:
            here, self._next = self._next, self._next + 1
            self._remember(here, decoded)
            if here == index:
                return decoded
        self._next = -1
        raise self._missing(index)

    def _entry(self, index: int) -> int:
        """Frame to begin with so that one frame is as in the whole take."""
        if not self._is_video:
            return 0
        if self._table is None:
            self._table = packet_table(self.take)
        if not self._table.is_whole or index >= len(self._table.frames_in_packets()):
            return 0
        return entry_frame(self._table, index)

    def _begin(self, start: int) -> None:
        self._next = start
        if self._is_video and self._table is not None:
            self._flow = pictures_from(self._table, start)
        else:
            self._reader.close()
            self._reader = self._opened()
            self._flow = self._reader.frames()

    def _opened(self) -> Reader:
        return open_take(self.take.path, raw=self._raw)

    def _remember(self, index: int, decoded: Decoded) -> None:
        self._remembered[index] = decoded
        most = max(1, self._most_bytes // max(1, _bytes_of(decoded)))
        while len(self._remembered) > most:
            self._remembered.popitem(last=False)

    def _missing(self, index: int) -> TakeError:
        return TakeError(f"{self.take.path}: has no frame {index}, or it does not decode")


def _bytes_of(decoded: Decoded) -> int:
    if isinstance(decoded, Frame):
        return decoded.luma.nbytes
    return sum(plane.buffer_size for plane in decoded.planes)
