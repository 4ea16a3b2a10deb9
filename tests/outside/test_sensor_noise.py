"""Takes of nothing but sensor noise, by the linear model of EMVA Standard 1288.

var_y = K^2 sigma_d^2 + 1/12 + K (mean_y - mean_dark), in DN^2 (READ in the emva1288 1.0.2
package, the public reference implementation of Release 4.0).  Check camera (RAN with it):
K 0.35 DN/e-, dark noise 2 e-, offset 16 DN, 10 bits.
"""

import warnings

import numpy as np
import pytest
from array_takes import ArrayReader, digitised, measured
from scipy import stats

from flashpan import registry
from flashpan.detectors.base import Scene
from flashpan.find import find
from flashpan.grid import lay_grid
from flashpan.settings import Settings

K_DN = 0.35
DARK_NOISE_E = 2.0
OFFSET_DN = 16
BIT_DEPTH = 10
SHAPE = (24, 36)
DETECTORS = registry.names(registry.DETECTORS)


def variance(signal_dn):
    """Temporal variance at a mean signal above dark, DN squared."""
    return (K_DN * DARK_NOISE_E) ** 2 + 1 / 12 + K_DN * signal_dn


def exposed(signal_dn, n_frames, seed=0, shape=SHAPE):
    """A take of an even field: Poisson electrons (variance = mean, textbook), then the model."""
    random = np.random.default_rng(seed)
    electrons = random.poisson(np.full((n_frames, *shape), signal_dn / K_DN)).astype(float)
    electrons += random.normal(0, DARK_NOISE_E, electrons.shape)
    return digitised(OFFSET_DN + K_DN * electrons, BIT_DEPTH)


def reader(pictures):
    return ArrayReader(pictures, bit_depth=BIT_DEPTH)


def scored(name, pictures, take_reader=reader):
    """Scores of every frame after warm-up, and the law that they should follow at worst."""
    take = take_reader(pictures)
    grid, tiles = measured(take)
    run = registry.load(registry.DETECTORS, name)().start(Scene(info=take.info, grid=grid))
    scores = [run.score(frame) for frame in tiles]
    return np.array([score.value for score in scores if score.valid]), run.law


def test_worked_example():
    # CALC: 100 DN above dark: var 35 + .573 = 35.57, std 5.96, frame-difference std 8.43 DN.
    assert variance(100) == pytest.approx(35.573, abs=1e-3)
    _, tiles = measured(reader(exposed(100, 40, shape=(120, 160))))
    rms = np.sqrt(np.mean([t.sq_diff.mean() for t in tiles[1:]])) * 1023
    assert rms == pytest.approx(8.43, abs=0.02)


@pytest.mark.parametrize("signal_dn", [0.0, 2.0, 20.0, 200.0, 800.0])
def test_noise_of_a_frame_pair_follows_the_model(signal_dn):
    # CALC: temporal variance from a pair: half the mean square difference.
    pictures = exposed(signal_dn, 200, seed=3)
    _, tiles = measured(reader(pictures))
    found = 0.5 * np.mean([t.sq_diff.mean() for t in tiles[1:]]) * 1023**2
    expected = variance(signal_dn)
    # Mean squares of successive differences: relative error sqrt(3 / n).
    assert found == pytest.approx(expected, rel=4 * np.sqrt(3 / pictures.size) + 0.005)


def test_score_of_one_and_the_same_step_falls_as_the_square_root_of_the_signal():
    step_dn, found = 40, {}
    for signal_dn in (20.0, 200.0, 800.0):
        pictures = exposed(signal_dn, 300, seed=7)
        pictures[250] += step_dn
        values, _ = scored("brightness", pictures)
        found[signal_dn] = values.max()
    for signal_dn in (200.0, 800.0):
        ratio = found[20.0] / found[signal_dn]
        # Each spread comes from a hundred-odd samples, errs by 1/sqrt(2 · 128): 6 %, twice.
        assert ratio == pytest.approx(np.sqrt(variance(signal_dn) / variance(20.0)), rel=0.25)


@pytest.mark.parametrize("name", DETECTORS)
def test_scores_are_distributed_alike_in_the_dark_and_in_the_light(name):
    # Every sixteenth score: the slowest means last that long.
    dark, bright = (
        np.concatenate([scored(name, exposed(dn, 1500, seed))[0][::16] for seed in range(3)])
        for dn in (5.0, 500.0)
    )
    assert stats.ks_2samp(dark, bright).pvalue > 1e-3


@pytest.mark.parametrize("signal_dn", [0.0, 5.0, 500.0])
@pytest.mark.parametrize("name", DETECTORS)
def test_false_alarm_rate_holds_in_the_dark_and_in_the_light(name, signal_dn):
    values, law = scored(name, exposed(signal_dn, 3000, seed=11))
    chance = 0.01
    threshold = law.value_at(-np.log(-np.log1p(-chance)))
    alarms = int((values[::16] > threshold).sum())
    # Independent looks: no more than binomial chance allows once in a thousand.
    assert alarms <= stats.binom.ppf(0.999, len(values[::16]), chance)


@pytest.mark.parametrize("signal_dn", [0.0, 3.0, 30.0, 300.0])
def test_nothing_is_found_in_noise(signal_dn):
    assert find(reader(exposed(signal_dn, 1500, seed=23))).events == ()


@pytest.mark.parametrize("bit_depth", [8, 10, 12, 16])
@pytest.mark.parametrize("part", [0.0, 0.06, 0.5, 1.0])
def test_static_take_scores_nothing_and_divides_by_nothing(bit_depth, part):
    # EMVA 1288 replaces a dark variance below 0.24 DN^2; here there is none at all.
    value = round(part * ((1 << bit_depth) - 1))
    dtype = np.uint8 if bit_depth == 8 else np.uint16
    pictures = np.full((150, *SHAPE), value, dtype)
    with np.errstate(all="raise"), warnings.catch_warnings():
        warnings.simplefilter("error")
        log = find(ArrayReader(pictures, bit_depth=bit_depth), keep_trace=True)
    assert log.events == ()
    assert not log.trace.scores.any()


@pytest.mark.parametrize("bit_depth", [8, 10])
def test_noise_below_the_rounding_is_no_event(bit_depth):
    # Standard deviation 0.2 DN, variance 0.04 < 0.24 DN^2: most pixels never change.
    random = np.random.default_rng(5)
    scene = random.uniform(10, 100, SHAPE)
    pictures = digitised(scene + random.normal(0, 0.2, (1500, *SHAPE)), bit_depth)
    log = find(ArrayReader(pictures, bit_depth=bit_depth))
    assert log.events == ()


def test_a_single_pixel_that_wakes_in_a_static_take_is_seen():
    pictures = np.full((200, *SHAPE), 30, np.uint8)
    pictures[150, 12, 12] = 90
    log = find(ArrayReader(pictures), Settings(detectors=("difference",)))
    assert [event.onset for event in log.events] == [150]


def test_grid_of_the_check_camera_has_tiles_enough_to_speak_of_a_largest():
    assert lay_grid(SHAPE).n_px.size == 6
