"""Nights made up in the catalog alone, for what is handed off from them."""

import json
from fractions import Fraction

from night_fixtures import clip, event, found, identity, log, report

from flashpan.cut.sidecar import sidecar_path
from flashpan.night.catalog import Catalog


def put_take(catalog, name, ranges, rate="25", frames=100_000, timecode=None, head=0, **more):
    """A take with one event ten frames into each of its ranges, (first, last), and its clips.

    Parameters
    ----------
    timecode : callable, optional
        Timecode of a frame of the take.
    head : int
        Frames that come with every clip and were not asked for.
    """
    made = log([event(first + 10) for first, _ in ranges], frames)
    made["take"] |= {"playback_rate": None, "playback_rate_exact": rate}
    made["ranges"] = [
        {"first": first, "last": last, "events": [number]}
        for number, (first, last) in enumerate(ranges)
    ]
    clips = tuple(
        clip(number, first=first, last=last, name=f"{name}_r{number:03}.mov")
        for number, (first, last) in enumerate(ranges)
    )
    path = f"/card/{name}.mov"
    take_id = catalog.add(found(path), identity(name))
    catalog.begin(take_id, {}, "k", name)
    catalog.finish(take_id, report(log=made, clips=clips, **more))
    for one in clips:
        _put_clip(catalog.dest / name / one.name, one, head, timecode)
    return take_id


def _put_clip(path, one, head, timecode):
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(b"a clip")
    beside = {"head_frames": head, "frames": one.last - one.first + 1 + head}
    if timecode is not None:
        beside["timecode"] = timecode(one.first - head)
    sidecar_path(path).write_text(json.dumps(beside))


def night_of(dest, *takes, rate="25", **more):
    """A night of takes: name and ranges each."""
    with Catalog.open(dest) as catalog:
        for name, ranges in takes:
            put_take(catalog, name, ranges, rate, **more)
    return dest


RATES = {
    "23.976": Fraction(24_000, 1001),
    "24": Fraction(24),
    "25": Fraction(25),
    "29.97": Fraction(30_000, 1001),
    "30": Fraction(30),
    "50": Fraction(50),
    "59.94": Fraction(60_000, 1001),
    "60": Fraction(60),
}
"""Rates that are cut at, by their names in the trade."""

COUNTINGS = [
    *((name, False) for name in RATES),
    ("29.97", True),
    ("59.94", True),
]
"""Those rates, and whether labels are dropped."""
