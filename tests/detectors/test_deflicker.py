"""Lamps on the mains: found, foretold and taken out, and nothing else with them.

Sources: light pulses at twice the mains, 100 or 120 Hz (common practice, no source);
percent flicker is 100 (max - min) / (max + min) (CIE e-ILV term 39; for 1 + m sin it is 100 m,
a closed form).  The ripple of m at f Hz changes by at most 2 m sin(pi f / fps) of the mean
from frame to frame (closed form).
"""

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from flashpan.detectors.flicker import FIRST_LOOK, LOOKS, Deflicker, _Model
from flashpan.detectors.ripple import Ripple, find_ripple
from flashpan.grid import lay_grid
from flashpan.model import TakeInfo, Tiles

SHAPE = (96, 144)
PIXEL_NOISE = 0.01
LEVEL = 0.4


def info(rate):
    return TakeInfo(
        path="lamps", name="lamps", shape=SHAPE, bit_depth=12,
        capture_rate=None if rate is None else Fraction(rate),
    )  # fmt: skip


def lamps(hz, rate, depth, frames, *, phases=None):
    """Light relative to its mean, shape (frames, tile_rows, tile_cols)."""
    rows, cols = lay_grid(SHAPE).shape
    lag = np.zeros((rows, cols)) if phases is None else phases
    t = np.arange(frames)[:, None, None] / rate
    return 1.0 + depth * np.sin(2 * np.pi * hz * t - lag)


def filmed(light, seed=1):
    """Tile statistics of an even scene in that light, with white noise, frame by frame."""
    rng = np.random.default_rng(seed)
    n_px = 144
    means = LEVEL * light + rng.standard_normal(light.shape) * PIXEL_NOISE / math.sqrt(n_px)
    # A mean square difference is the square of the mean's step and the spread around it.
    steps = np.diff(means, axis=0, prepend=means[:1])
    n = n_px - 1
    spread = 1 + rng.standard_normal(light.shape) * math.sqrt(2 / n)
    noise = 2 * PIXEL_NOISE**2 * n / n_px * spread
    for index, mean in enumerate(means):
        square = (noise[index] + steps[index] ** 2) * (index > 0)
        yield Tiles(
            index=index,
            mean=mean.astype(np.float32),
            abs_diff=np.sqrt(square).astype(np.float32),
            sq_diff=square.astype(np.float32),
            has_previous=index > 0,
        )


def steadied(tiles, rate):
    flicker = Deflicker(info(rate), lay_grid(SHAPE))
    out = [done for one in tiles for done in flicker.push(one)] + list(flicker.finish())
    return flicker, out


def means(tiles):
    return np.stack([one.mean for one in tiles]).astype(np.float64)


CASES = [
    (100, 500, 1.0),  # 5 frames a period
    (120, 1_000, 0.2),  # 8.33: no whole number
    (100, 1_000, 0.02),
    (120, 5_000, 0.5),  # 41.67
    (100, 20_000, 0.2),
    (100, 50_000, 0.2),  # 500
]


@pytest.mark.parametrize(("hz", "rate", "depth"), CASES)
@pytest.mark.parametrize("is_known", [True, False])
def test_ripple_is_taken_out_down_to_the_noise(hz, rate, depth, is_known):
    period = rate / hz
    if not is_known and period > 200:
        pytest.skip("an unknown light must show three periods in the first 1024 frames")
    flicker, out = steadied(filmed(lamps(hz, rate, depth, 1500)), rate if is_known else None)
    assert flicker.ripple.period == pytest.approx(period, rel=0.005)
    left = means(out)
    white = PIXEL_NOISE / 12
    assert np.sqrt(np.mean(np.var(left, axis=0))) < 1.15 * white
    before = np.sqrt(0.5) * depth * LEVEL
    assert before > 4 * white  # there was something to take out


def test_steps_of_the_ripple_leave_the_squared_difference():
    hz, rate, depth = 120, 1_000, 0.2
    tiles = list(filmed(lamps(hz, rate, depth, 800)))
    _, out = steadied(iter(tiles), rate)
    largest = 2 * depth * math.sin(math.pi * hz / rate) * LEVEL
    assert max(one.sq_diff.mean() for one in tiles) == pytest.approx(
        2 * PIXEL_NOISE**2 + largest**2, rel=0.03
    )
    left = np.array([one.sq_diff.mean() for one in out[1:]])
    assert left.max() < 1.15 * 2 * PIXEL_NOISE**2
    assert left.mean() == pytest.approx(2 * PIXEL_NOISE**2, rel=0.05)


def test_two_circuits_in_different_phases():
    rows, cols = lay_grid(SHAPE).shape
    phases = np.zeros((rows, cols))
    phases[:, cols // 2 :] = (
        4 * np.pi / 3
    )  # the next mains phase: 240 degrees at twice its frequency
    _, out = steadied(filmed(lamps(100, 2_000, 0.3, 1200, phases=phases)), 2_000)
    assert means(out).std(axis=0).max() < 1.3 * PIXEL_NOISE / 12


def test_a_lamp_that_drifts_is_followed():
    hz = 100 * (1 + 0.002 * np.arange(4000) / 4000)  # the mains speed up by 0.2 %
    phase = 2 * np.pi * np.cumsum(hz) / 1_000
    depth = np.linspace(0.3, 0.2, 4000)
    light = np.broadcast_to((1 + depth * np.sin(phase))[:, None, None], (4000, 8, 12))
    _, out = steadied(filmed(light), 1_000)
    assert means(out)[1000:].std(axis=0).mean() < 1.6 * PIXEL_NOISE / 12


@pytest.mark.parametrize("at", [60, 700])
def test_a_flash_stays_whole(at):
    light = lamps(100, 1_000, 0.3, 1000)
    height = 3 * 0.3  # three times the amplitude of the ripple
    light[at] += height
    _, out = steadied(filmed(light), 1_000)
    left = means(out)
    quiet = np.median(left, axis=0)
    assert np.mean(left[at] - quiet) == pytest.approx(height * LEVEL, rel=0.02)
    others = np.delete(left, at, axis=0)
    assert others.std(axis=0).mean() < 1.15 * PIXEL_NOISE / 12


def test_something_that_stays_keeps_its_step():
    light = lamps(100, 1_000, 0.2, 1500)
    light[900:, 2:4, 3:5] *= 1.5
    _, out = steadied(filmed(light), 1_000)
    left = means(out)[:, 2:4, 3:5]
    step = left[905:960].mean() - left[600:900].mean()
    assert step == pytest.approx(0.5 * LEVEL, rel=0.05)


def test_steady_light_goes_straight_through_after_the_first_look():
    flicker = Deflicker(info(1_000), lay_grid(SHAPE))
    tiles = list(filmed(np.ones((200, 8, 12))))
    given = [len(list(flicker.push(one))) for one in tiles]
    assert given[: FIRST_LOOK - 1] == [0] * (FIRST_LOOK - 1)
    assert given[FIRST_LOOK - 1] == FIRST_LOOK
    assert set(given[FIRST_LOOK:]) == {1}
    assert flicker.ripple is None


def test_dusk_is_no_ripple():
    light = np.linspace(1.0, 0.7, 1500)[:, None, None] * np.ones((1, 8, 12))
    tiles = list(filmed(light))
    flicker, out = steadied(iter(tiles), 50_000)
    assert flicker.ripple is None
    assert out == tiles


def test_frames_come_out_in_order_and_all():
    for n in (1, 20, 40, 130, 600):
        _, out = steadied(filmed(lamps(100, 1_000, 0.3, n)), 1_000)
        assert [one.index for one in out] == list(range(n))


def test_the_strongest_line_of_an_unknown_lamp_is_found():
    t = np.arange(512)
    rng = np.random.default_rng(3)
    series = 20 * np.abs(np.sin(np.pi * t / 23.7))[None, :] + rng.standard_normal((6, 512))
    assert find_ripple(series, None).period == pytest.approx(23.7, rel=0.002)


def test_noise_has_no_ripple():
    series = np.random.default_rng(4).standard_normal((40, 512))
    assert find_ripple(series, None) is None
    assert find_ripple(series, 5_000) is None


@pytest.mark.parametrize("rate", [10_000, 20_000, 50_000, 100_000])
def test_a_slow_flash_in_a_short_take_is_no_lamp(rate):
    # One hump, as long as a part of a mains period: nobody can say that it repeats.
    t = np.arange(140)
    light = 1.0 + 0.3 * np.exp(-0.5 * ((t - 70) / 12.0) ** 2)
    tiles = list(filmed(np.broadcast_to(light[:, None, None], (140, 8, 12))))
    flicker, out = steadied(iter(tiles), rate)
    assert flicker.ripple is None
    assert out == tiles


@pytest.mark.parametrize("gone", ["dark", "steady", "copies", "fades"])
def test_lamps_that_go_out_leave_finite_light(gone):
    light = lamps(100, 5_000, 0.2, 4000)
    if gone == "dark":
        light[1500:] = 0.0
    elif gone == "steady":
        light[1500:] = 1.0
    elif gone == "fades":
        light *= np.linspace(1.0, 0.0, 4000)[:, None, None]
    tiles = list(filmed(light))
    if gone == "copies":
        still = [
            replace(tiles[1500], index=i, sq_diff=0 * tiles[0].sq_diff) for i in range(1501, 1800)
        ]
        tiles[1501:1800] = still
    _, out = steadied(iter(tiles), 5_000)
    left = means(out)
    assert np.isfinite(left).all()
    assert np.abs(left[2200:] - means(tiles)[2200:]).max() <= 0.25 * LEVEL


def cut_off(hz, rate, depth, frames=2500):
    """Lamps that go out between their pulses."""
    return np.maximum(lamps(hz, rate, depth, frames), 0.0)


def by_blocks(frames):
    """Means of four by four tiles, shape (frames, blocks down, blocks across)."""
    n, rows, cols = frames.shape
    return frames.reshape(n, rows // 4, 4, cols // 4, 4).mean(axis=(2, 4))


@pytest.mark.parametrize("depth", [1.0, 1.3, 2.0])
@pytest.mark.parametrize(("hz", "rate"), [(120, 1_000), (100, 2_000), (120, 5_000), (100, 5_000)])
def test_lamps_that_go_out_between_pulses_leave_no_spike(hz, rate, depth):
    # 8.33, 20, 41.67 and 50 frames a period.
    flicker, out = steadied(filmed(cut_off(hz, rate, depth)), rate)
    assert flicker.ripple.period == pytest.approx(rate / hz, rel=1e-3)
    white = PIXEL_NOISE / 12
    for left, noise in ((means(out), white), (by_blocks(means(out)), white / 4)):
        assert np.abs(left - np.median(left, axis=0)).max() < 6.0 * noise


def first_out(light, rate):
    """Frames seen before the first were handed on."""
    flicker = Deflicker(info(rate), lay_grid(SHAPE))
    for n, tiles in enumerate(filmed(light), 1):
        if list(flicker.push(tiles)):
            return n
    raise AssertionError("all of them wait")


def test_lamps_of_many_harmonics_are_looked_at_for_longer():
    assert first_out(lamps(120, 5_000, 0.9, 1200), 5_000) == LOOKS[0]
    assert first_out(cut_off(120, 5_000, 1.3, 1200), 5_000) in LOOKS[1:]
    assert first_out(cut_off(100, 5_000, 1.3, 1200), 5_000) in LOOKS[1:]


def slow(depth, frames=4400, period=2000):
    light = 1.0 + depth * np.sin(2 * np.pi * np.arange(frames) / period)
    return np.broadcast_to(light[:, None, None], (frames, 8, 12))


@pytest.mark.parametrize("rate", [None, 400, 480, 1_000])  # 100 Hz at 400: four frames a period
@pytest.mark.parametrize("depth", [0.05, 0.8])
def test_a_slow_change_of_light_is_no_lamp(rate, depth):
    tiles = list(filmed(slow(depth)))
    flicker, out = steadied(iter(tiles), rate)
    assert flicker.ripple is None
    assert out == tiles


@pytest.mark.parametrize("frequency", [0.25, 0.2501, 0.12, 0.3334])
def test_a_wrong_lamp_does_not_grow_without_bounds(frequency):
    depth = 0.3
    tiles = list(filmed(slow(depth, frames=9000)))
    model = _Model(Ripple(frequency), tiles[:512])
    out = [model.steadied(one) for one in tiles[512:]]
    taken = np.abs(means(out) - means(tiles[512:]))
    assert taken.max() < depth * LEVEL  # never more than the light itself does
    assert taken[4000:].max() < 1.5 * taken[:4000].max()
    assert np.all(model._scale <= 8.0 * model._first_scale)
