"""How far a sample of every place is from what was foretold."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel

Floats = npt.NDArray[np.float32]
Counts = npt.NDArray[np.int32]


@kernel
def departures(
    sample: Floats,
    foretold: tuple[Floats, Floats, Floats],
    spread: Floats,
    error: Floats,
    deviation: Floats,
    z: Floats,
) -> None:
    """Departures from the forecast where no place is away; arrays of shape (places,), float32.

    Parameters
    ----------
    sample : ndarray
        To be judged.
    foretold : tuple of ndarray
        Mean, trend and bias, which are taken off in this order.
    spread : ndarray
        Noise.
    error, deviation, z : ndarray
        Get the sample less mean and trend, that less the bias, and that in noise units.
    """
    mean, trend, bias = foretold
    for i in range(len(sample)):
        error[i] = sample[i] - mean[i] - trend[i]
        deviation[i] = error[i] - bias[i]
        z[i] = deviation[i] / spread[i]


@kernel
def departures_while_away(
    sample: Floats,
    foretold: tuple[Floats, Floats, Floats],
    spread: Floats,
    error: Floats,
    deviation: Floats,
    z: Floats,
    past: tuple[Floats, Floats, Floats, Floats, Counts],
    forecast: np.float32,
    gate: np.float32,
    noise: Floats,
) -> None:
    """The same where some places have departed.

    There what counts is the forecast or what the place was before, whichever is nearer, or what
    it was at home, where it is near that and rests: to come back is no departure.  A held place's
    forecast ages: what wandering would do meanwhile is added to its noise.

    Parameters
    ----------
    past : tuple of ndarray
        What every place was some time ago, at home and in the last sample, how far it wanders
        (squared) in as many samples as a forecast is made of, and for how many samples it has been
        away.
    forecast : float32
        Samples that a forecast is made of.
    gate : float32
        Noise units within which a place is near its home, and rests from sample to sample.
    noise : ndarray
        Gets the noise.
    """
    mean, trend, bias = foretold
    earlier, home, last, wander, away_for = past
    for i in range(len(sample)):
        error[i] = sample[i] - mean[i] - trend[i]
        nearest = error[i] - bias[i]
        if away_for[i] > 0:
            back = sample[i] - earlier[i] - bias[i]
            if abs(back) < abs(nearest):
                nearest = back
            back = sample[i] - home[i] - bias[i]
            near = gate * spread[i]
            if abs(back) < min(abs(nearest), near) and abs(sample[i] - last[i]) < near:
                nearest = back
        deviation[i] = nearest
        age = np.float32(away_for[i]) / forecast
        noise[i] = np.sqrt(spread[i] * spread[i] + wander[i] * age)
        z[i] = deviation[i] / noise[i]
