"""What is known of a take: the slate that is held before it."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from flashpan.eventlog import take_to_dict
from flashpan.model import TakeInfo
from flashpan.readers.base import Reader
from flashpan.readers.open import open_take
from flashpan.settings import Settings
from flashpan.units import (
    format_playback,
    format_rate,
    format_real,
    playback_time,
    real_time,
)

_CUT_POINTS_SHOWN = 6


@dataclass(frozen=True, slots=True)
class Slate:
    """A take, and where it can be cut without decoding.

    Attributes
    ----------
    take : TakeInfo
        ``n_frames`` is exact or None; ``declared_frames`` is what the container claims.
    cut_points : tuple of int or None
        Frames that are coded by themselves, in order; None where they have not been
        looked up, or where every frame is one (``take.intra_only``).
    """

    take: TakeInfo
    cut_points: tuple[int, ...] | None = None

    @property
    def n_frames(self) -> int | None:
        """Frames: exact where known, else as declared, else None."""
        return self.take.declared_frames if self.take.n_frames is None else self.take.n_frames


def slate(
    take: str | os.PathLike[str] | Reader,
    settings: Settings | None = None,
    *,
    count: bool = False,
    on_frame: Callable[[int], None] | None = None,
) -> Slate:
    """Say what is known of a take.

    Parameters
    ----------
    take : path or Reader
        A path is opened and closed again.
    settings : Settings, optional
        Rates, trigger frame and raw layout that the user states.
    count : bool
        Decode the whole take: exact number of frames, cut points, and every warning.
    on_frame : callable, optional
        Called with each frame number while counting.

    Raises
    ------
    UnreadableTake
        Nothing can be read.
    """
    if isinstance(take, Reader):
        return _slate(take, count, on_frame)
    used = settings or Settings()
    reader = open_take(
        take,
        raw=used.raw,
        capture_rate=used.capture_rate,
        playback_rate=used.playback_rate,
        trigger_frame=used.trigger_frame,
    )
    with reader:
        return _slate(reader, count, on_frame)


def _slate(reader: Reader, count: bool, on_frame: Callable[[int], None] | None) -> Slate:
    if not count:
        return Slate(reader.info)
    cut_points = []
    for frame in reader:
        if frame.is_keyframe:
            cut_points.append(frame.index)
        if on_frame is not None:
            on_frame(frame.index)
    # the reader knows the exact count and every warning only now
    return Slate(reader.info, None if reader.info.intra_only else tuple(cut_points))


def slate_to_dict(slate: Slate) -> dict[str, Any]:
    """The slate as JSON holds it: the take as in event logs, and what a log leaves out."""
    take, n_frames = slate.take, slate.n_frames
    real = None if n_frames is None else real_time(n_frames, take.capture_rate)
    playback = None if n_frames is None else playback_time(n_frames, take.playback_rate)
    return {
        **take_to_dict(take),
        "length": {
            "frames": n_frames,
            "is_exact": take.n_frames is not None,
            "real_s": None if real is None else float(real),
            "playback_s": None if playback is None else float(playback),
        },
        "cut_points": None if slate.cut_points is None else list(slate.cut_points),
        "warnings": list(take.warnings),
    }


def format_slate(slate: Slate) -> str:
    """The slate as lines of ``name  value``."""
    take = slate.take
    rows, cols = take.shape
    facts = {
        "take": take.path,
        "picture": f"{cols}x{rows} pixels, {take.bit_depth} bit, {_range_text(take)}",
        "rotation": f"turned by {take.rotation} degrees" if take.rotation else "",
        "coding": " ".join(filter(None, (take.codec, take.pixel_format))),
        "container": take.container,
        "frames": _frames_text(slate),
        "shot at": _rate_text(take, "capture_rate"),
        "watched at": _rate_text(take, "playback_rate"),
        "time base": f"{take.time_base} s" if take.time_base else "",
        "trigger": "" if take.trigger_frame is None else f"frame {take.trigger_frame}",
        "length": _length_text(slate),
        "cut points": _cut_points_text(slate),
    }
    lines = [f"{name:<11} {value}" for name, value in facts.items() if value]
    return "\n".join(lines + [f"{'warning':<11} {text}" for text in take.warnings])


def _range_text(take: TakeInfo) -> str:
    kind = "limited" if take.limited_range else "full"
    return f"{kind} range (black {take.black}, white {take.black + take.full_scale})"


def _frames_text(slate: Slate) -> str:
    if slate.take.n_frames is not None:
        return f"{slate.take.n_frames:,}, numbered from 0"
    if slate.n_frames is None:
        return "unknown; --count finds out"
    return f"{slate.n_frames:,} declared by the container; --count finds out"


def _rate_text(take: TakeInfo, name: str) -> str:
    rate = getattr(take, name)
    if rate is None:
        return f"unknown; give --{name.replace('_', '-')}"
    exact = "" if rate.denominator == 1 else f" ({rate})"
    uneven = ", uneven" if take.variable_rate and name == "playback_rate" else ""
    return f"{format_rate(rate)} frames/s{exact}{uneven}"


def _length_text(slate: Slate) -> str:
    n_frames, take = slate.n_frames, slate.take
    if n_frames is None:
        return ""
    texts = [f"{n_frames:,} frames"]
    if take.capture_rate is not None:
        texts.append(f"{format_real(real_time(n_frames, take.capture_rate), signed=False)} real")
    if take.playback_rate is not None:
        texts.append(f"{format_playback(n_frames, take.playback_rate)} playback")
    return ", ".join(texts)


def _cut_points_text(slate: Slate) -> str:
    if slate.take.intra_only:
        return "every frame"
    if slate.cut_points is None:
        return "some frames; --count finds out"
    return _points_text(slate.cut_points)


def _points_text(points: Sequence[int]) -> str:
    shown = ", ".join(str(point) for point in points[:_CUT_POINTS_SHOWN])
    more = len(points) - _CUT_POINTS_SHOWN
    return f"frames {shown}" + (f" and {more:,} more" if more > 0 else "")
