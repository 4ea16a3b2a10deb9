"""What the user asked for, and what that means for one take.

`Settings` is what was said on the command line, in a ``flashpan.toml`` or in Python.
`ResolvedSettings` is the same in frames and pixels of one take, every default filled in,
each value with the place it came from, so that nothing is hidden.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from fractions import Fraction
from functools import partial
from typing import Any, Self

from flashpan import registry
from flashpan.clipsettings import CLIP_DEFAULTS, ClipSettings, nearest
from flashpan.errors import FlashpanError, SettingsError, quoted
from flashpan.model import Region, TakeInfo
from flashpan.units import (
    MOST_FRAMES,
    Duration,
    RegionSpec,
    decimal_text,
    parse_duration,
    parse_rate,
    parse_region,
)

SETTINGS_FILE = "flashpan.toml"
"""Name of a settings file that is read by itself; see `flashpan.settingsfile`."""
COMMAND_LINE = "command line"
"""Source of settings whose errors speak of options (``--pre-roll``) instead of names."""
_ONE_FRAME = Duration(Fraction(1))
_NOTHING_SAID = ClipSettings()

# Rolls and gap that nobody asked for: so much real time where the capture rate is known, but
# never fewer than so many frames.  A stepped leader glows faintly for some 25 ms before the
# bright frame; the strokes of one flash follow each other within some 300 ms.
_WHOLE = re.compile(r"[+-]?[0-9]{1,16}")
_DEFAULT_ROLLS = {
    "pre_roll": (Fraction(30, 1000), 25),
    "post_roll": (Fraction(50, 1000), 25),
    "merge_gap": (Fraction(300, 1000), 30),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What was asked for; None and empty mean "as flashpan sees fit".

    Attributes
    ----------
    capture_rate, playback_rate : Fraction or None
        Frames per second, as shot and as watched; they win over what the take says.
    trigger_frame : int or None
        The frame that the camera calls time zero; may lie outside the take.
    pre_roll, post_roll : Duration or None
        Kept before the onset and after the end of an event.
    merge_gap : Duration or None
        Activity nearer together than this is one event: the strokes of one flash.
    shortest_event : Duration
        The shortest event that must not be missed.
    roi, ignore : tuple of RegionSpec
        Where to look (empty: everywhere), and where not to.
    detectors : tuple of str
        Registered names; empty for all.
    false_alarms : float
        False events accepted per million frames; above 0.
    first, last : int or None
        Part of the take, inclusive.
    raw : str or None
        Geometry of headerless pixels.
    slate : tuple of (str, str, str)
        What stands on the slate: name, text and where it was set.  It changes no result.
    sources : tuple of (str, str)
        Field names and where each one was set.
    clips : ClipSettings
        What was said of the clips, beside what is looked for: a search does not heed it.

    Raises
    ------
    SettingsError
        A value that no take could satisfy.
    """

    capture_rate: Fraction | None = None
    playback_rate: Fraction | None = None
    trigger_frame: int | None = None
    pre_roll: Duration | None = None
    post_roll: Duration | None = None
    merge_gap: Duration | None = None
    shortest_event: Duration = _ONE_FRAME
    roi: tuple[RegionSpec, ...] = ()
    ignore: tuple[RegionSpec, ...] = ()
    detectors: tuple[str, ...] = ()
    false_alarms: float = 1.0
    first: int | None = None
    last: int | None = None
    raw: str | None = None
    slate: tuple[tuple[str, str, str], ...] = field(default=(), compare=False)
    sources: tuple[tuple[str, str], ...] = field(default=(), compare=False)
    clips: ClipSettings = _NOTHING_SAID

    def __post_init__(self) -> None:
        for name in ("capture_rate", "playback_rate"):
            _require_above_zero(name, getattr(self, name))
        _require_above_zero("false_alarms", self.false_alarms)
        if self.shortest_event.amount == 0:
            raise SettingsError("shortest_event must be above zero; 1 misses no frame")
        _require_order(self.first, self.last)
        for name in self.detectors:
            _require_detector(name)

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any], source: str = SETTINGS_FILE) -> Self:
        """Settings from names and values as a TOML file has them.

        Names are those of the attributes and of `flashpan.clipsettings.CLIP_DEFAULTS`;
        ``pre-roll`` is as good as ``pre_roll``.  Rates,
        durations and numbers may be numbers or text, a region text or ``[x, y, w, h]``,
        and a single region or detector needs no list.  None leaves a setting open.

        Raises
        ------
        SettingsError, RegionError
            An unknown name (the text has the nearest one) or a value that makes no sense;
            the text begins with ``source``, save for the command line, where it has the option.
        """
        given = {
            name: value
            for key, value in values.items()
            if (name := _known_name(key, source)) and value is not None
        }
        label = _option if source == COMMAND_LINE else str
        of_clips = {name: given.pop(name) for name in CLIP_DEFAULTS if name in given}
        try:
            converted = {k: _CONVERTERS[k](value, label(k)) for k, value in given.items()}
            return cls(
                **converted,
                sources=tuple((name, source) for name in given),
                clips=ClipSettings.from_mapping(of_clips, source),
            )
        except FlashpanError as error:
            raise type(error)(_from_source(source, str(error))) from None

    def merged_with(self, other: Settings) -> Settings:
        """These settings, with what they leave open taken from ``other``.

        ``command_line.merged_with(file)``: the command line wins.
        """
        taken = {name: getattr(other, name) for name in other.set_names() - self.set_names()}
        sources = dict(self.sources)
        sources |= {name: other.source_of(name) for name in taken}
        slate = {entry[0]: entry for entry in (*other.slate, *self.slate)}
        return replace(
            self,
            **taken,
            slate=tuple(slate.values()),
            sources=tuple(sources.items()),
            clips=self.clips.merged_with(other.clips),
        )

    def set_names(self) -> set[str]:
        """Names of the settings that somebody set."""
        changed = {f.name for f in _SETTABLE if getattr(self, f.name) != f.default}
        return changed | {name for name, _ in self.sources}

    def source_of(self, name: str) -> str:
        """Where a setting came from: as recorded, else ``caller`` or ``default``."""
        fallback = "caller" if name in self.set_names() else "default"
        return dict(self.sources).get(name, fallback)

    def resolved(self, info: TakeInfo) -> ResolvedSettings:
        """What these settings mean for one take.

        Raises
        ------
        SettingsError
            Real time without a capture rate, or a part that begins after the take's end.
        RegionError
            A region that does not fit the picture.
        """
        capture_rate = self.capture_rate or info.capture_rate
        return ResolvedSettings(
            capture_rate=capture_rate,
            playback_rate=self.playback_rate or info.playback_rate,
            trigger_frame=_first_known(self.trigger_frame, info.trigger_frame),
            pre_roll_frames=self._roll_frames("pre_roll", capture_rate),
            post_roll_frames=self._roll_frames("post_roll", capture_rate),
            merge_gap_frames=self._roll_frames("merge_gap", capture_rate),
            shortest_event_frames=self._shortest_frames(capture_rate),
            roi=tuple(spec.resolve(info.shape) for spec in self.roi),
            ignore=tuple(spec.resolve(info.shape) for spec in self.ignore),
            detectors=self.detectors or registry.names(registry.DETECTORS),
            false_alarms=self.false_alarms,
            start=self._start(info),
            stop=self._stop(info),
            raw=self.raw,
            origins=tuple((f.name, self._origin(f.name, info)) for f in _SETTABLE),
        )

    def _roll_frames(self, name: str, capture_rate: Fraction | None) -> int:
        given: Duration | None = getattr(self, name)
        if given is not None:
            return given.frames(capture_rate, "up", option=_option(name))
        seconds, at_least = _DEFAULT_ROLLS[name]
        return (
            at_least if capture_rate is None else max(at_least, math.ceil(seconds * capture_rate))
        )

    def _shortest_frames(self, capture_rate: Fraction | None) -> int:
        # rounded down: a step of one frame more than the event could step over it
        frames = self.shortest_event.frames(capture_rate, "down", option="--shortest-event")
        return max(1, frames)

    def _start(self, info: TakeInfo) -> int:
        start = self.first or 0
        if info.n_frames is not None and start >= max(info.n_frames, 1):
            raise SettingsError(
                f"--first {start} lies after the last frame of {info.path},"
                f" which has {info.n_frames} frames numbered from 0"
            )
        return start

    def _stop(self, info: TakeInfo) -> int | None:
        ends = (info.n_frames, None if self.last is None else self.last + 1)
        return min((end for end in ends if end is not None), default=None)

    def _origin(self, name: str, info: TakeInfo) -> str:
        if name in self.set_names():
            return self.source_of(name)
        return "take" if getattr(info, name, None) is not None else "default"


@dataclass(frozen=True, slots=True, kw_only=True)
class ResolvedSettings:
    """Settings in frames and pixels of one take, every default filled in.

    Attributes
    ----------
    pre_roll_frames, post_roll_frames, merge_gap_frames, shortest_event_frames : int
        Durations in frames; rolls and gap rounded up, the shortest event down (at least 1).
    roi, ignore : tuple of Region
        Pixels; an empty ``roi`` is the whole picture.
    detectors : tuple of str
        Names, never empty.
    start, stop : int, int or None
        Part of the take, half-open; ``stop`` is None while the take's end is not known.
    origins : tuple of (str, str)
        Each setting's name and where its value came from: ``default``, ``take``,
        ``command line``, the path of a settings file, or ``caller``.
    """

    capture_rate: Fraction | None
    playback_rate: Fraction | None
    trigger_frame: int | None
    pre_roll_frames: int
    post_roll_frames: int
    merge_gap_frames: int
    shortest_event_frames: int
    roi: tuple[Region, ...]
    ignore: tuple[Region, ...]
    detectors: tuple[str, ...]
    false_alarms: float
    start: int
    stop: int | None
    raw: str | None
    origins: tuple[tuple[str, str], ...]

    def as_log(self) -> dict[str, Any]:
        """Everything in force, as JSON holds it; ``from`` says where each value came from."""
        return {
            "capture_rate": rate_number(self.capture_rate),
            "playback_rate": rate_number(self.playback_rate),
            "trigger_frame": self.trigger_frame,
            "pre_roll_frames": self.pre_roll_frames,
            "post_roll_frames": self.post_roll_frames,
            "merge_gap_frames": self.merge_gap_frames,
            "shortest_event_frames": self.shortest_event_frames,
            "roi": [list(region.as_box()) for region in self.roi],
            "ignore": [list(region.as_box()) for region in self.ignore],
            "detectors": list(self.detectors),
            "false_alarms": self.false_alarms,
            "first": self.start,
            "last": None if self.stop is None else self.stop - 1,
            "raw": self.raw,
            "from": dict(self.origins),
        }


def rate_number(rate: Fraction | None) -> int | float | None:
    """A rate as logs have it: whole where it is whole, else the nearest float."""
    if rate is None:
        return None
    return int(rate) if rate.denominator == 1 else float(rate)


def _option(name: str) -> str:
    return "--detector" if name == "detectors" else "--" + name.replace("_", "-")


def _from_source(source: str, text: str) -> str:
    return text if source == COMMAND_LINE else f"{source}: {text}"


def _first_known(*values: int | None) -> int | None:
    return next((value for value in values if value is not None), None)


def _require_above_zero(name: str, value: Fraction | float | None) -> None:
    if value is not None and not (value > 0 and math.isfinite(value)):
        raise SettingsError(f"{name} must be above zero, not {value}")


def _require_order(first: int | None, last: int | None) -> None:
    if (first or 0) < 0 or (last or 0) < 0:
        raise SettingsError("first and last count from frame 0 and cannot be negative")
    if last is not None and (first or 0) > last:
        raise SettingsError(f"first {first} comes after last {last}; swap them")


def _require_detector(name: str) -> None:
    known = registry.names(registry.DETECTORS)
    if name not in known:
        raise SettingsError(f"no detector called {quoted(name)}; {nearest(name, known)}")


def _known_name(key: str, source: str) -> str:
    name = key.replace("-", "_")
    valid = [*_CONVERTERS, *CLIP_DEFAULTS]
    if name not in valid:
        if "-" in key:  # as a settings file has them
            valid = [one.replace("_", "-") for one in valid]
        raise SettingsError(f"{source}: unknown setting {quoted(key)}; {nearest(key, valid)}")
    return name


def _number_text(value: object, name: str) -> str:
    """Text of a number or a text; a float gives the digits it was written with."""
    if isinstance(value, bool) or not isinstance(value, str | int | float | Fraction):
        raise SettingsError(f"{name} must be a number or text, not {quoted(value)}")
    if isinstance(value, int) and abs(value) > MOST_FRAMES:
        raise SettingsError(f"{name} cannot be as large as that; no take has so many frames")
    return decimal_text(value) if isinstance(value, Fraction) else str(value)


def _to_rate(value: object, name: str) -> Fraction:
    return parse_rate(_number_text(value, name), name)


def _to_duration(value: object, name: str) -> Duration:
    return value if isinstance(value, Duration) else parse_duration(_number_text(value, name), name)


def _to_int(value: object, name: str) -> int:
    text = _number_text(value, name).strip()
    if not _WHOLE.fullmatch(text):
        raise SettingsError(f"{name} must be a whole number, not {quoted(value)}")
    return int(text)


def _to_float(value: object, name: str) -> float:
    try:
        return float(_number_text(value, name))
    except ValueError:
        raise SettingsError(f"{name} must be a number, not {quoted(value)}") from None


def _to_text(value: object, name: str) -> str:
    if not isinstance(value, str):
        raise SettingsError(f"{name} must be text, not {quoted(value)}")
    return value


def _to_region(value: object, name: str) -> RegionSpec:
    if isinstance(value, RegionSpec):
        return value
    if isinstance(value, list | tuple):
        value = ",".join(_number_text(part, name) for part in value)
    return parse_region(_to_text(value, name), name)


def _to_tuple(convert: Callable[[object, str], Any], value: object, name: str) -> tuple[Any, ...]:
    several = isinstance(value, list | tuple) and not _is_one_box(value)
    items: Iterable[object] = value if several else (value,)  # type: ignore[assignment]
    return tuple(convert(item, name) for item in items)


def _is_one_box(value: Iterable[object]) -> bool:
    return any(isinstance(part, int | float) for part in value)


_CONVERTERS: dict[str, Callable[[Any, str], Any]] = {
    "capture_rate": _to_rate,
    "playback_rate": _to_rate,
    "trigger_frame": _to_int,
    "pre_roll": _to_duration,
    "post_roll": _to_duration,
    "merge_gap": _to_duration,
    "shortest_event": _to_duration,
    "roi": partial(_to_tuple, _to_region),
    "ignore": partial(_to_tuple, _to_region),
    "detectors": partial(_to_tuple, _to_text),
    "false_alarms": _to_float,
    "first": _to_int,
    "last": _to_int,
    "raw": _to_text,
}
_SETTABLE = tuple(f for f in fields(Settings) if f.name not in ("slate", "sources", "clips"))
NAMES = tuple(f.name for f in _SETTABLE)
"""Every setting."""

DEFAULT_TEXTS = {
    **dict.fromkeys(("capture_rate", "playback_rate", "trigger_frame"), "as the take says"),
    **{
        name: f"{Duration.of_seconds(seconds)}, at least {frames} frames"
        for name, (seconds, frames) in _DEFAULT_ROLLS.items()
    },
    "roi": "everywhere",
    "ignore": "nothing",
    "detectors": "all",
    "first": "the first frame",
    "last": "the last frame",
    "raw": "not headerless",
    "also": "nothing else",
}
"""What a setting that nobody made stands for, in words."""
