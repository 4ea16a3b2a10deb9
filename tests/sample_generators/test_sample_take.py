"""A take follows from its seed, frame by frame, in any order, at any depth."""

from __future__ import annotations

import doctest
from fractions import Fraction

import numpy as np
import pytest

import sample_generators
from sample_generators import NAMES, SampleError, Sensor, TakeSettings, disturb, make_take

SMALL = {"rows": 96, "cols": 128, "n_frames": 60}
ALL_DISTURBANCES = (
    disturb.Flicker(frequency=100, depth=0.2, harmonics=(1.0, 0.3), two_phases=True),
    disturb.Dusk(-0.2),
    disturb.Cloud(depth=0.2),
    disturb.Sway(1.0),
    disturb.Rain(10),
    disturb.Foliage(),
    disturb.RowNoise(8.0),
    disturb.FixedPattern(),
    disturb.HotPixels(5),
    disturb.BlinkingPixels(5, dwell_frames=10),
    disturb.Counter(),
    disturb.RollingShutter(0.5),
)


def settings(**changes):
    return TakeSettings(**{**SMALL, **changes})


@pytest.mark.parametrize("name", NAMES)
def test_same_seed_gives_the_same_frames(name):
    one, other = (make_take(name, settings(seed=4)) for _ in range(2))
    assert all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))
    assert one.truth == other.truth


def test_another_seed_gives_other_frames():
    one, other = (make_take("quiet", settings(seed=seed)) for seed in (1, 2))
    assert not np.array_equal(one.frame(0), other.frame(0))


@pytest.mark.parametrize("name", NAMES)
def test_a_frame_alone_equals_that_frame_in_sequence(name):
    events = () if name == "quiet" else (20,)
    asked = settings(seed=3, event_frames=events, disturbances=ALL_DISTURBANCES)
    in_order = list(make_take(name, asked))
    alone = make_take(name, asked)
    for t in (59, 21, 0, 20, 22, 19):
        np.testing.assert_array_equal(alone.frame(t), in_order[t])


@pytest.mark.parametrize("disturbance", ALL_DISTURBANCES, ids=lambda d: type(d).__name__)
def test_every_disturbance_changes_the_take_by_itself(disturbance):
    plain = make_take("storm", settings(seed=3, event_frames=(30,)))
    disturbed = make_take(
        "storm", settings(seed=3, event_frames=(30,), disturbances=(disturbance,))
    )
    assert any(not np.array_equal(a, b) for a, b in zip(plain, disturbed, strict=True))


def test_disturbing_a_frame_leaves_the_scene_alone():
    take = make_take("quiet", settings(disturbances=ALL_DISTURBANCES))
    before = take.picture(5).copy()
    for t in range(10):
        take.frame(t)
    np.testing.assert_array_equal(take.picture(5), before)


def test_without_events_the_frames_up_to_the_onset_are_the_same():
    happens = make_take("pane", settings(seed=5, event_frames=(30,)))
    nothing = make_take("pane", settings(seed=5, event_frames=()))
    for t in range(30):
        np.testing.assert_array_equal(happens.frame(t), nothing.frame(t))
    assert nothing.truth.events == ()


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_bit_depths_show_one_scene_within_rounding(bits):
    deep = make_take("drop", settings(seed=2, bit_depth=16, event_frames=(10,)))
    take = make_take("drop", settings(seed=2, bit_depth=bits, event_frames=(10,)))
    scale = ((1 << bits) - 1) / 65535
    for t in (0, 12, 40):
        apart = take.frame(t) - deep.frame(t) * scale
        # Half a step of either rounding.
        assert np.abs(apart).max() <= 0.5 + 0.5 * scale + 1e-3
        assert take.frame(t).dtype == (np.uint8 if bits == 8 else np.uint16)


@pytest.mark.parametrize("name", [name for name in NAMES if name != "quiet"])
@pytest.mark.parametrize("frame", [0, 59])
def test_events_may_lie_at_either_end(name, frame):
    take = make_take(name, settings(seed=6, event_frames=(frame,)))
    onsets = {event.onset for event in take.truth.events}
    assert frame in onsets or name == "impact"
    if name == "impact":
        assert take.truth.trigger_frame == frame
        assert frame in {event.onset for event in take.truth.events if event.kind == "lamp"}


@pytest.mark.parametrize("name", ["storm", "pane", "balloon", "drop", "spark", "release"])
def test_several_events(name):
    asked = settings(seed=1, n_frames=4000, event_frames=(100, 3900))
    assert [event.onset for event in make_take(name, asked).truth.events] == [100, 3900]


def test_drawn_events_lie_within_the_take():
    for seed in range(20):
        take = make_take("release", settings(seed=seed, n_events=3, n_frames=600))
        assert len(take.truth.events) == 3


def test_contrast_scales_visibility():
    faint, strong = (
        make_take("release", settings(seed=1, event_frames=(10,), contrast=c)).truth.events[0]
        for c in (0.1, 0.4)
    )
    assert strong.visibility / faint.visibility == pytest.approx(4, rel=0.1)


@pytest.mark.parametrize("background", ["dark", "lit", "textured"])
def test_backgrounds_have_the_level_asked_for(background):
    take = make_take("quiet", settings(background=background, level=0.2))
    assert take.picture(0).mean() == pytest.approx(0.2, rel=1e-4)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"rows": 10}, "at least 64x48"),
        ({"n_frames": 0}, "at least 1"),
        ({"event_frames": (60,)}, "give 0 to 59"),
        ({"background": "blue"}, "choose one of dark, lit, textured"),
        ({"capture_rate": Fraction(0)}, "must be above 0"),
        ({"exposure_s": 1.0}, "give at most the frame interval"),
        ({"bit_depth": 9}, "choose one of 8, 10, 12, 16"),
        ({"disturbances": (disturb.RollingShutter(), disturb.RollingShutter())}, "give it once"),
    ],
)
def test_impossible_settings_are_refused_with_the_cure(changes, says):
    with pytest.raises(SampleError, match=says):
        make_take("storm", settings(**changes))


def test_unknown_scenario_and_frame_are_refused():
    with pytest.raises(SampleError, match="there are: storm, pane"):
        make_take("comet")
    with pytest.raises(SampleError, match="frames 0 to 59"):
        make_take("quiet", settings()).frame(60)
    with pytest.raises(SampleError, match="at most 0 events"):
        make_take("quiet", settings(event_frames=(1,)))


def test_a_silent_sensor_gives_a_perfectly_static_take():
    take = make_take("quiet", settings(sensor=Sensor.silent(8)))
    assert all(np.array_equal(frame, take.frame(0)) for frame in take)


def test_the_example_in_the_package_docstring():
    assert doctest.testmod(sample_generators).failed == 0
