"""Readers of the benchmarks: an invented take without a file, and one that looks on."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy.typing as npt

from flashpan.model import Frame, TakeInfo
from flashpan.readers.base import Reader, Source
from sample_generators import Take

Look = Callable[[npt.NDArray[Any]], None]


class InventedReader(Reader):
    """Renders an invented take frame by frame; memory does not grow with its length."""

    name = "invented"

    def __init__(self, take: Take) -> None:
        self._take = take
        self.info = TakeInfo(
            path=f"invented {take.name}",
            name=take.name,
            shape=take.shape,
            bit_depth=take.bit_depth,
            n_frames=len(take),
            capture_rate=take.capture_rate,
        )

    @classmethod
    def accepts(cls, source: Source) -> bool:
        """No file is an invented take."""
        return False

    def frames(self) -> Iterator[Frame]:
        """Yield every frame."""
        for index, luma in enumerate(self._take):
            luma.flags.writeable = False
            yield Frame(index=index, luma=luma)

    def close(self) -> None:
        """Nothing is held."""


class WatchedReader(Reader):
    """Another reader's frames, each shown to an onlooker first: two methods, one decoding."""

    name = "watched"

    def __init__(self, reader: Reader, look: Look) -> None:
        self._reader = reader
        self._look = look
        self.info = reader.info

    @classmethod
    def accepts(cls, source: Source) -> bool:
        """It is never asked for by name."""
        return False

    def frames(self) -> Iterator[Frame]:
        """Yield every frame."""
        for frame in self._reader.frames():
            self._look(frame.luma)
            yield frame
        self.info = self._reader.info
        self.bytes_read = self._reader.bytes_read

    def close(self) -> None:
        """Close the reader that is watched."""
        self._reader.close()
