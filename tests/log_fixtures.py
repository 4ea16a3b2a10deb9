"""Event logs and takes to change one thing of."""

from dataclasses import replace
from fractions import Fraction

from flashpan.model import Event, EventLog, Region, TakeInfo, Totals, TrimRange
from flashpan.settings import Settings
from flashpan.units import real_time


def a_take(**changes):
    facts = {
        "path": "night/a.mp4",
        "name": "a",
        "shape": (480, 640),
        "bit_depth": 12,
        "n_frames": 1000,
        "capture_rate": Fraction(100_000),
        "playback_rate": Fraction(30_000, 1001),
        "trigger_frame": 100,
        "time_base": Fraction(1, 30_000),
        "codec": "h264",
        "limited_range": True,
        "intra_only": False,
    }
    return TakeInfo(**facts | changes)


def an_event(take, onset, end):
    return Event(
        onset=onset,
        peak=onset + 1,
        end=end,
        kind="flash",
        detector="brightness",
        strength=12.5,
        box=Region(top=1, left=2, height=3, width=4),
        chance=1e-9,
        onset_s=real_time(onset, take.capture_rate, take.trigger_frame),
    )


def a_log(take=None, settings=None):
    take = take or a_take()
    return EventLog(
        take=take,
        settings=(settings or Settings(first=3)).resolved(take).as_log(),
        events=(an_event(take, 50, 60), an_event(take, 90, 95)),
        ranges=(TrimRange(25, 85, (0,)), TrimRange(88, 120, (1,))),
        totals=Totals(frames=1000, kept=94, events=2, seconds=1.5, bytes_read=10),
        warnings=("one", "two"),
    )


def an_empty_log():
    totals = Totals(frames=1000, kept=0, events=0, seconds=1.5, bytes_read=10)
    return replace(a_log(), events=(), ranges=(), totals=totals, warnings=())
