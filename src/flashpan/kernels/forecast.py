"""How far a sample of every place is from what was foretold."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel, part

Floats = npt.NDArray[np.float32]
Counts = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]


@kernel
def departures(
    sample: Floats,
    mean: Floats,
    trend: Floats,
    bias: Floats,
    spread: Floats,
    gate: np.float32,
    two_sided: bool,
    error: Floats,
    deviation: Floats,
    z: Floats,
    departed: Flags,
) -> tuple[int, bool]:
    """Departures from the forecast where no place is away; arrays of shape (places,), float32.

    Parameters
    ----------
    sample : ndarray
        To be judged.
    mean, trend, bias : ndarray
        What is foretold, taken off in this order.
    spread : ndarray
        Noise.
    gate : float32
        Noise units beyond which a place has departed.
    two_sided : bool
        Whether departures either way count, or rises alone.
    error, deviation, z : ndarray
        Get the sample less mean and trend, that less the bias, and that in noise units.
    departed : ndarray of bool
        Gets the places that have departed.

    Returns
    -------
    place : int
        Where the largest departure is, the first of several.
    any_departed : bool
    """
    for i in range(len(sample)):
        error[i] = sample[i] - mean[i] - trend[i]
        deviation[i] = error[i] - bias[i]
        z[i] = deviation[i] / spread[i]
    return _largest(z, two_sided), _mark(deviation, spread, gate, two_sided, departed)


@part
def _mark(
    deviation: Floats, spread: Floats, gate: np.float32, two_sided: bool, departed: Flags
) -> bool:
    found = False
    for i in range(len(deviation)):
        size = abs(deviation[i]) if two_sided else deviation[i]
        departed[i] = size > gate * spread[i]
        found |= departed[i]
    return found


@part
def _largest(z: Floats, two_sided: bool) -> int:
    """First of the largest, or of those that are no numbers, as `numpy.argmax` has it."""
    at, most = 0, np.float32(-1.0)
    for i in range(len(z)):
        size = abs(z[i]) if two_sided else max(z[i], np.float32(0.0))
        if size > most:
            at, most = i, size
        if z[i] != z[i]:
            return i
    return at


@kernel
def departures_while_away(
    sample: Floats,
    mean: Floats,
    trend: Floats,
    bias: Floats,
    spread: Floats,
    gate: np.float32,
    two_sided: bool,
    error: Floats,
    deviation: Floats,
    z: Floats,
    departed: Flags,
    earlier: Floats,
    home: Floats,
    last: Floats,
    wander: Floats,
    away_for: Counts,
    forecast: np.float32,
    noise: Floats,
) -> tuple[int, bool]:
    """The same where some places have departed.

    There what counts is the forecast or what the place was before, whichever is nearer, or what
    it was at home, where it is near that and rests: to come back is no departure.  A held place's
    forecast ages: what wandering would do meanwhile is added to its noise.

    Parameters
    ----------
    earlier, home, last : ndarray
        What every place was some time ago, at home and in the last sample.
    wander : ndarray
        How far it wanders, squared, in as many samples as a forecast is made of.
    away_for : ndarray, int32
        For how many samples it has been away.
    forecast : float32
        Samples that a forecast is made of.
    gate : float32
        Also the noise units within which a place is near its home, and rests from sample to
        sample.
    noise : ndarray
        Gets the noise.
    """
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
    return _largest(z, two_sided), _mark(deviation, spread, gate, two_sided, departed)
