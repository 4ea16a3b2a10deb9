"""What became of one take, in a line."""

from __future__ import annotations

from flashpan.cut.space import format_bytes
from flashpan.night.job import Report
from flashpan.night.sums import CLIP
from flashpan.table import counted, percent


def done_line(path: str, report: Report) -> str:
    """``<path>: 2 events, 32 of 120 frames (26.7 %) kept in 2 clips, 27 kB of 95 kB``."""
    log = report.log or {"events": [], "totals": {"frames": 0}}
    clips = [clip for clip in report.clips if clip.form == CLIP]
    frames, kept = log["totals"]["frames"], sum(clip.last - clip.first + 1 for clip in clips)
    events = counted(len(log["events"]), "event")
    if not clips:
        return f"{path}: {events}, none of {counted(frames, 'frame')} kept"
    share = f" ({percent(kept, frames)})" if frames else ""
    size = format_bytes(sum(clip.bytes for clip in clips))
    return (
        f"{path}: {events}, {kept:,} of {counted(frames, 'frame')}{share} kept"
        f" in {counted(len(clips), 'clip')}, {size} of {format_bytes(report.source_bytes)}"
    )
