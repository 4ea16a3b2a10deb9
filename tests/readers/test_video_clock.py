"""Constant rate, variable rate, and holes, from time stamps alone."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from video_fixtures import read, take

from flashpan.readers._video_clock import TimeStamps


def judge(stamps, ticks_per_frame=None):
    clock = TimeStamps(None if ticks_per_frame is None else Fraction(ticks_per_frame))
    for index, pts in enumerate(stamps):
        clock.add(index, pts)
    return clock.report()


@given(
    rate=st.fractions(min_value=10, max_value=20_000, max_denominator=1001),
    clock=st.sampled_from([1000, 12_800, 90_000, 1_000_000]),
    start=st.integers(-1000, 1000),
    n=st.integers(2, 400),
)
def test_any_constant_rate_is_constant_on_any_clock(rate, clock, start, n):
    stamps = [start + round(k * clock / rate) for k in range(n)]
    assert judge(stamps, clock / rate) == (False, [])


@given(
    rate=st.integers(10, 1000),
    clock=st.sampled_from([12_800, 90_000, 1_000_000]),
    after=st.integers(3, 200),
    skipped=st.integers(1, 50),
)
def test_a_hole_is_found_where_it_is(rate, clock, after, skipped):
    stamps = [round((k if k <= after else k + skipped) * clock / rate) for k in range(300)]
    variable, notes = judge(stamps, Fraction(clock, rate))
    assert not variable
    assert notes == [f"time stamps skip about {skipped} frames after frame {after}"]


def test_a_hole_of_one_frame_on_a_clock_of_frames():
    stamps = [k if k <= 10 else k + 1 for k in range(100)]
    assert judge(stamps, 1) == (False, ["time stamps skip about 1 frames after frame 10"])


def test_a_hole_at_10_000_frames_on_a_clock_of_milliseconds():
    stamps = [round((k if k <= 500 else k + 200) / 10) for k in range(1000)]
    variable, notes = judge(stamps, Fraction(1, 10))
    assert not variable
    (note,) = notes
    assert note.endswith("after frame 500")
    assert abs(int(note.split()[4]) - 200) <= 10  # one tick is ten frames


def test_wandering_stamps_are_a_variable_rate():
    steps = np.random.default_rng(3).integers(400, 700, 200)
    variable, notes = judge(np.cumsum(steps).tolist())
    assert variable
    assert "variable frame rate" in notes[0]


def test_a_change_of_rate_is_a_variable_rate():
    stamps = [512 * k for k in range(100)] + [512 * 100 + 300 * k for k in range(100)]
    assert judge(stamps, 512)[0]


def test_many_holes_are_named_up_to_three():
    stamps = [k + k // 20 for k in range(200)]
    variable, notes = judge(stamps, 1)
    assert not variable
    assert len(notes) == 4
    assert notes[-1] == "time stamps skip at 6 more places"


@pytest.mark.parametrize("stamps", [[], [5], [5, 6], [None, None, None]])
def test_too_little_to_say(stamps):
    assert judge(stamps) == (False, [])


def test_missing_stamps_are_passed_over():
    stamps = [None if k % 3 == 1 else 40 * k for k in range(100)]
    assert judge(stamps, 40) == (False, [])


@pytest.mark.parametrize("rate", [25, 240, 1000, 10_000])
@pytest.mark.parametrize("ending", ["mkv", "mp4"])
def test_constant_takes(tmp_path, ending, rate):
    info, _ = read(take(tmp_path / f"t.{ending}", "libx264", "yuv420p", 60, rate=rate))
    assert not info.variable_rate
    assert info.warnings == ()


@pytest.mark.parametrize("ending", ["mkv", "mp4", "mov"])
def test_variable_take(tmp_path, ending):
    pts = np.cumsum(np.random.default_rng(1).integers(20, 90, 60)).tolist()
    path = take(
        tmp_path / f"t.{ending}",
        "libx264",
        "yuv420p",
        60,
        pts=pts,
        time_base=Fraction(1, 1000),
        options={"bf": "0"},
    )
    info, frames = read(path)
    assert len(frames) == 60
    assert info.variable_rate
    assert any("variable frame rate" in note for note in info.warnings)


@pytest.mark.parametrize("ending", ["mkv", "mp4"])
def test_take_with_a_hole(tmp_path, ending):
    pts = [k if k <= 30 else k + 12 for k in range(60)]
    path = take(tmp_path / f"t.{ending}", "libx264", "yuv420p", 60, pts=pts)
    info, _ = read(path)
    assert not info.variable_rate
    assert "time stamps skip about 12 frames after frame 30" in info.warnings
