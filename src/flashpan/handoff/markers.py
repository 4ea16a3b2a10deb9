"""Markers as CSV: a row for every event of a cut list."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from flashpan.handoff.cutlist import Cut, CutList
from flashpan.night.rows import EventRow
from flashpan.units import playback_time
from flashpan.visible import csv_text

MARKER_COLUMNS = {
    "record": "timecode of the onset in the cut list",
    "record_frame": "the same in frames from the list's first frame",
    "source": "timecode of the onset in the clip (or take)",
    "reel": "of the clip (or take) in the EDL",
    "clip": "its name",
    "clip_frame": "onset in the clip, in frames from its first one",
    "take": "name of the take",
    "event": "number in the take's log",
    "kind": "of the event",
    "onset, peak, end": "frames of the take",
    "onset_s": "real time of the onset, seconds",
    "playback_s": "playback time of the onset in the take, seconds",
    "strength": "in noise units",
    "mark, note": "circled or rejected, and the operator's words",
    "rate": "frames per second that timecode and frames count at, exactly",
}
"""What the columns hold, for help texts."""

_NAMES = tuple(name for names in MARKER_COLUMNS for name in names.split(", "))


def markers_csv(cut_lists: Iterable[CutList]) -> str:
    """A header, then a row per event, in the order of the lists."""
    rows = (row for cut_list in cut_lists for row in _rows(cut_list))
    return csv_text([_NAMES, *([row[name] for name in _NAMES] for row in rows)])


def _rows(cut_list: CutList) -> Iterator[dict[str, Any]]:
    for cut in cut_list.cuts:
        for event in cut.kept.events:
            yield _row(cut_list, cut, event)


def _row(cut_list: CutList, cut: Cut, event: EventRow) -> dict[str, Any]:
    in_range = max(event.onset - cut.kept.kept.first, 0)
    playback = playback_time(event.onset, cut_list.rate)
    return {
        "record": cut_list.label(cut_list.start + cut.record + in_range),
        "record_frame": cut.record + in_range,
        "source": cut_list.label(cut.source_in + in_range),
        "reel": cut.reel,
        "clip": cut.name,
        "clip_frame": cut.first + in_range,
        "take": cut.kept.take.name,
        "event": event.number,
        "kind": event.kind,
        "onset": event.onset,
        "peak": event.peak,
        "end": event.end,
        "onset_s": "" if event.onset_s is None else event.onset_s,
        "playback_s": "" if playback is None else float(playback),
        "strength": event.strength,
        "mark": event.mark or "",
        "note": event.note,
        "rate": str(cut_list.rate),
    }
