"""CMX 3600 edit decision lists, written by OpenTimelineIO's adapter.

The adapter names frames at 29.97 and 59.94 by drop-frame labels whatever one wants, and says
nowhere how it counts.  A list without drop-frame is therefore handed to it at the whole rate,
where frame ``n`` has the label that it has at 29.97 without drop-frame, and the ``FCM`` line,
which says how labels are to be read, is put in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from urllib.parse import unquote

import opentimelineio as otio

from flashpan.handoff.cutlist import Cut, CutList
from flashpan.handoff.labels import NTSC
from flashpan.handoff.timeline import clip

MOST_EVENTS = 999
"""Edits have three digits (from memory); longer lists go on in another file."""

_TITLE = 70


def edls(cut_list: CutList, folder: Path) -> Iterator[str]:
    """The text of each list that a cut list makes: one, or several where it is long."""
    for begin in range(0, len(cut_list.cuts), MOST_EVENTS):
        part = replace(cut_list, cuts=cut_list.cuts[begin : begin + MOST_EVENTS])
        yield _edl(part, folder)


def _edl(cut_list: CutList, folder: Path) -> str:
    counted = replace(cut_list, rate=_counting_rate(cut_list))
    rate = float(counted.rate)
    made = otio.schema.Timeline()
    track = otio.schema.Track(kind=otio.schema.TrackKind.Video)
    # a gap in front is how the adapter is told where records begin
    before = cut_list.start + cut_list.cuts[0].record
    gap = otio.opentime.RationalTime(before, rate)
    track.append(otio.schema.Gap(duration=gap))
    track.extend([_clip(cut, counted, folder) for cut in cut_list.cuts])
    made.tracks.append(track)
    body: str = otio.adapters.write_to_string(made, "cmx_3600", rate=rate)
    return f"{_head(cut_list)}\n\n{body}"


def _head(cut_list: CutList) -> str:
    title = "".join(c if c.isprintable() and c.isascii() else "_" for c in cut_list.name)
    counting = "DROP FRAME" if cut_list.drop else "NON-DROP FRAME"
    return f"TITLE: {title[:_TITLE]}\nFCM: {counting}"


def _counting_rate(cut_list: CutList) -> Fraction:
    if cut_list.rate in NTSC and not cut_list.drop:
        return Fraction(round(cut_list.rate))
    return cut_list.rate


def _clip(cut: Cut, cut_list: CutList, folder: Path) -> otio.schema.Clip:
    made = clip(cut, cut_list, folder)
    made.metadata["cmx_3600"] = {"reel": f"{cut.reel:8}"}
    media = made.media_reference  # an EDL names files as they are called
    name = "target_url_base" if hasattr(media, "target_url_base") else "target_url"
    setattr(media, name, unquote(getattr(media, name)))
    return made
