"""Takes whose files hold frames one after the other: raw pixels, ``.npy``, Y4M.

Their clips are the very bytes of the frames, behind a header that is right for the clip.
"""

from __future__ import annotations

import hashlib
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from contextlib import closing
from io import BytesIO
from pathlib import Path
from typing import ClassVar

from numpy.lib import format as npy_format

from flashpan.cut.base import Cut, Written
from flashpan.errors import UnreadableTake
from flashpan.ranges import Span
from flashpan.readers.base import Source
from flashpan.readers.blocks import Bytes, read_block
from flashpan.readers.geometry import RawGeometry, parse_geometry
from flashpan.readers.npy import NpyReader
from flashpan.readers.raw import whole_frames
from flashpan.readers.y4m import parse_header, read_line

Pieces = tuple[Bytes, ...]


def pieces_md5(pieces: Pieces) -> str:
    """MD5 of one frame's bytes."""
    digest = hashlib.md5(usedforsecurity=False)
    for piece in pieces:
        digest.update(piece)
    return digest.hexdigest()


class Store(ABC):
    """One file of frames, opened afresh for every passage through it."""

    suffix: ClassVar[str] = ""

    def __init__(self, path: str) -> None:
        self.path = path

    @abstractmethod
    def start(self, n_frames: int) -> bytes:
        """What a clip of this many frames begins with."""

    @abstractmethod
    def frames(self, span: Span | None = None) -> Iterator[Pieces]:
        """Bytes of each frame, in pieces; of all frames by default."""

    def hashes(self) -> tuple[str, ...]:
        """MD5 of each frame's bytes."""
        return tuple(map(pieces_md5, self.frames()))

    def _cut_short(self, index: int) -> UnreadableTake:
        return UnreadableTake(f"{self.path}: has no whole frame {index}; read the take again")


class RawStore(Store):
    """Headerless pixels.

    Parameters
    ----------
    path : str
    geometry : RawGeometry
        As the user gave it.
    """

    def __init__(self, path: str, geometry: RawGeometry) -> None:
        super().__init__(path)
        self._geometry = geometry

    def start(self, n_frames: int) -> bytes:
        """Nothing: what the take has before its frames may speak of their number."""
        return b""

    def frames(self, span: Span | None = None) -> Iterator[Pieces]:
        """See `Store.frames`."""
        size, offset = self._geometry.frame_bytes, self._geometry.offset_bytes
        first, stop = span or (0, whole_frames(self.path, self._geometry))
        with open(self.path, "rb", buffering=0) as file:
            file.seek(offset + first * size)
            for index in range(first, stop):
                block = read_block(file, size)
                if len(block) < size:
                    raise self._cut_short(index)
                yield (block.data,)


class NpyStore(Store):
    """A ``.npy`` stack; the clip's is in C order."""

    suffix = ".npy"

    def start(self, n_frames: int) -> bytes:
        """The header of an array of ``n_frames`` pictures."""
        with closing(NpyReader(Source(path=self.path))) as reader:
            picture = reader.stored(0)
        header = BytesIO()
        about = {
            "descr": npy_format.dtype_to_descr(picture.dtype),
            "fortran_order": False,
            "shape": (n_frames, *picture.shape),
        }
        npy_format.write_array_header_1_0(header, about)
        return header.getvalue()

    def frames(self, span: Span | None = None) -> Iterator[Pieces]:
        """See `Store.frames`."""
        with closing(NpyReader(Source(path=self.path))) as reader:
            first, stop = span or (0, reader.info.n_frames or 0)
            if stop > (reader.info.n_frames or 0):
                raise self._cut_short(stop - 1)
            for index in range(first, stop):
                yield (reader.stored(index).tobytes(),)


class Y4mStore(Store):
    """A YUV4MPEG2 file, colour and all."""

    suffix = ".y4m"

    def start(self, n_frames: int) -> bytes:
        """The take's own first line."""
        with open(self.path, "rb") as file:
            return file.readline()

    def frames(self, span: Span | None = None) -> Iterator[Pieces]:
        """See `Store.frames`."""
        with open(self.path, "rb") as file:
            header = parse_header((read_line(file) or b""), self.path)
            size = header.luma_bytes + header.other_bytes
            index = 0
            while span is None or index < span.stop:
                marker = file.readline()
                if not marker and span is None:
                    return
                if span is not None and index < span.start:
                    file.seek(size, 1)
                else:
                    yield self._whole(index, marker, read_block(file, size).data, size)
                index += 1

    def _whole(self, index: int, marker: bytes, block: Bytes, size: int) -> Pieces:
        if marker.rstrip(b"\n").split(b" ")[0] != b"FRAME" or len(block) < size:
            raise self._cut_short(index)
        return marker, block


def store_of(cut: Cut, path: Path | None = None) -> Store:
    """The store of a take, or of a clip of it at ``path``."""
    at = cut.take.path if path is None else str(path)
    if cut.take.container == "npy":
        return NpyStore(at)
    if cut.take.container == "yuv4mpegpipe":
        return Y4mStore(at)
    geometry = clip_geometry(cut.raw or "") if path else cut.raw or ""
    return RawStore(at, parse_geometry(geometry))


def clip_geometry(raw: str) -> str:
    """The geometry of a clip of raw pixels, which has nothing before its frames."""
    return raw.partition("+")[0]


def copy_bytes(cut: Cut, part: Path) -> Written:
    """Write the frames of a range to ``part``, byte for byte."""
    store = store_of(cut)
    return write_frames(cut, store.start(cut.n_frames), store.frames(cut.span), part)


def write_frames(cut: Cut, start: bytes, frames: Iterable[Pieces], part: Path) -> Written:
    """Write a header and frames to ``part``; each frame's MD5 is taken on the way."""
    hashes = []
    n_frames = 0
    with part.open("wb") as file:
        file.write(start)
        for pieces in frames:
            for piece in pieces:
                file.write(piece)
            if cut.verify:
                hashes.append(pieces_md5(pieces))
            n_frames += 1
    geometry = clip_geometry(cut.raw) if cut.raw else None
    return Written(how="bytes", n_frames=n_frames, hashes=tuple(hashes), geometry=geometry)
