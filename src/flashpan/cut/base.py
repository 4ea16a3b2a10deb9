"""What is to be cut, and the report of a clip that was written."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from enum import StrEnum
from fractions import Fraction
from pathlib import Path
from typing import Any, Self

from flashpan.model import TakeInfo
from flashpan.ranges import Span, inclusive
from flashpan.units import real_time


class How(StrEnum):
    """What becomes of the frames of a video.

    Attributes
    ----------
    AUTO
        `COPY` where every frame is coded by itself, else `EXACT`: never a bit is lost.
    COPY
        Packets as they are.  Where frames build on others, the clip begins at the nearest
        frame before that one can begin with.
    BRIDGE
        Frames up to the next such frame are coded anew, the rest are packets as they are.
    EXACT
        Frames are decoded and stored without loss, as FFV1.
    """

    AUTO = "auto"
    COPY = "copy"
    BRIDGE = "bridge"
    EXACT = "exact"


class StillFiles(StrEnum):
    """How the files of a stills take come to the clip's folder."""

    COPY = "copy"
    HARDLINK = "hardlink"
    REFLINK = "reflink"


@dataclass(frozen=True, slots=True, kw_only=True)
class CutSettings:
    """How a clip shall be cut.

    Attributes
    ----------
    how : How or str
        What becomes of the frames of a video: ``auto`` never loses a bit.
    files : StillFiles or str
        How stills come to their folder.
    renumber : bool
        Number the clip's stills from 0 instead of keeping the take's numbers.
    overwrite : bool
        Replace what is there under the clip's name.
    verify : bool
        Decode the clip again and hold every frame against the take's.
    """

    how: How = How.AUTO
    files: StillFiles = StillFiles.COPY
    renumber: bool = False
    overwrite: bool = False
    verify: bool = True

    def __post_init__(self) -> None:
        # their names may be given as text
        object.__setattr__(self, "how", How(self.how))
        object.__setattr__(self, "files", StillFiles(self.files))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut(CutSettings):
    """One range to be cut out of a take, and how (`CutSettings`).

    Attributes
    ----------
    take : TakeInfo
        What the reader said of it, at best after reading it whole: where ``n_frames`` is
        None, the frames of a video are counted by decoding.
    raw : str or None
        Geometry of headerless pixels, as the reader was given it.
    span : Span
        Frames to keep, half-open.
    target : Path
        Where the clip goes, without extension: the clip keeps the source's, or has that of
        the format it is stored in; stills become a folder of this name.
    onsets : tuple of int
        Frames at which the events inside begin.
    """

    take: TakeInfo
    span: Span
    target: Path
    raw: str | None = None
    onsets: tuple[int, ...] = ()

    @property
    def n_frames(self) -> int:
        """Frames asked for."""
        return self.span.stop - self.span.start

    def path(self, suffix: str) -> Path:
        """Where a clip with this extension goes."""
        return self.target.with_name(self.target.name + suffix)


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What one way of cutting put down, before it is proved and published.

    Attributes
    ----------
    how : str
        The way used: one of `How`, or ``"bytes"`` where the file's own bytes were taken, or
        ``"pages"`` for the pages of a TIFF file.
    n_frames : int
        Frames in the clip, head and tail included.
    head_frames, tail_frames : int
        Frames at both ends that were not asked for and that the copied ones build on.
    recoded_frames : int
        Frames that were coded anew with loss.
    hashes : tuple of str
        MD5 of each frame asked for, of the source; empty where they are still to be taken.
    times : tuple of Fraction
        Playback time in seconds of each frame of the clip, where the rate varies.
    timecode : str or None
        Start timecode of the clip.
    geometry : str or None
        What to give as ``--raw`` to read the clip.
    warnings : tuple of str
        What the user should know.
    """

    how: str
    n_frames: int
    head_frames: int = 0
    tail_frames: int = 0
    recoded_frames: int = 0
    hashes: tuple[str, ...] = ()
    times: tuple[Fraction, ...] = ()
    timecode: str | None = None
    geometry: str | None = None
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """The report of a clip under its final name.

    Attributes
    ----------
    path : Path
        The file, or the folder of stills.
    sidecar : Path
        The JSON file beside it that says everything exactly.
    first, last : int
        Frames of the take that were asked for, inclusive.
    n_frames : int
        Frames in the clip, those at its ends that were not asked for included.
    n_bytes : int
        Size of the clip.
    how : str
        See `Written`.
    head_frames, tail_frames, recoded_frames : int
        See `Written`.
    verified : bool or None
        True where every frame asked for (without the recoded ones) was found in the clip bit
        for bit; None where that was not looked at.  A clip that differs is never reported:
        it raises.
    hashes : tuple of str
        MD5 of each frame asked for; of what, the sidecar says.
    digest : str
        SHA-256 of the hashes, one a line; empty where there are none.
    timecode : str or None
        Start timecode of the clip.
    warnings : tuple of str
        What the user should know.
    """

    path: Path
    sidecar: Path
    first: int
    last: int
    n_frames: int
    n_bytes: int
    how: str
    head_frames: int = 0
    tail_frames: int = 0
    recoded_frames: int = 0
    verified: bool | None = None
    hashes: tuple[str, ...] = field(default=(), repr=False)
    digest: str = ""
    timecode: str | None = None
    warnings: tuple[str, ...] = ()

    @classmethod
    def of(cls, written: Written, **known: Any) -> Self:
        """The report of what was written, and of what else is known of it by now."""
        shared = {one.name for one in fields(cls)} & {one.name for one in fields(Written)}
        return cls(**{name: getattr(written, name) for name in shared}, **known)

    @property
    def proof(self) -> str:
        """``bit for bit``, with how many frames coded anew are not; empty where nobody looked."""
        but = f" but for {self.recoded_frames}" if self.recoded_frames else ""
        return f"bit for bit{but}" if self.verified else ""


def facts(cut: Cut) -> dict[str, Any]:
    """What a clip says of itself, in exact text and whole numbers."""
    take = cut.take
    first, last = inclusive(cut.span)
    times = [real_time(onset, take.capture_rate, take.trigger_frame) for onset in cut.onsets]
    onsets_s = [str(time) for time in times if time is not None]
    return {
        "source": Path(take.path).name if take.path != "-" else take.name,
        "first": first,
        "last": last,
        "onsets": list(cut.onsets),
        "onset_s": onsets_s[0] if onsets_s else None,
        "onsets_s": onsets_s,
        "trigger_frame": take.trigger_frame,
        "capture_rate": None if take.capture_rate is None else str(take.capture_rate),
        "playback_rate": None if take.playback_rate is None else str(take.playback_rate),
    }


def tag_text(cut: Cut) -> str:
    """Say `facts` in one line of ``key=value``, for a comment inside the container."""
    said = {key: value for key, value in facts(cut).items() if value not in (None, [])}
    texts = {
        key: ",".join(map(str, value)) if isinstance(value, list) else str(value)
        for key, value in said.items()
    }
    return "; ".join(f"{key}={text}" for key, text in texts.items())
