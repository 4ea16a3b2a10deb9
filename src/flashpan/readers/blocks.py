"""Reading a stated number of bytes, and what is believed before memory is asked for.

Plain reads are used instead of memory maps: when a card is pulled out or a file shrinks,
a read fails with an error that can be reported, but touching a map kills the process.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

Bytes = bytes | memoryview
"""Bytes of a source, as they were read."""


class ByteStream(Protocol):
    """Anything that fills a buffer: a file, a pipe, a socket's file."""

    def readinto(self, buffer: Any, /) -> int | None:
        """Fill part or all of the buffer; 0 at the end."""


def read_block(stream: ByteStream, n_bytes: int) -> npt.NDArray[np.uint8]:
    """Read exactly ``n_bytes``, or fewer where the stream ends.

    Returns
    -------
    ndarray, shape (n_bytes or less,), uint8
        A fresh array; never more bytes are asked for than are returned, so that a slow
        pipe is not waited for beyond this block.
    """
    block = np.empty(n_bytes, np.uint8)
    view = block.data
    filled = 0
    while filled < n_bytes:
        got = stream.readinto(view[filled:])
        if not got:
            break
        filled += got
    return block[:filled]


def sealed(pixels: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Pixels as frames promise them: C-contiguous, native byte order, read-only."""
    luma = np.ascontiguousarray(pixels, dtype=pixels.dtype.newbyteorder("="))
    luma.setflags(write=False)
    return luma
