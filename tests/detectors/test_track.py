"""One series per place: what a place that settles takes for its new normal."""

import numpy as np

from flashpan.detectors.track import Track

N_PLACES, SIGMA = 4, 0.001


def track(rng, settle_after):
    return Track(
        rng.normal(0.3, SIGMA, (N_PLACES, 32)).astype(np.float32),
        np.full(N_PLACES, SIGMA, np.float32),
        sides=2,
        window=128,
        hold_after=3,
        settle_after=settle_after,
        sizes=(slice(0, N_PLACES),),
    )


def test_new_normal_is_the_plateau_whatever_crept_into_the_forecast_before():
    # It rises slowly, the forecast with it, and then falls below where it was: there the
    # forecast and what the place was some time ago differ.
    rng = np.random.default_rng(4)
    followed = track(rng, settle_after=80)
    lift = 8 * SIGMA * np.clip((np.arange(400) - 100) / 60.0, 0.0, 1.0)
    lift[160:] = -30 * SIGMA
    for height in lift:
        sample = rng.normal(0.3 + height, SIGMA, N_PLACES).astype(np.float32)
        followed.judge(sample)
        places = followed.learn(sample)
        if len(places):
            followed.settle(places, np.full(N_PLACES, SIGMA, np.float32))
            np.testing.assert_allclose(followed.level[places], 0.3 + lift[-1], atol=SIGMA)
            return
    raise AssertionError("it never settled")
