"""Verdicts on series whose every frame is written out, against the picks of the same picker."""

import numpy as np
import pytest

from flashpan.chance import MaxLaw
from flashpan.model import Event, Region, Score
from flashpan.picker import CLOSE_WITHIN, Channel, Picker
from flashpan.ranges import Span, trim_ranges
from flashpan.ruling import Watch
from flashpan.verdict import REASONS, Case, how_often, verdict_on

OPEN, CLOSE = 10.0, 4.0
PRE, POST = 2, 3


@pytest.fixture(autouse=True)
def _constant_thresholds(monkeypatch):
    monkeypatch.setattr(Channel, "thresholds", lambda *_: (OPEN, CLOSE))


def score(index, value, **details):
    known = {"since": index, "until": index, "moving": value, "sign": 1.0} | details
    return Score(index=index, value=float(value), **known)


def event_of(pick):
    return Event(
        onset=pick.onset,
        peak=pick.peak,
        end=pick.end,
        kind="flash",
        detector=pick.detector,
        strength=pick.strength,
        box=Region(0, 0, 1, 1),
        chance=pick.chance,
    )


def case(series, frame, gap=0):
    """What a search of one detector's values would hand over about a frame."""
    watch = Watch(frame)
    picker = Picker({"one": MaxLaw(n=100)}, 1.0, gap, watch=watch)
    picks = []
    for index, value in enumerate(series):
        known = value if isinstance(value, Score) else score(index, value)
        picks += picker.push(index, {"one": known})
    picks += picker.finish()
    spans = (Span(pick.onset, pick.end + 1) for pick in picks)
    ranges = trim_ranges(spans, pre_roll_frames=PRE, post_roll_frames=POST, merge_gap_frames=0,
                         start=0, stop=len(series))  # fmt: skip
    return Case(
        frame=frame,
        start=0,
        stop=len(series),
        ruling=watch.rulings[0] if watch.rulings else None,
        departs_next=watch.departs_next,
        events=[event_of(pick) for pick in picks],
        openings=[pick.opening for pick in picks],
        ranges=ranges,
        pre_roll_frames=PRE,
        post_roll_frames=POST,
        merge_gap_frames=gap,
    )


def verdict(series, frame, gap=0):
    return verdict_on(case(series, frame, gap))


QUIET = [0.0] * 10


@pytest.mark.parametrize(
    ("series", "frame", "gap", "reason"),
    [
        ([*QUIET, 20, 15, 0, 0], 10, 0, "opened here"),
        ([*QUIET, 20, 5, 0, 0], 11, 0, "departed"),
        ([*QUIET, 20, 0, 0, 15, 0], 11, 3, "between departures"),
        ([*QUIET, 20, 0, 0, 0], 11, 3, "after the end"),
        ([*QUIET, 20, 0, 0, 0], 12, 0, "quiet"),
        ([*QUIET, 5, 0], 10, 0, "not enough to open"),
        ([*QUIET, 3, 0], 10, 0, "quiet"),
        ([0.0, 0, 0], 0, 0, "nothing to compare"),
        ([*QUIET], 10, 0, "not looked at"),
    ],
)
def test_reason(series, frame, gap, reason):
    assert verdict(series, frame, gap).reason == reason


def test_looking_back():
    series = [*QUIET, 3, 6, score(12, 20, since=10), 0, 0]
    assert verdict(series, 11).reason == "found looking back"
    assert "opened later, at frame 12, by one: 20.0, over a threshold of 10.0" in (
        verdict(series, 11).text
    )
    assert verdict(series, 9).reason == "quiet"


def test_what_a_mean_still_holds_is_told_already():
    series = [*QUIET, 20, 0, 0, score(13, 12, until=10), 0]
    found = verdict(series, 13)
    assert (found.reason, found.event) == ("told already", None)
    assert "ended by frame 10" in found.text


def test_too_late_for_the_closing_threshold():
    series = [*QUIET, 20, *[0] * (CLOSE_WITHIN + 1), 6, 0, 15, 0]
    late = 10 + CLOSE_WITHIN + 2
    found = verdict(series, late, gap=30)
    assert found.reason == "between departures"
    assert f"counts only within {CLOSE_WITHIN} frames of a departure" in found.text


def test_a_plateau_has_ended():
    still = [score(index, 20, since=10, moving=0.0) for index in range(11, 16)]
    settled = [score(16, 20, since=10, moving=0.0, settled=True)]
    series = [*QUIET, 20, *still, *settled, *[0] * 5]
    found = verdict(series, 14)
    assert found.reason == "after the end"
    assert "since frame 10, but at rest" in found.text


def test_rolls():
    series = [*QUIET, 20, 0, 0, 0, 0, 15, 0, 0, 0, 0, 0, 0]
    kept = {frame: verdict(series, frame).kept_as for frame in range(len(series))}
    assert kept[7] == ()
    assert kept[8] == ("pre-roll",)
    assert kept[10] == ("event",)
    assert kept[12] == ("post-roll",)
    assert kept[13] == ("post-roll", "pre-roll")
    assert kept[14] == ("pre-roll",)
    assert kept[18] == ("post-roll",)
    assert kept[19] == ()


@pytest.mark.parametrize("gap", [0, 3, 12])
@pytest.mark.parametrize("seed", range(4))
def test_every_frame_has_the_verdict_that_the_picks_ask_for(seed, gap):
    random = np.random.default_rng(seed)
    series = []
    for index in range(60):
        value = random.choice([1.0, 3.0, 5.0, 12.0, 30.0], p=[0.5, 0.2, 0.15, 0.1, 0.05])
        since, until = index - random.integers(0, 4), index - random.integers(0, 4)
        moving = value * random.choice([0.0, 1.0])
        series.append(score(index, value, since=max(0, since), until=max(0, until), moving=moving))
    for frame in range(len(series)):
        asked = case(series, frame, gap)
        found = verdict_on(asked)
        within = [n for n, e in enumerate(asked.events) if e.onset <= frame <= e.end]
        assert [found.event] == (within or [None])
        assert found.reason in REASONS
        assert (found.kept is not None) == bool(found.kept_as)
        assert found.text.startswith(f"Frame {frame} lies in" if within else "No event")


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (1.0, "in nearly every frame"),
        (0.3, "in 3 of 10 frames"),
        (0.003, "3 times in 1,000 frames"),
        (1e-6, "once in 1,000,000 frames"),
        (1e-9, "less than once in 1,000,000 frames"),
        (0.0, "less than once in 1,000,000 frames"),
    ],
)
def test_how_often(chance, said):
    assert how_often(chance) == said
