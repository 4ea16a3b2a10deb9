"""Pictures and takes for the reader tests; invented noise, seeded."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from flashpan.model import Frame
from flashpan.readers.base import Reader
from flashpan.readers.open import open_take

Pixels = npt.NDArray[Any]


def noise(*shape: int, bits: int = 8, seed: int = 1) -> Pixels:
    """Random pixels that use every bit."""
    rng = np.random.default_rng(seed)
    return rng.integers(0, 1 << bits, shape).astype(np.uint8 if bits <= 8 else np.uint16)


def read_all(path: str | Path, **options: Any) -> tuple[Reader, list[Frame]]:
    """Every frame of a take, and its closed reader."""
    with open_take(path, **options) as reader:
        frames = list(reader)
    reader.close()
    return reader, frames


def assert_frames(frames: list[Frame], expected: Pixels | list[Pixels]) -> None:
    """Frames equal the expected pictures bit for bit, and keep what `Frame` promises."""
    assert [frame.index for frame in frames] == list(range(len(expected)))
    for frame, picture in zip(frames, expected, strict=True):
        assert frame.luma.dtype == picture.dtype.newbyteorder("=")
        np.testing.assert_array_equal(frame.luma, picture)
        assert_sealed(frame)


def assert_sealed(frame: Frame) -> None:
    """Luma is C-contiguous, of native byte order and read-only."""
    assert frame.luma.flags.c_contiguous
    assert not frame.luma.flags.writeable
    assert frame.luma.dtype.isnative


def slow_rec709(rgb: Pixels) -> Pixels:
    """BT.709 luma, one pixel at a time, in exact integers."""
    luma = np.empty(rgb.shape[:-1], rgb.dtype)
    for at in np.ndindex(luma.shape):
        red, green, blue = (int(value) for value in rgb[at])
        luma[at] = (2126 * red + 7152 * green + 722 * blue + 5000) // 10000
    return luma
