"""Measurements of a piece of a take on their way from one process to another.

A file appears under its name when it is whole.  Numbers come out as they went in, to the bit.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from flashpan.model import Frame, Tiles
from flashpan.night.arrayfile import read_arrays, write_arrays
from flashpan.readers._video_decode import UNKNOWN_PTS

_GRIDS = ("mean", "abs_diff", "sq_diff", "speck", "across", "down")


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurements:
    """What was measured of consecutive frames.

    Attributes
    ----------
    tiles : tuple of Tiles
    stamps : tuple of int or None
        Time stamp of each frame.
    picture_types : tuple of str
        As of `flashpan.model.Frame`.
    bytes_read : int
        Of the take, for these frames.
    """

    tiles: tuple[Tiles, ...]
    stamps: tuple[int | None, ...]
    picture_types: tuple[str, ...]
    bytes_read: int

    @classmethod
    def of(cls, frames: Sequence[tuple[Frame, Tiles]], bytes_read: int) -> Measurements:
        """Of frames, without their pictures."""
        return cls(
            tiles=tuple(tiles for _, tiles in frames),
            stamps=tuple(frame.pts for frame, _ in frames),
            picture_types=tuple(frame.picture_type for frame, _ in frames),
            bytes_read=bytes_read,
        )

    def __iter__(self) -> Iterator[tuple[Tiles, str]]:
        return zip(self.tiles, self.picture_types, strict=True)

    def write(self, path: Path) -> None:
        """Write them to a file."""
        part = path.with_name(f"{path.name}.{os.getpid()}.part")
        write_arrays(part, self._columns())
        part.replace(path)

    def _columns(self) -> dict[str, npt.NDArray[np.generic]]:
        stamps = [UNKNOWN_PTS if stamp is None else stamp for stamp in self.stamps]
        grids = {name: np.stack([getattr(one, name) for one in self.tiles]) for name in _GRIDS}
        return {
            **grids,
            "index": np.array([one.index for one in self.tiles], np.int64),
            "has_previous": np.array([one.has_previous for one in self.tiles]),
            "refreshed": np.array([one.refreshed for one in self.tiles]),
            "stamps": np.array(stamps, np.int64),
            "picture_types": np.array(self.picture_types, "U4"),
            "bytes_read": np.array(self.bytes_read, np.int64),
        }


def read_measurements(path: Path) -> Measurements:
    """Read what `Measurements.write` has written."""
    columns = read_arrays(path)
    tiles = tuple(
        Tiles(
            index=int(index),
            has_previous=bool(columns["has_previous"][row]),
            refreshed=bool(columns["refreshed"][row]),
            **{name: columns[name][row] for name in _GRIDS},
        )
        for row, index in enumerate(columns["index"])
    )
    return Measurements(
        tiles=tiles,
        stamps=tuple(None if s == UNKNOWN_PTS else s for s in columns["stamps"].tolist()),
        picture_types=tuple(columns["picture_types"].tolist()),
        bytes_read=int(columns["bytes_read"]),
    )
