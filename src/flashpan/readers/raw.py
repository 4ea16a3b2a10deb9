"""Headerless pixel files, whose geometry only the user can know."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from flashpan.errors import UnreadableTake
from flashpan.model import Frame
from flashpan.readers.base import Source
from flashpan.readers.blocks import read_block, sealed
from flashpan.readers.geometry import RawGeometry, parse_geometry
from flashpan.readers.streamed import EndOfTake, IndexedReader, describe


class RawReader(IndexedReader):
    """Frames of one fixed size, one after the other, after an optional header.

    Raises
    ------
    UsageError
        The geometry is malformed.
    UnreadableTake
        The file's size is no whole number of frames, or its values do not fit the format.
    """

    name: ClassVar[str] = "raw"
    priority: ClassVar[int] = 20

    @classmethod
    def accepts(cls, source: Source) -> bool:
        """Whenever a geometry is given."""
        return source.raw is not None

    def __init__(self, source: Source) -> None:
        self._geometry = parse_geometry(source.raw or "")
        if Path(source.path).is_dir():
            raise UnreadableTake(f"{source.path}: a folder; --raw needs one file of pixels")
        self._n_frames = whole_frames(source.path, self._geometry)
        self._file = open(source.path, "rb", buffering=0)  # noqa: SIM115 (closed by close)
        pixel_format = self._geometry.pixel_format
        self.info = describe(
            source,
            name=Path(source.path).stem,
            shape=(self._geometry.rows, self._geometry.cols),
            bit_depth=pixel_format.bits,
            n_frames=self._n_frames,
            declared_frames=self._n_frames,
            codec="raw",
            container="raw",
            pixel_format=pixel_format.name,
        )
        self._refuse_wrong_format()

    def _refuse_wrong_format(self) -> None:
        try:
            peak = int(self._picture(0).max())
        except EndOfTake as end:
            raise UnreadableTake(f"{self.info.path}: {end.reason}") from None
        finally:
            self.bytes_read = 0
        if peak > self.info.full_scale:
            self.close()
            raise UnreadableTake(
                f"{self.info.path}: holds the value {peak}, too large for "
                f"{self.info.pixel_format}; check FORMAT and OFFSET, or give the 16-bit format"
            )

    def _picture(self, index: int) -> npt.NDArray[Any]:
        if index >= self._n_frames:
            raise EndOfTake
        size = self._geometry.frame_bytes
        self._file.seek(self._geometry.offset_bytes + index * size)
        data = read_block(self._file, size)
        self.bytes_read += len(data)
        if len(data) < size:
            raise EndOfTake(f"the file ended inside frame {index}, while it was read")
        return self._geometry.picture(data)

    def _fetch(self, index: int) -> Frame | None:
        picture, clipped = within(self._picture(index), self._geometry)
        if clipped:
            self._warn(_CLIPPED.format(index=index, white=self.info.full_scale))
        return Frame(index=index, luma=sealed(picture))

    def close(self) -> None:
        """Close the file."""
        self._file.close()


_CLIPPED = "values above {white} from frame {index} on are taken as {white}: check the format"


def whole_frames(path: str, geometry: RawGeometry) -> int:
    """Count the frames in a file of headerless pixels; its size must divide."""
    total = os.stat(path).st_size - geometry.offset_bytes
    n_frames, rest = divmod(max(total, 0), geometry.frame_bytes)
    if rest or not n_frames:
        raise UnreadableTake(
            f"{path}: {max(total, 0)} bytes"
            f"{f' after +{geometry.offset_bytes}' if geometry.offset_bytes else ''} are no whole "
            f"number of {geometry.frame_bytes}-byte frames of {geometry.cols}x{geometry.rows} "
            f"{geometry.pixel_format.name} ({n_frames} and {rest} bytes over): cut short or wrong "
            "geometry; check WIDTHxHEIGHT and FORMAT, or pass the header's size as +OFFSET"
        )
    return n_frames


def within(picture: npt.NDArray[Any], geometry: RawGeometry) -> tuple[npt.NDArray[Any], bool]:
    """Bring stray high bits of a 16-bit container down to white; say whether there were any."""
    bits = geometry.pixel_format.bits
    if geometry.pixel_format.layout != "words" or bits == 16:
        return picture, False
    white = np.uint16((1 << bits) - 1)
    if int(picture.max()) <= white:
        return picture, False
    return np.minimum(picture, white), True
