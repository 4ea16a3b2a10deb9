"""What stands on sheets and pages beside the pictures."""

from __future__ import annotations

from collections.abc import Mapping

from flashpan.model import Event, TakeInfo, TrimRange
from flashpan.table import counted
from flashpan.units import format_playback, format_rate, format_real, real_time


def take_line(take: TakeInfo, n_frames: int) -> str:
    """Rates, size, depth, coding and length of a take."""
    rows, cols = take.shape
    lasts = real_time(n_frames, take.capture_rate)
    length = f"{n_frames:,} frames" + (
        "" if lasts is None else f" ({format_real(lasts, signed=False)} of real time)"
    )
    return ", ".join(
        (
            f"shot at {_rate(take, 'capture_rate')}",
            f"watched at {_rate(take, 'playback_rate')}",
            f"{cols}x{rows}",
            f"{take.bit_depth} bit",
            take.codec or "uncompressed",
            length,
        )
    )


def clock_line(take: TakeInfo) -> str:
    """What the three clocks under a frame are."""
    origin = "frame 0" if take.trigger_frame is None else f"trigger frame {take.trigger_frame}"
    real = f"real time from {origin}" if take.capture_rate else "real time (capture rate unknown)"
    watched = "playback time" if take.playback_rate else "playback time (rate unknown)"
    return f"Under each frame: its number, {real}, {watched}."


def event_line(number: int, event: Event, take: TakeInfo, kept: TrimRange | None) -> str:
    """What an event is."""
    n_frames = event.end - event.onset + 1
    lasts = real_time(n_frames, take.capture_rate)
    length = counted(n_frames, "frame")
    if lasts is not None:
        length += f", {format_real(lasts, signed=False)}"
    parts = [
        f"event {number}",
        event.kind,
        f"frames {event.onset} to {event.end} ({length})",
        f"strength {strength_text(event.strength)} by {event.detector}",
    ]
    if kept is not None:
        parts.append(f"kept {kept.first} to {kept.last}")
    return "   ".join(parts)


def role_text(frame: int, role: str, event: Event) -> str:
    """What a frame is to its event, all of it where it is several things."""
    names = {"onset": event.onset, "peak": event.peak, "end": event.end}
    return ", ".join(name for name, at in names.items() if at == frame) or role


def strength_text(strength: float) -> str:
    """A strength, in noise units, with as many digits as say anything."""
    return f"{strength:,.0f}" if strength >= 100 else f"{strength:.1f}"


def clocks(frame: int, take: TakeInfo) -> tuple[str, str, str]:
    """The three clocks of a frame: number, real time, playback time."""
    real = real_time(frame, take.capture_rate, take.trigger_frame)
    watched = format_playback(frame, take.playback_rate) if take.playback_rate else "-"
    return str(frame), format_real(real), watched


def kept_of(ranges: tuple[TrimRange, ...]) -> Mapping[int, TrimRange]:
    """The range that keeps each event."""
    return {number: kept for kept in ranges for number in kept.events}


def shortened(text: str, most: int) -> str:
    """Text of so many characters at most, its middle left out."""
    if len(text) <= most:
        return text
    half = (most - 1) // 2
    return f"{text[:half]}…{text[-half:]}"


def _rate(take: TakeInfo, name: str) -> str:
    rate = getattr(take, name)
    return "an unknown rate" if rate is None else f"{format_rate(rate)} frames/s"
