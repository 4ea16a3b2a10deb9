"""Which frames of an event are shown."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashpan.model import Event, Region, ScoreTrace
from flashpan.sheet.strip import STRIP_FRAMES, strip_of


def event(onset, peak, end):
    return Event(
        onset=onset,
        peak=peak,
        end=end,
        kind="flash",
        detector="brightness",
        strength=9.0,
        box=Region(0, 0, 4, 4),
        chance=0.0,
    )


def frames(shown):
    return [one.frame for one in shown]


def roles(shown):
    return {one.role: one.frame for one in shown}


@st.composite
def _events(draw):
    marks = sorted(draw(st.integers(0, 5000)) for _ in range(3))
    stop = marks[2] + 1 + draw(st.integers(0, 400))
    return event(*marks), draw(st.integers(0, marks[0])), stop


@given(_events(), st.integers(5, 20))
def test_shows_onset_peak_and_end_and_stays_in_the_take(drawn, n_frames):
    one, start, stop = drawn
    shown = strip_of(one, start, stop, n_frames)
    assert frames(shown) == sorted(set(frames(shown)))
    assert len(shown) <= n_frames
    assert {one.onset, one.peak, one.end} <= set(frames(shown))
    assert all(start <= frame < stop for frame in frames(shown))
    assert (one.onset > start) == ("before" in roles(shown))
    assert (one.end + 1 < stop) == ("after" in roles(shown))


def test_a_long_event_is_seen_evenly():
    shown = frames(strip_of(event(1000, 1400, 2000), 0, 5000))
    assert len(shown) == STRIP_FRAMES
    inside = [frame for frame in shown if 1000 <= frame <= 2000]
    assert max(np.diff(inside)) <= 2 * min(np.diff(inside))


def test_a_flash_of_one_frame_has_its_surroundings():
    shown = strip_of(event(100, 100, 100), 0, 1000)
    assert frames(shown) == [96, 98, 99, 100, 101, 102, 104, 108]
    assert roles(shown)["peak"] == 100


def test_at_the_ends_of_a_take():
    assert frames(strip_of(event(0, 0, 0), 0, 1)) == [0]
    assert frames(strip_of(event(0, 1, 2), 0, 3)) == [0, 1, 2]
    assert frames(strip_of(event(7, 7, 9), 5, 10)) == [5, 6, 7, 8, 9]


def test_where_scores_are_known_the_action_is_shown():
    scores = np.ones((1, 2000), np.float32)
    scores[0, [1111, 1333, 1555]] = 50
    trace = ScoreTrace(
        detectors=("brightness",),
        frames=np.arange(2000),
        scores=scores,
        thresholds=np.full((1, 2000), 5, np.float32),
    )
    shown = frames(strip_of(event(1000, 1050, 1700), 0, 2000, trace=trace))
    assert {1111, 1333, 1555} <= set(shown)
    assert shown == sorted(set(shown))


@pytest.mark.parametrize("n_frames", [5, 8, 13])
def test_with_scores_no_more_frames_are_shown(n_frames):
    random = np.random.default_rng(4)
    trace = ScoreTrace(
        detectors=("brightness",),
        frames=np.arange(300),
        scores=random.random((1, 300), np.float32),
        thresholds=np.full((1, 300), 5, np.float32),
    )
    for _ in range(200):
        marks = np.sort(random.integers(0, 300, 3))
        shown = frames(strip_of(event(*map(int, marks)), 0, 300, n_frames, trace=trace))
        assert len(shown) <= n_frames
        assert shown == sorted(set(shown))
        assert set(marks) <= set(shown)
