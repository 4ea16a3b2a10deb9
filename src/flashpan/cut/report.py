"""What became of one take: every clip and copy that is there now, and what failed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Self

from flashpan.cut.base import Clip
from flashpan.cut.forms import Copy
from flashpan.errors import FlashpanError
from flashpan.model import EventLog, TrimRange

CLIP = "clip"


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """A clip, or a copy beside it, under its final name.

    Attributes
    ----------
    number : int
        The range's place in the log.
    form : str
        ``clip``, or one of `flashpan.cut.forms.Form`.
    path : Path
        A file, or a folder of stills or pictures.
    first, last : int
        Frames of the take that were asked for, inclusive.
    n_frames, n_bytes : int
        Pictures in it, and its size.
    way : str
        How it was made: of a clip see `flashpan.cut.base.Written`, else the form.
    proof : str
        ``bit for bit``; ``bit for bit but for N`` where N frames were coded anew; for copies see
        `flashpan.cut.forms.Copy`; empty where nobody looked.
    was_there : bool
        True where an earlier run had written it, and it is as it was.
    clip : Clip or None
        Everything known of a clip.
    """

    number: int
    form: str
    path: Path
    first: int
    last: int
    n_frames: int
    n_bytes: int
    way: str
    proof: str
    was_there: bool
    clip: Clip | None = None

    @classmethod
    def of_clip(cls, number: int, clip: Clip, was_there: bool = False) -> Self:
        """The report of a clip."""
        proof = "bit for bit" if clip.verified else ""
        if proof and clip.recoded_frames:
            proof += f" but for {clip.recoded_frames}"
        return cls(
            number=number,
            form=CLIP,
            path=clip.path,
            first=clip.first,
            last=clip.last,
            n_frames=clip.n_frames,
            n_bytes=clip.n_bytes,
            way=clip.how,
            proof=proof,
            was_there=was_there,
            clip=clip,
        )

    @classmethod
    def of_copy(cls, number: int, copy: Copy, was_there: bool = False) -> Self:
        """The report of a copy."""
        return cls(
            number=number,
            form=copy.form,
            path=copy.path,
            first=copy.first,
            last=copy.last,
            n_frames=copy.n_frames,
            n_bytes=copy.n_bytes,
            way=copy.form,
            proof=copy.proof,
            was_there=was_there,
        )


@dataclass(frozen=True, slots=True)
class Failed:
    """A clip or copy that could not be written, or that is not the take's frames.

    Attributes
    ----------
    number : int
        The range's place in the log.
    form : str
        See `Output`.
    error : FlashpanError
        Why.
    """

    number: int
    form: str
    error: FlashpanError


@dataclass(frozen=True, slots=True, kw_only=True)
class Trimmed:
    """The report of one take.

    Attributes
    ----------
    log : EventLog
        What the ranges were taken from.
    log_path : Path
        Where it is, in the destination.
    outputs : tuple of Output
        All that is there now, in frame order; a range's clip before its copies.
    failed : tuple of Failed
        All that is not.
    left_out : tuple of TrimRange
        Ranges that the budget left out.
    """

    log: EventLog
    log_path: Path
    outputs: tuple[Output, ...]
    failed: tuple[Failed, ...] = ()
    left_out: tuple[TrimRange, ...] = ()

    @property
    def clips(self) -> tuple[Clip, ...]:
        """The clips alone."""
        return tuple(output.clip for output in self.outputs if output.clip is not None)

    @property
    def kept_frames(self) -> int:
        """Frames of the take that are in clips; those at the clips' ends do not count twice."""
        return sum(clip.last - clip.first + 1 for clip in self.clips)

    @property
    def n_bytes(self) -> int:
        """Of all outputs."""
        return sum(output.n_bytes for output in self.outputs)
