"""Noise follows the linear model of EMVA 1288 (formulas: READ in the emva1288 1.0.2 package).

Sampling errors: a variance from n independent samples has a relative standard error of
√(2/n); four of them are allowed.
"""

from __future__ import annotations

import numpy as np
import pytest

from sample_generators import SampleError, Sensor, TakeSettings, make_take

SHAPE = (200, 200)
LEVELS_E = np.array([0, 100, 300, 600, 1000, 1500, 2000])
PAIRS = 6


def expose(sensor, electrons, seed):
    rng = np.random.default_rng(seed)
    return sensor.expose(np.full(SHAPE, electrons, np.float32), rng).astype(np.float64)


def pair_statistics(sensor, electrons, seed=0):
    """Mean and temporal variance from frame pairs: mean((a-b)²)/2 - (mean a - mean b)²/2."""
    means, variances = [], []
    for pair in range(PAIRS):
        a, b = (expose(sensor, electrons, (seed, pair, i)) for i in range(2))
        means.append((a.mean() + b.mean()) / 2)
        variances.append(np.mean((a - b) ** 2) / 2 - (a.mean() - b.mean()) ** 2 / 2)
    return np.mean(means), np.mean(variances)


def photon_transfer(sensor):
    """Return K, read noise (e-), dark variance (DN²) and the standard error of K."""
    means, variances = np.array([pair_statistics(sensor, e, int(e)) for e in LEVELS_E]).T
    x, y = means[1:] - means[0], variances[1:] - variances[0]
    gain = (x @ y) / (x @ x)
    errors = np.sqrt(2 / (PAIRS * SHAPE[0] * SHAPE[1])) * variances
    # The dark variance enters every level alike.
    gain_error = np.hypot(np.sqrt(np.sum((x * errors[1:]) ** 2)), errors[0] * x.sum()) / (x @ x)
    return gain, np.sqrt(variances[0] - 1 / 12) / gain, variances[0], gain_error


@pytest.mark.parametrize("exact", [False, True])
def test_emva_worked_check(exact):
    """K .35 DN/e-, dark noise 2 e-, offset 16, 10 bits.

    Outside check: the emva1288 package gives K .34959, 2.0037 e- (RAN), a hand calculation
    K .35060, 1.9996 e-, dark variance .5748, theory .5733 (CALC); all of them are samples
    of the figures put in, as this is.
    """
    sensor = Sensor(bit_depth=10, gain=0.35, read_noise_e=2.0, offset_dn=16.0, exact=exact)
    gain, read_noise_e, dark_variance, gain_error = photon_transfer(sensor)
    dark_error = 0.5733 * np.sqrt(2 / (PAIRS * SHAPE[0] * SHAPE[1]))
    assert gain == pytest.approx(0.35, abs=4 * gain_error)
    assert gain_error < 0.001
    assert dark_variance == pytest.approx(0.35**2 * 4 + 1 / 12, abs=4 * dark_error)
    assert read_noise_e == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_usual_sensor_has_one_noise_in_electrons_at_every_depth(bits):
    sensor = Sensor.usual(bits)
    mean, variance = pair_statistics(sensor, 2500.0)
    assert mean == pytest.approx(sensor.offset_dn + sensor.gain * 2500, rel=1e-3)
    expected = sensor.gain**2 * (2500 + 400) + 1 / 12
    assert variance == pytest.approx(expected, rel=4 * np.sqrt(2 / (PAIRS * 40_000)))


def test_worked_example_of_the_linear_model():
    """100 DN above dark at K .35: variance 35.57, frame-difference std 8.43 DN (CALC)."""
    sensor = Sensor(bit_depth=10, gain=0.35, read_noise_e=2.0, offset_dn=16.0)
    picture = np.full((1, 1), 100 / 0.35 / sensor.full_well_e, np.float32)
    assert sensor.variance_dn2(picture)[0, 0] == pytest.approx(35.57, abs=0.01)
    _, variance = pair_statistics(sensor, 100 / 0.35)
    assert np.sqrt(2 * variance) == pytest.approx(8.43, rel=4 * np.sqrt(0.5 / 240_000))


def test_rounding_of_a_ramp_has_a_variance_of_a_twelfth():
    """Uniform quantisation: .083375 (RAN) against 1/12 (CALC)."""
    silent = Sensor(bit_depth=12, gain=1.0, read_noise_e=0.0, offset_dn=0.0, shot_noise=False)
    ramp = np.linspace(100, 1100, 40_000, dtype=np.float32).reshape(SHAPE)
    error = silent.expose(ramp.copy(), np.random.default_rng(0)) - ramp.astype(np.float64)
    assert np.var(error) == pytest.approx(1 / 12, rel=0.01)


def test_fast_noise_has_the_exact_ones_moments_above_twenty_electrons():
    for electrons in (20.0, 200.0):
        fast, exact = (
            pair_statistics(
                Sensor(bit_depth=16, gain=10.0, read_noise_e=2.0, offset_dn=1000.0, exact=e),
                electrons,
            )
            for e in (False, True)
        )
        assert fast[0] == pytest.approx(exact[0], rel=2e-3)
        assert fast[1] == pytest.approx(exact[1], rel=6 * np.sqrt(2 / 240_000))


def test_values_stay_within_full_scale():
    sensor = Sensor.usual(10)
    high = sensor.expose(np.full(SHAPE, 1e6, np.float32), np.random.default_rng(1))
    low = sensor.expose(np.full(SHAPE, -1e6, np.float32), np.random.default_rng(1))
    assert high.min() == high.max() == 1023
    assert low.min() == low.max() == 0


def test_noise_is_fresh_in_every_frame_and_place():
    """Correlations between frames and neighbours stay within 4.5 standard errors of zero."""
    take = make_take("quiet", TakeSettings(rows=96, cols=128, n_frames=40, bit_depth=12))
    frames = np.stack(list(take)).astype(np.float64)
    noise = frames - frames.mean(axis=0)
    noise /= noise.std(axis=0)
    flat = noise.reshape(40, -1)
    between = np.corrcoef(flat)[np.triu_indices(40, 1)]
    # Taking off the mean of 40 frames leaves a correlation of -1/39.
    assert np.abs(between + 1 / 39).max() < 4.5 / np.sqrt(flat.shape[1])
    for shifted in (noise[:, 1:] * noise[:, :-1], noise[:, :, 1:] * noise[:, :, :-1]):
        assert abs(shifted.mean()) < 4.5 / np.sqrt(shifted.size)


def test_sums_over_tiles_are_as_noisy_as_independent_pixels():
    take = make_take("quiet", TakeSettings(rows=96, cols=96, n_frames=300, bit_depth=12))
    sums = np.stack([f.astype(np.float64).reshape(8, 12, 8, 12).sum(axis=(1, 3)) for f in take])
    sigma2 = take.variance_dn2(take.picture(0)).astype(np.float64)
    expected = sigma2.reshape(8, 12, 8, 12).sum(axis=(1, 3))
    ratio = (sums.var(axis=0, ddof=1) / expected).mean()
    assert ratio == pytest.approx(1, abs=4 * np.sqrt(2 / (299 * 64)))


def test_impossible_sensors_are_refused():
    with pytest.raises(SampleError, match="gain must be above 0"):
        Sensor(bit_depth=8, gain=0.0, read_noise_e=1.0, offset_dn=0.0)
