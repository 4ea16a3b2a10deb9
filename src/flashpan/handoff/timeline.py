"""OpenTimelineIO: a cut list as a timeline with clips, markers and all that is known."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import asdict
from fractions import Fraction
from pathlib import Path
from typing import Any
from urllib.parse import quote

import opentimelineio as otio

import flashpan
from flashpan.handoff.cutlist import CLIPS, Cut, CutList
from flashpan.handoff.kept import Stills
from flashpan.night.rows import CIRCLED, REJECTED, EventRow
from flashpan.units import real_time

KEY = "flashpan"
"""Of what we add to the metadata."""

_COLORS = {
    CIRCLED: otio.schema.MarkerColor.GREEN,
    REJECTED: otio.schema.MarkerColor.RED,
    None: otio.schema.MarkerColor.CYAN,
}


def timeline(cut_list: CutList, folder: Path) -> otio.schema.Timeline:
    """A timeline of one video track.

    Parameters
    ----------
    cut_list : CutList
    folder : Path
        Where it will be written: media are named from there.
    """
    start = otio.opentime.RationalTime(cut_list.start, _rate(cut_list.rate))
    made = otio.schema.Timeline(name=cut_list.name, global_start_time=start)
    made.metadata[KEY] = {"version": flashpan.__version__, "rate": str(cut_list.rate)}
    track = otio.schema.Track(name="V1", kind=otio.schema.TrackKind.Video)
    track.extend([clip(cut, cut_list, folder) for cut in cut_list.cuts])
    made.tracks.append(track)
    return made


def clip(cut: Cut, cut_list: CutList, folder: Path) -> otio.schema.Clip:
    """One cut, with a marker at the onset of every event."""
    made = otio.schema.Clip(
        name=cut.name,
        media_reference=_reference(cut, cut_list, folder),
        source_range=_range(cut.source_in, cut.n_frames, cut_list.rate),
    )
    made.metadata[KEY] = _facts(cut)
    made.markers.extend(_markers(cut, cut_list.rate))
    return made


def _markers(cut: Cut, rate: Fraction) -> Iterator[otio.schema.Marker]:
    for event in cut.kept.events:
        yield otio.schema.Marker(
            name=f"{event.kind} {event.number}",
            marked_range=_range(cut.source_of(event.onset), 1, rate),
            color=_COLORS[event.mark],
            comment=event.note,
            metadata={KEY: _event_facts(event)},
        )


def _reference(cut: Cut, cut_list: CutList, folder: Path) -> otio.core.MediaReference:
    kept = cut.kept
    whole = _range(cut.media_start, cut.media_frames, cut_list.rate)
    path = Path(kept.take.path) if cut_list.media != CLIPS or kept.path is None else kept.path
    stills = kept.stills() if path == kept.path else None
    if stills is not None:
        return _sequence(path, stills, whole, cut_list.rate, folder)
    return otio.schema.ExternalReference(target_url=url(path, folder), available_range=whole)


def _sequence(
    path: Path, stills: Stills, whole: otio.opentime.TimeRange, rate: Fraction, folder: Path
) -> otio.schema.ImageSequenceReference:
    return otio.schema.ImageSequenceReference(
        target_url_base=f"{url(path, folder)}/",
        name_prefix=stills.prefix,
        name_suffix=stills.suffix,
        start_frame=stills.first,
        frame_zero_padding=stills.n_digits,
        rate=_rate(rate),
        available_range=whole,
    )


def url(path: Path, folder: Path) -> str:
    """Where media are, from a folder: with ``/``, percent-encoded, so that both may move."""
    relative = os.path.relpath(os.path.abspath(path), os.path.abspath(folder))
    return quote(os.fsencode(relative.replace(os.sep, "/")))


def _range(start: int, n_frames: int, rate: Fraction) -> otio.opentime.TimeRange:
    per_second = _rate(rate)
    return otio.opentime.TimeRange(
        otio.opentime.RationalTime(start, per_second),
        otio.opentime.RationalTime(n_frames, per_second),
    )


def _rate(rate: Fraction) -> float:
    return float(rate)


def _facts(cut: Cut) -> dict[str, Any]:
    take, kept, cut_clip = cut.kept.take, cut.kept.kept, cut.kept.clip
    return {
        "take": _text(take.name),
        "path": _text(take.path),
        "shot_at": take.shot_at,
        "range": kept.number,
        "first": kept.first,
        "last": kept.last,
        "capture_rate": _exact(take.capture_rate),
        "playback_rate": _exact(take.playback_rate),
        "slate": take.slate,
        "sha256": cut_clip.sha256 if cut_clip else "",
        "verified": cut_clip.proof if cut_clip else "",
        "events": [_event_facts(event) for event in cut.kept.events],
        "onsets_s": [
            _exact(real_time(event.onset, take.capture_rate)) for event in cut.kept.events
        ],
    }


def _event_facts(event: EventRow) -> dict[str, Any]:
    facts = asdict(event)
    return {name: value for name, value in facts.items() if name != "take_id" and value is not None}


def _exact(value: Fraction | None) -> str:
    return "" if value is None else str(value)


def _text(name: str) -> str:
    """A file name need not be valid Unicode."""
    return name.encode(errors="backslashreplace").decode()
