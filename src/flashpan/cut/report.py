"""What became of one take: every clip and copy that is there now, and what failed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from flashpan.cut.base import Clip
from flashpan.cut.forms import Copy
from flashpan.errors import FlashpanError
from flashpan.model import EventLog, TrimRange

CLIP = "clip"


@dataclass(frozen=True, slots=True)
class Output:
    """A clip, or a copy beside it, under its final name.

    Attributes
    ----------
    number : int
        The range's place in the log.
    made : Clip or Copy
        Everything known of it.
    was_there : bool
        True where an earlier run had written it, and it is as it was.
    """

    number: int
    made: Clip | Copy
    was_there: bool = False

    @property
    def clip(self) -> Clip | None:
        """The clip; None where it is a copy."""
        return self.made if isinstance(self.made, Clip) else None

    @property
    def form(self) -> str:
        """``clip``, or one of `flashpan.cut.forms.Form`."""
        return CLIP if isinstance(self.made, Clip) else self.made.form

    @property
    def way(self) -> str:
        """How it was made: of a clip see `flashpan.cut.base.Written`, else the form."""
        return self.made.how if isinstance(self.made, Clip) else self.made.form

    @property
    def path(self) -> Path:
        """A file, or a folder of stills or pictures."""
        return self.made.path

    @property
    def first(self) -> int:
        """First frame of the take that was asked for."""
        return self.made.first

    @property
    def last(self) -> int:
        """Last frame of the take that was asked for, inclusive."""
        return self.made.last

    @property
    def n_frames(self) -> int:
        """Pictures in it."""
        return self.made.n_frames

    @property
    def n_bytes(self) -> int:
        """Its size."""
        return self.made.n_bytes

    @property
    def proof(self) -> str:
        """What was proved; empty where nobody looked.  See `Clip.proof` and `Copy`."""
        return self.made.proof


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
