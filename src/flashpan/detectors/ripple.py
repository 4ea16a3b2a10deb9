"""Finds the period of a light that pulses, from a few hundred frames of many places.

Lamps on the mains pulse at twice its frequency and multiples of that (100 or 120 Hz and
harmonics: IEC 60050-845, "flicker"; common practice).  Where the capture rate is known
these are tried first; else, or where they explain little, the strongest line of the
spectrum is taken.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]

MAINS_HZ = (100.0, 120.0)
"""Twice the mains frequencies of the world."""
# How far the mains (0.4 %: far more than a healthy grid strays) and a camera's clock may be off.
_MAINS_STRAY = 0.004
HARMONICS = 64
"""Multiples of the fundamental that are followed where they show: a lamp that goes out between
its pulses has many."""
_FEW = 5
# Frames that a harmonic takes to be told from noise.
_FRAMES_EACH = 5
_COMPONENTS = 6
# Periods that must be seen of an unknown light, and of one whose frequency is known: of less
# than two nobody can say that they repeat, and a slow flash would be taken for a lamp.
_PERIODS_UNKNOWN = 3.0
_PERIODS_KNOWN = 2.0
# A place's values further than so many spreads from its median are taken for an event's.
_CLIP = 3.0
_PER_MAD = 1.4826
# The spread that a ripple may leave of what it is to explain.
_LEAVES = 0.5


@dataclass(frozen=True, slots=True)
class Ripple:
    """A periodic light: ``frequency`` in cycles per frame (0 … 0.5]."""

    frequency: float

    @property
    def period(self) -> float:
        """Frames per cycle."""
        return 1.0 / self.frequency


def find_ripple(series: Doubles, capture_rate: float | None) -> Ripple | None:
    """Return the ripple that explains most of several series, if one does.

    Parameters
    ----------
    series : ndarray, shape (places, frames)
        Each in units of its own white noise.
    capture_rate : float or None
        Frames per second.

    Returns
    -------
    Ripple or None
        None where no light of one period halves what the places do beyond noise.
    """
    n = series.shape[1]
    parts = _components(series)
    best, least = None, _LEAVES * _spread(parts, _basis(n, ()))
    for guess, stray in _guesses(parts, capture_rate):
        frequency = _refined(parts, guess, stray)
        left = _spread(parts, _basis(n, (frequency,)))
        if left < least:  # later guesses must be clearly better than earlier ones
            best, least = frequency, 0.8 * left
    return None if best is None else Ripple(best)


def basis(phase: Doubles, multiples: npt.NDArray[np.int_]) -> Doubles:
    """Cosines, then sines, of multiples of a phase, shape (2 · multiples, frames)."""
    angles = multiples[:, None] * phase[None, :]
    return np.concatenate([np.cos(angles), np.sin(angles)])


def most_harmonics(n: int) -> int:
    """Harmonics that ``n`` frames can tell from noise."""
    return min(HARMONICS, n // _FRAMES_EACH)


def distinct_harmonics(frequency: float, n: int) -> npt.NDArray[np.int_]:
    """Multiples of a frequency that ``n`` frames can tell from each other and from a level.

    Five frames a period see the third harmonic as the second, and the fifth as steady light;
    one of half a cycle per frame is `alternating`.  A harmonic that is seen as fewer
    periods than are asked of an unknown light would pass for any slow change.
    """
    return np.array(_distinct(frequency, n, most_harmonics(n)) or [1])


def _distinct(frequency: float, n: int, most: int) -> list[int]:
    """Those of the first so many; whether one counts hangs on those before it alone."""
    taken, found = [0.5], []
    for multiple in range(1, most + 1):
        seen_as = folded(multiple * frequency)
        is_slow = multiple > 1 and seen_as * n < _PERIODS_UNKNOWN
        if not is_slow and all(abs(seen_as - other) > 0.5 / n for other in taken):
            taken.append(seen_as)
            found.append(multiple)
    return found


def alternating(frequency: float, n: int) -> int | None:
    """Multiple of a frequency that ``n`` frames see as half a cycle each, if there is one.

    It is brighter in every other frame; only one of two phases shows.
    """
    multiples = range(1, most_harmonics(n) + 1)
    return next((m for m in multiples if 0.5 - folded(m * frequency) <= 0.5 / n), None)


def clipped(series: Doubles) -> Doubles:
    """Series whose far values, an event's, are drawn in to three robust spreads."""
    middle = np.median(series, axis=1, keepdims=True)
    mad = np.median(np.abs(series - middle), axis=1, keepdims=True) * _PER_MAD
    reach = _CLIP * np.maximum(mad, 1e-12)
    return np.clip(series, middle - reach, middle + reach)


def _components(series: Doubles) -> Doubles:
    """The few series, with unit noise, that hold most of what all of them do together."""
    calm = clipped(series)
    calm -= calm.mean(axis=1, keepdims=True)
    _, values, rows = np.linalg.svd(calm, full_matrices=False)
    kept = min(_COMPONENTS, len(values))
    return np.asarray(values[:kept, None] * rows[:kept], np.float64)


def _basis(n: int, frequencies: Sequence[float]) -> Doubles:
    """Level, drift and the harmonics of some frequencies, shape (terms, n)."""
    t = np.arange(n, dtype=np.float64)
    rows = [np.ones((1, n)), (t / n - 0.5)[None, :]]
    rows += [basis(2.0 * math.pi * f * t, _few_harmonics(f, n)) for f in frequencies]
    return np.concatenate(rows)


def _few_harmonics(frequency: float, n: int) -> npt.NDArray[np.int_]:
    few = _distinct(frequency, n, min(_FEW, most_harmonics(n)))
    if few:
        return np.array(few)
    found = distinct_harmonics(frequency, n)
    return found[found <= _FEW]


def _spread(parts: Doubles, terms: Doubles) -> float:
    """Root of the power that a fit of some terms leaves."""
    solution, *_ = np.linalg.lstsq(terms.T, parts.T, rcond=1e-3)
    return float(np.sqrt(np.square(parts.T - terms.T @ solution).sum()))


def _guesses(parts: Doubles, capture_rate: float | None) -> list[tuple[float, float]]:
    """Frequencies to try, each with how far it may be off, in cycles per frame."""
    n = parts.shape[1]
    known = [] if capture_rate is None else [hz / capture_rate for hz in MAINS_HZ]
    guesses = [(folded(f), _stray(f, n)) for f in known if folded(f) * n >= _PERIODS_KNOWN]
    spectrum = np.abs(np.fft.rfft(_detrended(parts) * np.hanning(n), 4 * n))
    power = np.square(spectrum).sum(axis=0)
    power[: math.ceil(4 * _PERIODS_UNKNOWN)] = 0.0
    line = int(power.argmax()) / (4 * n)
    if line > 0.0:
        # The strongest line may be a harmonic.
        lines = [line / m for m in (1, 2, 3) if line / m * n >= _PERIODS_UNKNOWN]
        guesses += [(f, 0.5 / n / m) for m, f in enumerate(lines, 1)]
    return guesses


def _stray(frequency: float, n: int) -> float:
    """How far a known frequency may be off; few cycles cannot tell, and are not asked."""
    return _MAINS_STRAY * frequency if frequency * n >= _PERIODS_UNKNOWN else 0.0


def _detrended(parts: Doubles) -> Doubles:
    terms = _basis(parts.shape[1], ())
    solution, *_ = np.linalg.lstsq(terms.T, parts.T, rcond=None)
    return np.asarray(parts - (terms.T @ solution).T, np.float64)


def folded(frequency: float) -> float:
    """The frequency below half a cycle per frame as which a faster one is seen."""
    part = frequency % 1.0
    return min(part, 1.0 - part)


def _refined(parts: Doubles, guess: float, stray: float) -> float:
    """The frequency near a guess that leaves least."""
    if not stray:
        return guess
    n = parts.shape[1]
    from scipy import optimize  # slow to load, and most takes have no ripple

    found = optimize.minimize_scalar(
        lambda f: _spread(parts, _basis(n, (f,))),
        bounds=(guess - stray, min(0.5, guess + stray)),
        method="bounded",
        options={"xatol": 1e-3 / n / 16},
    )
    return float(found.x)
