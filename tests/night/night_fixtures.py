"""Takes and outcomes of an invented night, as discovery and workers give them."""

import time
from contextlib import contextmanager

from flashpan.night.found import Found
from flashpan.night.identity import Identity
from flashpan.night.job import Report
from flashpan.night.rows import ClipReport

SETTINGS = {"pre_roll": "5ms"}
HOUR_NS = 3_600_000_000_000
EVENING_NS = 1_700_000_000_000_000_000  # 2023-11-14 22:13:20 UTC


def clip(number=0, **more):
    facts = {
        "form": "clip",
        "name": "a_r000.mov",
        "first": 40,
        "last": 69,
        "frames": 30,
        "bytes": 3000,
        "way": "copy",
        "proof": "bit for bit",
        "sha256": "ab" * 32,
    }
    return ClipReport(number=number, **facts | more)


def report(**more):
    facts = {"log_name": "a.events.json", "seconds": 1.5, "bytes_read": 9000}
    return Report(take="/card/a.mp4", folder="a", **facts | more)


def found(path="/card/a.mp4", size=9000, mtime_ns=EVENING_NS, **more):
    facts = {"place": path.rpartition("/")[2], "name": path.rpartition("/")[2].partition(".")[0]}
    return Found(path=path, kind="video", bytes=size, mtime_ns=mtime_ns, **facts | more)


def identity(digest="a", size=9000, mtime_ns=EVENING_NS, n_files=1):
    return Identity(bytes=size, n_files=n_files, mtime_ns=mtime_ns, digest=digest)


def event(onset=50, **more):
    facts = {
        "onset": onset,
        "peak": onset + 2,
        "end": onset + 5,
        "kind": "flash",
        "detector": "brightness",
        "strength": 12.5,
        "box": [24, 12, 16, 8],
        "onset_s": onset / 1000,
        "chance": 0.001,
    }
    return facts | more


def log(events=None, frames=1000, **take):
    """An event log with one range around every event."""
    events = [event()] if events is None else events
    kept = [
        {"first": one["onset"] - 10, "last": one["onset"] + 19, "events": [number]}
        for number, one in enumerate(events)
    ]
    facts = {"name": "a", "frames": frames, "capture_rate": 1000, "playback_rate": 29.97}
    return {
        "take": facts | {"playback_rate_exact": "30000/1001"} | take,
        "events": events,
        "ranges": kept,
        "totals": {
            "frames": frames,
            "kept": 30 * len(events),
            "events": len(events),
            "seconds": 1.0,
            "bytes_read": 9000,
        },
    }


def outcome(events=None, frames=1000, **more):
    made = log(events, frames)
    clips = tuple(
        clip(k, first=kept["first"], last=kept["last"], name=f"a_r{k:03d}.mov")
        for k, kept in enumerate(made["ranges"])
    )
    return report(**{"log": made, "clips": clips} | more)


def put_done(catalog, path="/card/a.mp4", digest="a", key="k", result=None, **more):
    """A take that is done."""
    take_id = catalog.add(found(path, **more), identity(digest, **more))
    catalog.begin(take_id, SETTINGS, key, f"{digest}")
    catalog.finish(take_id, result or outcome())
    return take_id


@contextmanager
def promised(seconds):
    """Hold a block to a promise made for a machine of one's own, on one that others use, too."""
    slowness, began = _slowness(), time.monotonic()
    yield
    took = time.monotonic() - began
    assert took < seconds * max(slowness, _slowness())


def _slowness():
    """How many times as long as alone a process takes now."""
    began, own = time.monotonic(), time.process_time()
    while time.process_time() - own < 0.1:
        pass
    return max(1.0, (time.monotonic() - began) / 0.1)
