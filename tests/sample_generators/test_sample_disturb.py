"""Disturbances do what they say, by closed forms where there are any."""

from __future__ import annotations

import dataclasses
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from sample_generators import SampleError, Sensor, TakeSettings, make_take
from sample_generators.disturb import (
    BlinkingPixels,
    Bystander,
    Clock,
    Cloud,
    Counter,
    Drops,
    Dusk,
    FixedPattern,
    Flicker,
    Foliage,
    HotPixels,
    Letterbox,
    Logo,
    Order,
    PixelNoise,
    Rain,
    Repeats,
    RollingShutter,
    RowNoise,
    Smoke,
    Snow,
    Sway,
    TakeFacts,
    Vibration,
    Warming,
    Water,
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
        (lambda: Warming(deficit=2), "lacks 0 to 1"),
        (lambda: Snow(flakes=-1), "0 flakes or more"),
        (lambda: Water(height=0), "above 0, up to 1"),
        (lambda: Bystander(part=0), "above 0, up to 1"),
        (lambda: Vibration(amplitude_px=50), "0 to 10 pixels"),
        (lambda: Vibration(period_frames=0), "above 0 frames"),
        (lambda: Smoke(opacity=2), "opacity is 0 to 1"),
        (lambda: Counter(digit_rows=3), "8 pixels high"),
        (lambda: Clock(digit_rows=3), "8 pixels high"),
        (lambda: Clock(corner="middle").covered((64, 64)), "choose one of top-left"),
        (lambda: Logo(size_px=2), "6 pixels or more"),
        (lambda: Letterbox(part=0.7), "below half the height"),
        (lambda: Repeats(mean_frames=1), "at least 2 frames apart"),
        (lambda: Drops(longest=0), "a frame long or more"),
        (lambda: PixelNoise(freedom=2), "freedom above 2"),
        (lambda: RollingShutter(0.5, edge=2), "0 to 1 of the height"),
    ],
)
def test_impossible_disturbances_are_refused(make, says):
    with pytest.raises(SampleError, match=says):
        make()


def test_deep_flicker_goes_dark_and_never_below():
    deep = Flicker(frequency=100, depth=1.0, harmonics=(1.0, 0.2))
    run = deep.start(facts(rate=5000.0))
    light = np.array([run(grey(facts()), t)[0, 0] for t in range(50)]) / 0.5
    assert light.min() == 0.0
    assert light.max() > 1.9


def test_a_drifting_lamp_ends_with_another_depth_and_frequency():
    """Phase 2πf(t + d(t²/T - t)): frequency f(1 - d) at first, f(1 + d) at the end."""
    taken = facts(rate=1000.0, exposure_s=1e-6, n_frames=2001)
    drifts = Flicker(frequency=10, depth=0.4, depth_drift=-0.5, frequency_drift=0.1)
    run = drifts.start(taken)
    light = np.array([run(grey(taken), t)[0, 0] for t in range(2001)]) / 0.5 - 1
    assert light[:150].max() == pytest.approx(0.4, rel=0.05)
    assert light[-150:].max() == pytest.approx(0.2, rel=0.1)
    rises = np.flatnonzero((light[:-1] < 0) & (light[1:] >= 0))
    assert np.diff(rises)[:2].mean() == pytest.approx(1000 / 9.1, abs=1.5)
    assert np.diff(rises)[-2:].mean() == pytest.approx(1000 / 10.9, abs=1.5)


def test_a_lamp_warms_up_exponentially():
    run = Warming(deficit=0.2, part=0.25).start(facts(n_frames=1001))
    light = [run(grey(facts()), t).mean() / 0.5 for t in (0, 250, 1000)]
    expected = [0.8, 1 - 0.2 * np.exp(-1), 1 - 0.2 * np.exp(-4)]
    np.testing.assert_allclose(light, expected, rtol=1e-5)


def test_snow_sinks_slower_and_is_larger_than_rain():
    taken = facts(rows=200, cols=120, rate=1000.0)
    run = Snow(flakes=1, brightness=1.0, speed_px_s=200.0).start(taken)
    rows, track = np.arange(200), []
    for t in range(0, 4000, 10):
        picture = run(np.zeros(taken.shape, np.float32), t)
        light = picture.sum()
        border = sum(
            edge.sum() for edge in (picture[:5], picture[-5:], picture[:, :8], picture[:, -8:])
        )
        if light > 5 and border == 0:
            track.append((t, (picture.sum(axis=1) @ rows) / light, np.count_nonzero(picture)))
    t, y, area = np.array(track[:15]).T
    speed = np.polyfit(t, y, 1)[0]
    assert 0.1 <= speed <= 0.32
    assert area.min() > 40


def test_water_ripples_below_its_shore_and_nowhere_else():
    taken = facts(rows=80, cols=100, rate=1000.0)
    run = Water(height=0.25).start(taken)
    still, later = run(grey(taken), 0), run(grey(taken), 40)
    assert np.all(still[:60] == 0.5)
    assert still[66:].std() > 0.03
    assert np.abs(later - still)[66:].max() > 0.05
    # It only ripples: over time its mean is the still picture's, but for the glints.
    mean = np.mean([run(grey(taken), t)[66:].mean() for t in range(0, 4000, 100)])
    assert mean == pytest.approx(0.5, abs=0.02)


def test_bystander_stays_in_his_part_and_walks():
    taken = facts(rows=120, cols=200, rate=1000.0)
    run = Bystander(part=0.2).start(taken)
    frames = [run(grey(taken), t) for t in range(0, 1200, 60)]
    assert all(np.all(frame[:, 40:] == 0.5) for frame in frames)
    assert frames[0][:, :40].min() < 0.2
    cols = np.arange(40)
    places = [
        ((0.5 - f[40:80, :40]).sum(axis=0) @ cols) / (0.5 - f[40:80, :40]).sum() for f in frames
    ]
    assert np.ptp(places) > 10


def test_vibration_starts_with_the_event_and_dies_out():
    taken = facts(rows=80, cols=80)
    taken = dataclasses.replace(taken, starts=(100.3,))
    run = Vibration(amplitude_px=2.0, period_frames=20, decay_frames=40).start(taken)
    picture = np.zeros(taken.shape, np.float32)
    picture[38:43, 38:43] = 1.0
    y, x = np.mgrid[:80, :80]

    def away(t):
        moved = run(picture.copy(), t)
        return np.hypot((moved * y).sum() / 25 - 40, (moved * x).sum() / 25 - 40)

    assert all(away(t) == 0 for t in (0, 50, 99))
    assert away(100) > 0.1
    swings = np.array([away(t) for t in range(100, 500)])
    assert 1.0 < swings.max() <= 2.0
    # exp(-200/40) of 2 pixels
    assert swings[200:].max() < 0.02


def test_smoke_comes_with_the_event_and_thins_out():
    taken = dataclasses.replace(facts(rate=1000.0), starts=(100.3,))
    run = Smoke(opacity=0.3, grey=0.8).start(taken)
    veil = {t: np.abs(run(grey(taken), t) - 0.5).max() for t in (99, 100, 110, 200, 4000)}
    assert veil[99] == 0
    assert 0 < veil[100] < veil[110] < veil[200] <= 0.09
    assert veil[4000] < 0.3 * veil[200]
    hanging = Smoke().start(facts(rate=1000.0))
    assert np.abs(hanging(grey(taken), 0) - 0.5).max() > 0.005


def test_counter_digits_are_as_high_as_asked_and_where_asked():
    plain, counted = quiet(cols=160), quiet(Counter(4, 24, "bottom-right"), cols=160)
    changed = np.argwhere(plain.frame(8) != counted.frame(8))
    assert changed.min(axis=0).tolist() == [40, 160 - 4 * 17]
    one, other = counted.frame(8), counted.frame(9)
    rows = np.flatnonzero((one != other).any(axis=1))
    assert 10 < np.ptp(rows) < 24


def test_clock_runs_in_microseconds():
    clock = Clock(began_s=86_399)
    run = clock.start(facts(rate=1000.0, rows=60, cols=140))
    shape = (60, 140)
    frames = [run(np.zeros(shape, np.uint16), t).copy() for t in (0, 1, 2, 1000)]
    assert all(np.any(a != b) for a, b in pairwise(frames))
    assert not frames[0][:49].any()
    # 23:59:59 and a thousand frames later midnight: 00:00:00, the fraction the same again.
    cells = [slice(20 + 8 * i, 28 + 8 * i) for i in range(15)]
    differ = [i for i, cell in enumerate(cells) if np.any(frames[0][:, cell] != frames[3][:, cell])]
    assert differ == [0, 1, 3, 4, 6, 7]


def test_logo_spins_in_its_corner():
    plain, marked = quiet(cols=160), quiet(Logo(size_px=20), cols=160)
    corner = (slice(4, 24), slice(160 - 24, 160 - 4))
    frames = [marked.frame(t) for t in range(3)]
    assert all(np.any(a[corner] != b[corner]) for a, b in pairwise(frames))
    outside = frames[1] != plain.frame(1)
    outside[corner] = False
    assert not outside.any()


def test_letterbox_is_exactly_black_and_hides_events():
    barred = quiet(Letterbox(part=0.25))
    frame = barred.frame(3)
    assert not frame[:16].any()
    assert not frame[48:].any()
    assert frame[16:48].min() > 0
    asked = {"rows": 96, "cols": 96, "n_frames": 200, "event_frames": (20,), "event_length": 5}
    for seed in range(6):
        open_, hidden = (
            make_take("pellet", TakeSettings(seed=seed, disturbances=bars, **asked)).truth.events[0]
            for bars in ((), (Letterbox(part=0.45),))
        )
        assert (open_.onset, open_.end) == (hidden.onset, hidden.end) == (20, 24)
        y = open_.box[1]
        inside = 44 <= y <= 96 - 44 - 4
        assert hidden.visibility == pytest.approx(open_.visibility if inside else 0, rel=0.05)


def test_repeats_are_copies_and_truth_moves_to_the_first_frame_that_shows():
    take = quiet(Repeats(mean_frames=10, longest=2), sensor=None)
    copies = set(take.truth.copies)
    assert 30 < len(copies) < 110
    frames = [take.frame(t) for t in range(400)]
    same = {t for t in range(1, 400) if np.array_equal(frames[t], frames[t - 1])}
    assert same == copies
    asked = {"rows": 64, "cols": 64, "n_frames": 400, "event_frames": (40, 90, 180, 300)}
    lost = make_take(
        "lamp",
        TakeSettings(event_length=4, disturbances=take.settings.disturbances, seed=1, **asked),
    )
    copies = set(lost.truth.copies)
    dark = lost.frame(0).mean()
    lit = [t for t in range(400) if lost.frame(t).mean() > 1.2 * dark]
    starts = [t for t in lit if t - 1 not in lit]
    assert [event.onset for event in lost.truth.events] == starts
    assert [event.end for event in lost.truth.events] == [t for t in lit if t + 1 not in lit]


def test_drops_make_time_jump_and_truth_knows_the_files_numbers():
    drops = Drops(mean_frames=10, longest=3)
    counted = quiet(drops, Counter(), cols=80, n_frames=200)
    order = Order((drops,), facts(n_frames=200))
    sources = [order.source(t) for t in range(200)]
    assert sources[0] == 0
    steps = set(np.diff(sources).tolist())
    assert 1 in steps
    assert max(steps) > 1
    for source in range(0, sources[-1], 7):
        found = order.first_at(source, 200)
        assert sources[found] >= source
        assert found == 0 or sources[found - 1] < source
    assert counted.truth.copies == ()
    asked = {"rows": 64, "cols": 64, "n_frames": 400, "event_frames": (40, 90, 180, 300)}
    jumped = make_take("lamp", TakeSettings(event_length=6, disturbances=(drops,), **asked))
    dark = jumped.frame(0).mean()
    lit = [t for t in range(400) if jumped.frame(t).mean() > 1.2 * dark]
    assert [event.onset for event in jumped.truth.events] == [t for t in lit if t - 1 not in lit]


@pytest.mark.parametrize("memory", [1, 4])
@pytest.mark.parametrize("freedom", [3.5, np.inf])
def test_pixel_noise_has_its_spread_and_its_memory(freedom, memory):
    """Correlation of a moving mean of ``memory`` white fields falls linearly to 0."""
    run = PixelNoise(sigma_e=50, freedom=freedom, memory_frames=memory).start(
        facts(rows=150, cols=150)
    )
    fields = np.stack([run(np.zeros((150, 150), np.float32), t) for t in range(12)]).astype(float)
    # Heavy tails make the sample variance unsure: its own spread falls slowly.
    assert fields.std() == pytest.approx(50, rel=0.06)
    for lag in (1, 2, 4):
        seen = np.mean(fields[lag:] * fields[:-lag]) / np.mean(fields**2)
        assert seen == pytest.approx(max(0, 1 - lag / memory), abs=0.03)
    assert np.mean(np.abs(fields) > 200) > 1e-4 or not np.isfinite(freedom) or memory > 1
    np.testing.assert_array_equal(fields[5], run(np.zeros((150, 150), np.float32), 5))


def test_pixel_noise_counts_as_noise():
    plain, noisy = quiet(), quiet(PixelNoise(sigma_e=30))
    picture = plain.picture(0)
    added = noisy.variance_dn2(picture) - plain.variance_dn2(picture)
    np.testing.assert_allclose(added, (30 * plain.sensor.gain) ** 2, rtol=1e-3)


def test_a_strobe_in_a_rolling_shutter_has_a_sharp_edge():
    asked = {"rows": 80, "cols": 80, "n_frames": 60, "event_frames": (30,)}
    plain = make_take("lamp", TakeSettings(**asked))
    rolled = make_take("lamp", TakeSettings(**asked, disturbances=(RollingShutter(0.5, edge=0.6),)))
    lit = plain.picture(30)
    np.testing.assert_array_equal(rolled.picture(29)[48:], lit[48:])
    np.testing.assert_array_equal(rolled.picture(29)[:48], plain.picture(29)[:48])
    np.testing.assert_array_equal(rolled.picture(30)[:48], lit[:48])
    np.testing.assert_array_equal(rolled.picture(30)[48:], plain.picture(31)[48:])
    assert (rolled.truth.events[0].onset, rolled.truth.events[0].end) == (29, 30)


def test_visibility_is_that_of_the_light_at_the_moment():
    """In the dark half of deep flicker a flash of the lamps' own kind cannot be seen."""
    asked = {"rows": 64, "cols": 64, "n_frames": 100, "capture_rate": Fraction(1000)}
    flicker = Flicker(frequency=100, depth=1.0, phase=-np.pi / 10)
    take = make_take("lamp", TakeSettings(**asked, event_frames=(32, 37), disturbances=(flicker,)))
    bright, dark = take.truth.events
    assert (bright.onset, dark.onset) == (32, 37)
    assert dark.visibility < 0.2 * bright.visibility


@pytest.mark.parametrize("depth", [8, 10, 12, 16])
def test_all_together_at_every_depth(depth):
    together = (
        Flicker(depth=1.0, two_phases=True),
        Warming(),
        Snow(),
        Water(),
        Bystander(),
        Smoke(),
        Sway(3.0),
        Vibration(),
        PixelNoise(freedom=3.0),
        Letterbox(),
        Counter(),
        Clock(),
        Logo(),
        Repeats(mean_frames=5),
        Drops(mean_frames=5),
    )
    asked = {"rows": 64, "cols": 160, "n_frames": 40, "event_frames": (10,), "bit_depth": depth}
    take = make_take("appear", TakeSettings(**asked, disturbances=together))
    again = make_take("appear", TakeSettings(**asked, disturbances=together))
    np.testing.assert_array_equal(take.frame(30), again.frame(30))
    frames = np.stack(list(take))
    assert frames.max() == (1 << depth) - 1
    assert len(take.truth.events) == 1
    assert len(take.truth.disturbances) == len(together)
