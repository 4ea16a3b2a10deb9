"""Disturbances do what they say, by closed forms where there are any."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from sample_generators import SampleError, Sensor, TakeSettings, make_take
from sample_generators.disturb import (
    BlinkingPixels,
    Cloud,
    Counter,
    Dusk,
    FixedPattern,
    Flicker,
    Foliage,
    HotPixels,
    Rain,
    RollingShutter,
    RowNoise,
    Sway,
    TakeFacts,
)

BITS = 16


def facts(rate=5000.0, exposure_s=None, rows=60, cols=80, n_frames=1000):
    return TakeFacts(
        shape=(rows, cols),
        n_frames=n_frames,
        capture_rate=rate,
        exposure_s=1 / rate if exposure_s is None else exposure_s,
        full_well_e=10_000.0,
        full_scale_dn=4095,
        seed=3,
    )


def grey(take, level=0.5):
    return np.full(take.shape, level, np.float32)


def quiet(*disturbances, **changes):
    given = {"rows": 64, "cols": 80, "n_frames": 400, "sensor": Sensor.silent(BITS), "seed": 1}
    return make_take("quiet", TakeSettings(**{**given, **changes}, disturbances=disturbances))


def percent_flicker(light):
    """100 (max - min) / (max + min): READ, CIE electronic vocabulary, term 39."""
    return 100 * (light.max() - light.min()) / (light.max() + light.min())


def flicker_index(light):
    """Area above the mean over the total area: READ, IEV 845-22-094."""
    return np.maximum(light - light.mean(), 0).sum() / light.sum()


@pytest.mark.parametrize(("depth", "index"), [(0.5, 0.15915), (1.0, 0.31831), (0.2, 0.2 / np.pi)])
def test_flicker_index_of_a_sine_is_depth_over_pi(depth, index):
    """Closed form m/π (CALC): .15915 at m = .5, .31831 at m = 1; percent flicker 100 m."""
    instants = np.arange(200_000) / 200_000 * 0.02
    light = Flicker(frequency=100, depth=depth).ripple(instants, 0.0)
    assert flicker_index(light) == pytest.approx(index, abs=1e-5)
    assert percent_flicker(light) == pytest.approx(100 * depth, abs=1e-3)


@pytest.mark.parametrize(("exposure_s", "left"), [(1 / 200, 0.6366), (1 / 1000, 0.9836)])
def test_exposure_weakens_ripple_by_its_sinc(exposure_s, left):
    """|sin(πfT) / (πfT)| at 100 Hz (CALC); beside it, exposures added up instant by instant."""
    flicker = Flicker(frequency=100, depth=1.0)
    starts = np.arange(1000) / 1000 * 0.01
    light = flicker.ripple(starts, exposure_s)
    assert percent_flicker(light) / 100 == pytest.approx(left, abs=1e-4)
    within = (np.arange(2000) + 0.5) / 2000 * exposure_s
    added = flicker.ripple(starts[:, None] + within, 0.0).mean(axis=1)
    np.testing.assert_allclose(light, added, atol=1e-6)


def test_an_exposure_of_one_light_cycle_shows_no_flicker():
    """1/100 s under 100 Hz: identical frames (READ, photo-spectrum.info; CALC: sinc is 0)."""
    light = Flicker(frequency=100, depth=1.0).ripple(np.arange(50) / 997, 1 / 100)
    np.testing.assert_allclose(light, 1.0, atol=1e-12)


@pytest.mark.parametrize(
    ("rate", "hz", "change"),
    [(1000, 100, 0.6180), (1000, 120, 0.7362), (5000, 100, 0.1256), (5000, 120, 0.1507),
     (10_000, 100, 0.0628), (10_000, 120, 0.0754)],
)  # fmt: skip
def test_largest_change_per_frame(rate, hz, change):
    """2 m sin(πf/rate) of the mean (CALC), for a short exposure."""
    starts = np.arange(rate * 3) / rate
    phases = np.linspace(0, 2 * np.pi, 40)
    steps = [
        np.abs(np.diff(Flicker(frequency=hz, depth=1.0, phase=p).ripple(starts, 0.0))).max()
        for p in phases
    ]
    assert max(steps) == pytest.approx(change, rel=2e-3)


@pytest.mark.parametrize(("hz", "frames"), [(100, 10), (120, 25)])
def test_flicker_repeats_in_the_written_frames(hz, frames):
    """At 1,000 frames/s 100 Hz repeats after 10 frames and 120 Hz, 8.33 a cycle, after 25."""
    take = quiet(Flicker(frequency=hz, depth=0.3), capture_rate=Fraction(1000))
    means = np.array([take.frame(t).astype(np.float64).mean() for t in range(60)])
    np.testing.assert_allclose(means[frames:], means[:-frames], rtol=1e-4)
    assert np.ptp(means) > 0.3 * means.mean()
    assert not np.allclose(means[frames - 1 :], means[: -frames + 1], rtol=1e-2)


def test_harmonics_and_two_phases():
    rich = Flicker(frequency=100, depth=0.4, harmonics=(1.0, 0.5), two_phases=True)
    run = rich.start(facts(rate=1000.0))
    light = np.stack([run(grey(facts()), t)[0] for t in range(100)]) / 0.5
    left, right = light[:, 0], light[:, -1]
    spectrum = np.abs(np.fft.rfft(left)) / 50
    # The border between the sides is soft: at the left edge 1/(1 + e⁵) is the other phase.
    other = 1 / (1 + np.exp(5))
    mixed = abs(1 - other + other * np.exp(-4j * np.pi / 3))
    assert spectrum[10] == pytest.approx(0.4 * np.sinc(0.1) * mixed, rel=1e-5)
    assert spectrum[20] == pytest.approx(0.2 * np.sinc(0.2) * mixed, rel=1e-5)
    lag = np.angle(np.fft.rfft(right)[10] / np.fft.rfft(left)[10])
    # 240° behind is 120° ahead, less what either side has of the other's phase.
    assert lag == pytest.approx(2 * np.pi / 3, abs=2.5 * other)


def test_row_delay_puts_bands_into_the_picture():
    run = Flicker(frequency=100, depth=0.5, line_delay=1.0).start(
        facts(rate=100.0, exposure_s=1e-5)
    )
    rows = run(grey(facts()), 0)[:, 0]
    np.testing.assert_allclose(
        rows, 0.5 * (1 + 0.5 * np.sin(2 * np.pi * np.arange(60) / 60)), atol=2e-3
    )


def test_dusk_reaches_its_change_at_the_last_frame():
    run = Dusk(-0.3).start(facts())
    assert run(grey(facts()), 999).mean() == pytest.approx(0.35, rel=1e-5)
    assert run(grey(facts()), 0).mean() == pytest.approx(0.5)


def test_cloud_crosses_once_and_slowly():
    run = Cloud(depth=0.25).start(facts())
    light = np.stack([run(grey(facts()), t)[0] for t in range(0, 1000, 10)])
    assert light[0].min() > 0.48
    assert light[-1].max() < 0.38
    assert np.abs(np.diff(light, axis=0)).max() < 0.01


def test_sway_moves_a_point_within_its_amplitude():
    take = facts(rows=80, cols=80)
    run = Sway(3.0).start(take)
    picture = np.zeros(take.shape, np.float32)
    picture[38:43, 38:43] = 1.0
    y, x = np.mgrid[:80, :80]
    moved = [run(picture.copy(), t) for t in range(0, 3000, 50)]
    places = np.array([(float((y * m).sum()), float((x * m).sum())) for m in moved]) / 25.0 - 40
    reach = np.hypot(*places.T)
    assert 1.0 < reach.max() <= 3.0 + 1e-3
    # Slow: at 5,000 frames/s far less than a pixel from frame to frame.
    assert np.abs(run(picture.copy(), 100) - run(picture.copy(), 101)).max() < 0.05


def test_rain_falls_at_its_speed():
    take = facts(rows=200, cols=60, rate=1000.0)
    run = Rain(1, brightness=1.0, speed_px_s=1000.0, length_px=6).start(take)
    rows = np.arange(200)
    track = []
    for t in range(600):
        picture = run(np.zeros(take.shape, np.float32), t)
        if picture[10:-20].sum() > 5 and picture[:10].sum() + picture[-20:].sum() == 0:
            track.append((t, (picture.sum(axis=1) @ rows) / picture.sum()))
    t, y = np.array(track[:50]).T
    speed = np.polyfit(t, y, 1)[0]
    assert 0.8 <= speed <= 1.2
    # Sixteenths of a pixel are the steps.
    assert np.abs(np.diff(y) - speed * np.diff(t)).max() < 0.13


def test_foliage_stays_in_its_corner_and_moves():
    run = Foliage().start(facts())
    one, other = run(grey(facts()), 0), run(grey(facts()), 500)
    assert np.all(one[:40] == 0.5)
    assert np.all(one[:, :54] == 0.5)
    assert np.abs(one - other).max() > 0.05


def test_row_noise_is_one_number_a_row():
    run = RowNoise(8.0).start(facts(rows=400))
    frames = np.stack([run(np.zeros((400, 80), np.float32), t) for t in range(50)])
    assert np.ptp(frames, axis=2).max() == 0
    rows = frames[:, :, 0]
    assert rows.std() == pytest.approx(8.0, rel=4 / np.sqrt(2 * rows.size))
    assert abs(np.corrcoef(rows[0], rows[1])[0, 1]) < 4 / np.sqrt(400)


def test_fixed_pattern_is_fixed_and_as_wide_as_asked():
    run = FixedPattern(prnu=0.02, dsnu_e=0.0).start(facts(rows=200, cols=200))
    one, other = (run(np.full((200, 200), 1000, np.float32), t) for t in (0, 77))
    np.testing.assert_array_equal(one, other)
    assert one.std() / 1000 == pytest.approx(0.02, rel=4 / np.sqrt(80_000))


def test_hot_pixels_are_as_many_as_asked():
    run = HotPixels(7).start(facts())
    hot = run(np.zeros((60, 80), np.float32), 0)
    assert np.count_nonzero(hot) == 7
    np.testing.assert_array_equal(hot, run(np.zeros((60, 80), np.float32), 9))


def test_blinking_pixels_stay_as_long_as_told():
    """Exponential stays of mean 20 frames: the switching rate is 1/20 a frame."""
    run = BlinkingPixels(30, step=0.05, dwell_frames=20).start(facts(n_frames=5000))
    levels = np.stack([run(np.zeros((60, 80), np.float32), t).ravel() for t in range(5000)])
    blinking = levels[:, levels.any(axis=0)]
    assert blinking.shape[1] == 30
    assert set(np.unique(blinking)) == {0.0, 500.0}
    switches = np.count_nonzero(np.diff(blinking, axis=0))
    # Two switches within one frame cannot be seen: 5,000 frames hold odd numbers of them only.
    expected = 30 * 4999 * 0.5 * (1 - np.exp(-2 / 20))
    assert switches == pytest.approx(expected, rel=4 / np.sqrt(expected))


def test_counter_counts_and_hides_nothing_else():
    plain, counted = quiet(), quiet(Counter())
    one, other = counted.frame(7), counted.frame(8)
    np.testing.assert_array_equal(one[11:], plain.frame(7)[11:])
    changed = np.argwhere(one != other)
    # Only the last of the seven digits differs between 7 and 8.
    assert changed[:, 1].min() >= 6 * 8
    assert changed[:, 1].max() < 7 * 8
    assert one[:11, :56].max() == 65535
    np.testing.assert_array_equal(counted.frame(7)[:11], quiet(Counter()).frame(7)[:11])


def test_rolling_shutter_shows_a_flash_early_in_the_lower_rows():
    asked = {"rows": 64, "cols": 80, "n_frames": 60, "event_frames": (30,), "seed": 2}
    plain = make_take("spark", TakeSettings(**asked))
    rolled = make_take("spark", TakeSettings(**asked, disturbances=(RollingShutter(0.5),)))
    early = rolled.picture(29) - plain.picture(29)
    step = plain.picture(30) - plain.picture(29)
    share = 0.5 * np.arange(64)[:, None] / 64
    np.testing.assert_allclose(early, share * step, atol=1e-6)
    assert plain.truth.events[0].onset == 30
    assert rolled.truth.events[0].onset == 29


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Flicker(depth=1.5), "depth is 0 to 1"),
        (lambda: Dusk(-2.0), "more than all"),
        (lambda: Cloud(depth=-1), "0 to 1"),
        (lambda: Sway(50), "0 to 10 pixels"),
        (lambda: Rain(-1), "0 drops or more"),
        (lambda: RowNoise(-1), "0 electrons or more"),
        (lambda: RollingShutter(2), "0 to 1"),
        (lambda: BlinkingPixels(dwell_frames=0), "at least 1"),
        (lambda: HotPixels(10**6).start(facts()), "do not fit"),
    ],
)
def test_impossible_disturbances_are_refused(make, says):
    with pytest.raises(SampleError, match=says):
        make()
