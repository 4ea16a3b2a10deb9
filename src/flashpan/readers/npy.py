"""``.npy`` stacks: (frames, rows, cols) or (frames, rows, cols, 3), 8 or 16 bits."""

from __future__ import annotations

import os
from dataclasses import dataclass
from math import prod
from pathlib import Path
from tokenize import TokenError
from typing import Any, BinaryIO, ClassVar

import numpy as np
import numpy.typing as npt
from numpy.lib import format as npy_format

from flashpan.errors import UnreadableTake, quoted
from flashpan.limits import believable, why_not_believable
from flashpan.model import Frame
from flashpan.readers.base import Source
from flashpan.readers.blocks import read_block, sealed
from flashpan.readers.luma import rec709
from flashpan.readers.picture import reason_of
from flashpan.readers.streamed import EndOfTake, IndexedReader, describe
from flashpan.units import MOST_FRAMES

_MAGIC = b"\x93NUMPY"
_BLOCK_BYTES = 32 << 20


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where the pixels of a stack lie in its file."""

    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    fortran: bool
    offset_bytes: int

    @property
    def frame_bytes(self) -> int:
        return prod(self.shape[1:]) * self.dtype.itemsize


class NpyReader(IndexedReader):
    """A stack of pictures in one NumPy file; bit depth 8 or 16, by the type.

    Pickled objects are refused: unpickling runs code.  In a Fortran-ordered file a frame's
    pixels lie scattered over the whole file, so such a take is read in blocks of frames.

    Raises
    ------
    UnreadableTake
        The array is no stack of 8- or 16-bit pictures; the message names the cure.
    """

    name: ClassVar[str] = "npy"
    priority: ClassVar[int] = 30

    @classmethod
    def accepts(cls, source: Source) -> bool:
        """By the leading bytes, or by the name so that a damaged file is named as such."""
        path = Path(source.path)
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return file.read(6) == _MAGIC or path.suffix.lower() == ".npy"

    def __init__(self, source: Source) -> None:
        self._path = source.path
        with open(source.path, "rb") as file:
            self._layout = _read_layout(file, source.path)
        self._n_frames = self._whole_frames()
        self._block_start, self._block = 0, np.empty((0,), self._layout.dtype)
        self._file = open(source.path, "rb", buffering=0)  # noqa: SIM115 (closed by close)
        rows, cols = self._layout.shape[1:3]
        self.info = describe(
            source,
            name=Path(source.path).stem,
            shape=(rows, cols),
            bit_depth=8 * self._layout.dtype.itemsize,
            n_frames=self._n_frames,
            declared_frames=self._layout.shape[0],
            codec="npy",
            container="npy",
            pixel_format="rgb" if len(self._layout.shape) == 4 else "gray",
        )

    def _whole_frames(self) -> int:
        layout = self._layout
        there = os.stat(self._path).st_size - layout.offset_bytes
        if layout.fortran and there < layout.shape[0] * layout.frame_bytes:
            there = 0  # the missing tail holds pixels of every frame
        whole = min(there // layout.frame_bytes, layout.shape[0])
        if not whole:
            raise UnreadableTake(f"{self._path}: cut short before the first whole frame; copy anew")
        return whole

    def _fetch(self, index: int) -> Frame | None:
        if index >= self._n_frames:
            raise EndOfTake(self._shortfall())
        stored = self.stored(index)
        self.bytes_read += self._layout.frame_bytes
        native = stored.astype(stored.dtype.newbyteorder("="), copy=False)
        if native.ndim == 3:
            native = rec709(native[..., 0], native[..., 1], native[..., 2])
        return Frame(index=index, luma=sealed(native))

    def stored(self, index: int) -> npt.NDArray[Any]:
        """One frame as the file holds it, shape (rows, cols) or (rows, cols, 3)."""
        return self._scattered(index) if self._layout.fortran else self._contiguous(index)

    @property
    def places(self) -> tuple[int, int] | None:
        """Byte at which frame 0 begins, and bytes of a frame; None where frames are scattered."""
        layout = self._layout
        return None if layout.fortran else (layout.offset_bytes, layout.frame_bytes)

    def _shortfall(self) -> str:
        declared = self._layout.shape[0]
        if self._n_frames == declared:
            return ""
        return f"cut short: {self._n_frames} of {declared} frames are there"

    def _contiguous(self, index: int) -> npt.NDArray[Any]:
        size = self._layout.frame_bytes
        self._file.seek(self._layout.offset_bytes + index * size)
        data = read_block(self._file, size)
        if len(data) < size:
            raise EndOfTake(f"the file ended inside frame {index}, while it was read")
        stored: npt.NDArray[Any] = data.view(self._layout.dtype)
        return stored.reshape(self._layout.shape[1:])

    def _scattered(self, index: int) -> npt.NDArray[Any]:
        """One frame of a Fortran-ordered stack, from a block of frames kept in memory."""
        if not self._block_start <= index < self._block_start + len(self._block):
            layout = self._layout
            mapped = np.memmap(
                self._path, layout.dtype, "r", layout.offset_bytes, layout.shape, "F"
            )
            stop = index + max(1, _BLOCK_BYTES // layout.frame_bytes)
            self._block_start = index
            self._block = np.array(mapped[index:stop], order="C")
        frame: npt.NDArray[Any] = self._block[index - self._block_start]
        return frame.copy()

    def close(self) -> None:
        """Close the file and let the block go."""
        self._file.close()
        self._block = np.empty((0,), self._layout.dtype)


def _read_layout(file: BinaryIO, path: str) -> _Layout:
    try:
        if not os.fstat(file.fileno()).st_size:
            raise UnreadableTake(f"{path}: the file is empty; save it anew")
        version = npy_format.read_magic(file)
        if version == (1, 0):
            shape, fortran, dtype = npy_format.read_array_header_1_0(file)
        else:
            shape, fortran, dtype = npy_format.read_array_header_2_0(file)
    except (ValueError, EOFError, SyntaxError, TypeError, TokenError, OverflowError) as error:
        reason = reason_of(error)
        raise UnreadableTake(f"{path}: damaged .npy header ({reason}); save it anew") from None
    _refuse(path, tuple(shape), dtype)
    return _Layout(tuple(shape), dtype, fortran, file.tell())


def _refuse(path: str, shape: tuple[int, ...], dtype: np.dtype[Any]) -> None:
    """Say why an array is no take, and what to do about it."""
    if dtype.hasobject:
        raise UnreadableTake(f"{path}: holds pickled objects, which could run code; save uint8")
    if dtype.kind == "b":
        raise UnreadableTake(f"{path}: holds booleans; save array.astype('uint8') * 255")
    if dtype.kind != "u" or dtype.itemsize > 2:
        raise UnreadableTake(f"{path}: holds {dtype}; scale to uint8 or uint16 and save that")
    if len(shape) not in (3, 4) or (len(shape) == 4 and shape[3] != 3):
        raise UnreadableTake(
            f"{path}: shape {shape} is no (frames, rows, cols) or (frames, rows, cols, 3); reshape"
        )
    if len(shape) == 3 and shape[2] in (3, 4) and shape[0] > 4:
        raise UnreadableTake(
            f"{path}: shape {shape} looks like one colour picture; save (frames, rows, cols, 3)"
        )
    if shape[0] < 1:
        raise UnreadableTake(f"{path}: shape {shape} holds no picture; save at least one")
    if shape[0] > MOST_FRAMES:
        raise UnreadableTake(f"{path}: no take has {quoted(shape[0])} frames; save it anew")
    if not believable(shape[1], shape[2]):
        raise UnreadableTake(f"{path}: shape {shape}: {why_not_believable(shape[1], shape[2])}")
