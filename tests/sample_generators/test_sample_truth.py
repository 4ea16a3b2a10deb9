"""Truth agrees with a slow, obvious measurement that shares no code with it."""

from __future__ import annotations

import json

import numpy as np
import pytest

from sample_generators import TakeSettings, disturb, make_take
from sample_generators.truth import tile_visibility

MOVING = ("storm", "pane", "balloon", "drop", "spark", "impact", "release", "pellet", "appear")


def plain_take(name, **changes):
    given = {"rows": 72, "cols": 96, "n_frames": 400, "seed": 8, "event_frames": (60,)}
    return make_take(name, TakeSettings(**{**given, **changes}))


def naive_visibility(change, variance):
    """Try every tile, one by one."""
    best = 0.0
    for top in range(change.shape[0] - 11):
        for left in range(change.shape[1] - 11):
            tile = (slice(top, top + 12), slice(left, left + 12))
            squares = np.sum(change[tile].astype(np.float64) ** 2)
            best = max(best, squares / variance[tile].astype(np.float64).mean())
    return np.sqrt(best)


def quiet_twin_change(take, t):
    """Change against the first frame, before anything happened, in code values."""
    scale = take.sensor.gain * take.sensor.full_well_e
    first, now = np.clip(take.picture(0), 0, 1), np.clip(take.picture(t), 0, 1)
    return scale * (now - first), take.variance_dn2(first)


def test_tile_visibility_equals_trying_every_tile():
    rng = np.random.default_rng(0)
    for shape in ((12, 12), (30, 25), (12, 40)):
        change = rng.normal(0, 3, shape).astype(np.float32)
        variance = rng.uniform(1, 5, shape).astype(np.float32)
        assert tile_visibility(change, variance) == pytest.approx(
            naive_visibility(change, variance), rel=1e-6
        )


def test_visibility_of_a_known_change():
    """All 144 pixels of a tile by one sigma: 12."""
    change = np.zeros((40, 40), np.float32)
    change[10:22, 5:17] = 2.0
    assert tile_visibility(change, np.full((40, 40), 4.0, np.float32)) == pytest.approx(12.0)


@pytest.mark.parametrize("name", MOVING)
@pytest.mark.parametrize("seed", [8, 9])
def test_onset_is_the_first_frame_that_differs(name, seed):
    take = plain_take(name, seed=seed)
    first = take.picture(0)
    differs = [t for t in range(400) if np.abs(take.picture(t) - first).max() > 1e-7]
    assert min(event.onset for event in take.truth.events) == differs[0]


@pytest.mark.parametrize("name", MOVING)
def test_end_is_the_last_frame_before_rest(name):
    take = plain_take(name, n_frames=20_000 if name != "pane" else 15_000)
    last = take.picture(len(take) - 1)
    event = max(take.truth.events, key=lambda event: event.end)
    assert event.end < len(take) - 1
    assert np.abs(take.picture(event.end) - last).max() > 1e-7
    for t in range(event.end + 1, min(event.end + 40, len(take))):
        assert np.abs(take.picture(t) - last).max() < 1e-6


@pytest.mark.parametrize("name", [name for name in MOVING if name != "impact"])
def test_visible_from_is_the_first_frame_above_three_sigma(name):
    take = plain_take(name, contrast=0.3)
    event = take.truth.events[0]
    # Before its start every picture is the first one.
    seen = next(t for t in range(58, 400) if naive_visibility(*quiet_twin_change(take, t)) > 3)
    assert event.visible_from == seen
    assert event.onset <= seen


@pytest.mark.parametrize("name", ["release", "spark", "balloon"])
def test_visibility_is_that_of_the_peak_frame_and_nearly_the_best(name):
    take = plain_take(name)
    event = take.truth.events[0]
    at_peak = naive_visibility(*quiet_twin_change(take, event.peak))
    assert event.visibility == pytest.approx(at_peak, rel=1e-5)
    change = (quiet_twin_change(take, t) for t in range(55, 250, 5))
    assert max(tile_visibility(*pair) for pair in change) < 1.1 * event.visibility


def test_faint_events_are_known_to_be_invisible():
    take = plain_take("release", contrast=1e-4)
    event = take.truth.events[0]
    assert event.visible_from is None
    assert event.visibility < 3
    assert event.onset >= 60


def test_two_events_at_once_are_told_apart():
    take = plain_take("release", cols=160, event_frames=(60, 62))
    left, right = take.truth.events
    assert (left.onset, right.onset) == (60, 62)
    assert left.box[0] + left.box[2] <= right.box[0]


def test_row_noise_lowers_visibility():
    quiet = plain_take("release").truth.events[0]
    noisy = plain_take("release", disturbances=(disturb.RowNoise(50.0),)).truth.events[0]
    assert noisy.visibility < 0.9 * quiet.visibility


def test_noise_of_the_frames_is_the_noise_that_visibility_counts():
    take = plain_take("quiet", event_frames=(), n_frames=300, bit_depth=12)
    measured = np.stack(list(take)).astype(np.float64).var(axis=0, ddof=1).mean()
    expected = float(take.variance_dn2(take.picture(0)).mean())
    assert measured == pytest.approx(expected, rel=4 * np.sqrt(2 / (299 * 72 * 96)))


def test_box_holds_the_change():
    take = plain_take("release")
    event = take.truth.events[0]
    x, y, width, height = event.box
    change, _ = quiet_twin_change(take, event.peak)
    outside = np.abs(change)
    outside[y : y + height, x : x + width] = 0
    assert outside.max() < 1.0


def test_truth_as_json(tmp_path):
    take = plain_take("impact", disturbances=(disturb.Sway(0.5),))
    take.truth.write(tmp_path / "x.truth.json")
    data = json.loads((tmp_path / "x.truth.json").read_text())
    assert data["note"].startswith("Invented")
    assert data["scenario"] == "impact"
    assert data["capture_rate"] == "1000"
    assert data["trigger_frame"] == 60
    assert "Sway" in data["disturbances"][0]
    assert [event["onset"] for event in data["events"]] == [e.onset for e in take.truth.events]
