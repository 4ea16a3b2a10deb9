"""The reader protocol: one small class per kind of source.

A reader streams a take in constant memory.  It is registered under the entry-point
group ``flashpan.readers``; built-in readers come in by the same door.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from types import TracebackType
from typing import ClassVar, Self

import numpy as np
import numpy.typing as npt

from flashpan.model import Frame, TakeInfo


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """What the user asked to open.

    Attributes
    ----------
    path : str
        File, folder, numbered pattern (``shot_%06d.tif`` or ``shot_*.tif``) or ``-``.
    raw : str or None
        Geometry of headerless pixels, ``WIDTHxHEIGHT:FORMAT[+OFFSET]``.
    capture_rate, playback_rate : Fraction or None
        Rates that the user states; they win over what the file says.
    trigger_frame : int or None
        Frame that the camera calls time zero.
    """

    path: str
    raw: str | None = None
    capture_rate: Fraction | None = None
    playback_rate: Fraction | None = None
    trigger_frame: int | None = None


class Reader(ABC):
    """One open take.

    ``info`` is known from construction on, with ``n_frames`` ``None`` where only
    decoding can tell; once `frames` is exhausted ``info`` holds the exact count and every
    warning met on the way.

    A constructor raises `flashpan.errors.UnreadableTake`, in one line that names the file
    and the cure, when nothing can be read; damage met later ends the take with a warning
    (``info.warnings``), never with an exception, once one frame has been delivered.
    """

    name: ClassVar[str]
    """The name it is registered under."""
    priority: ClassVar[int] = 50
    """Readers are asked in ascending order."""

    info: TakeInfo
    bytes_read: int = 0
    """Bytes of the source consumed so far."""

    @classmethod
    @abstractmethod
    def accepts(cls, source: Source) -> bool:
        """Say cheaply (name, a few leading bytes) whether this reader is the one for it."""

    @abstractmethod
    def __init__(self, source: Source) -> None:
        """Open the source read-only."""

    @abstractmethod
    def frames(self) -> Iterator[Frame]:
        """Yield every frame in file order, once, in constant memory."""

    def in_parts(self) -> Callable[[int], Frame | None] | None:
        """Say how to fetch any frame without touching the others.

        Returns
        -------
        callable or None
            Gives a frame by its number, None where it is left out.  ``info.n_frames`` is then
            known.  None where only `frames` leads to a frame.
        """
        return None

    def part_sizes(self) -> npt.NDArray[np.int64] | None:
        """Bytes of every frame as it is stored, where `in_parts` found them without decoding.

        Returns
        -------
        ndarray of int64, shape (n_frames,), or None
            None where nobody knows, or where all are of one size.
        """
        return None

    def parts_were_all(self) -> None:  # noqa: B027 (most readers know all of it when opened)
        """Leave in ``info`` what `frames` leaves there, after a take was read in parts only."""

    @abstractmethod
    def close(self) -> None:
        """Release files and decoders; may be called twice."""

    def __iter__(self) -> Iterator[Frame]:
        return self.frames()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
