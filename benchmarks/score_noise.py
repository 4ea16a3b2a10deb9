"""Laws of a frame's score, the largest of N departures, for several kinds of noise.

Every place's departure is in units of its noise (standard deviation); the largest of N
independent ones exceeds a score with a chance that is known exactly, so that scores can be
drawn by the million and a threshold's false alarms need not be counted to be known.

gaussian
    The law itself (`MaxLaw`).
poisson
    Tile means of counted photons, 64 brightnesses from 1 to 400 photons a pixel, 144 pixels
    a tile: skewed, and in whole steps.
means
    Means over 144 pixels of Student's t noise with 5 degrees of freedom: normal in bulk, a
    power law once a single pixel makes the departure.
laplace, student
    Departures that no averaging has cured: Laplace's, and Student's t with 4 degrees.
correlated
    The gaussian law, but the largest departure follows an autoregression of 0.9 per frame,
    so that exceedances come in runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy import signal, special, stats

from flashpan.chance import MaxLaw, upper_tail_log

Floats = npt.NDArray[np.float64]
TILE_PIXELS = 144
AUTOREGRESSION = 0.9
_PIXEL_DOF, _DOF = 5.0, 4.0
_SCORES = np.concatenate([np.arange(0.0, 60.0, 0.002), np.geomspace(60.0, 1e6, 20_000)])


def _normal(law: MaxLaw) -> Floats:
    tail: Floats = np.exp(upper_tail_log(_SCORES, law.dof))
    return tail


def _laplace(law: MaxLaw) -> Floats:
    return 0.5 * np.exp(-math.sqrt(2.0) * _SCORES)


def _student(law: MaxLaw) -> Floats:
    tail: Floats = stats.t.sf(_SCORES * math.sqrt(_DOF / (_DOF - 2.0)), _DOF)
    return tail


def _mean_of_student(law: MaxLaw) -> Floats:
    """Upper tail of the mean of a tile's pixels, from the characteristic function.

    Student's is K(|w| sqrt(dof)) (|w| sqrt(dof))^(dof/2) / (Gamma(dof/2) 2^(dof/2-1)), K of
    order dof/2 (Hurst 1995, from memory).  Beyond 25 its error is a per cent of the tail of
    the one largest pixel, which is used there.
    """
    n, step = 2**22, 1.0 / 512
    w = 2.0 * np.pi * np.fft.rfftfreq(n, step)
    sigma = math.sqrt(_PIXEL_DOF / (_PIXEL_DOF - 2.0) * TILE_PIXELS)
    a, half = w / sigma * math.sqrt(_PIXEL_DOF), _PIXEL_DOF / 2.0
    with np.errstate(all="ignore"):
        transform = special.kv(half, a) * a**half / (special.gamma(half) * 2 ** (half - 1.0))
    transform = np.where(a == 0.0, 1.0, np.nan_to_num(transform))
    density = np.fft.irfft(transform**TILE_PIXELS)[: n // 2]
    tail = np.cumsum(density[::-1])[::-1] - 0.5 * density
    near = np.interp(_SCORES, np.arange(n // 2) * step, np.maximum(tail, 0.0))
    far = TILE_PIXELS * stats.t.sf(_SCORES * sigma, _PIXEL_DOF)
    chances: Floats = np.where(_SCORES < 25.0, near, far)
    return chances


def _log_none(law: MaxLaw, one: Floats) -> Floats:
    """Log of the chance that none of n places exceeds a score, each with chance ``one``."""
    none: Floats = law.n * np.log1p(-np.minimum(law.sides * one, 1.0 - 1e-12))
    return none


def _poisson_log_none(law: MaxLaw) -> Floats:
    """As `_log_none`, for places of many brightnesses."""
    total = np.zeros_like(_SCORES)
    photons = np.geomspace(1.0, 400.0, 64) * TILE_PIXELS
    for mean in photons:
        off = _SCORES * math.sqrt(mean)
        one = stats.poisson.sf(np.floor(mean + off), mean)
        if law.sides == 2:
            one = one + stats.poisson.cdf(np.ceil(mean - off) - 1, mean)
        total += law.n / len(photons) * np.log1p(-np.minimum(one, 1.0 - 1e-12))
    return total


_ONE: dict[str, Callable[[MaxLaw], Floats]] = {
    "gaussian": _normal,
    "means": _mean_of_student,
    "laplace": _laplace,
    "student": _student,
    "correlated": _normal,
}
KINDS = ("gaussian", "poisson", "means", "laplace", "student", "correlated")


@cache
def variates(kind: str, law: MaxLaw) -> Floats:
    """Gumbel variate of every tabulated score: its chance is 1 - exp(-exp(-y)); ascending."""
    log_none = _poisson_log_none(law) if kind == "poisson" else _log_none(law, _ONE[kind](law))
    y = -np.log(np.maximum(-log_none, 1e-300))
    ascending: Floats = np.maximum.accumulate(y)
    return ascending


class ScoreNoise:
    """One channel's scores in noise of one kind.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    law : MaxLaw
        How many departures are compared.
    gap_frames : int
        Exceedances with at most so many frames between them are one event.
    """

    def __init__(self, kind: str, law: MaxLaw, gap_frames: int) -> None:
        self._y = variates(kind, law)
        self._is_correlated = kind == "correlated"
        self._latent = 0.0
        self._runs = _begin_table(gap_frames) if self._is_correlated else None

    def draw(self, count: int, rng: np.random.Generator) -> Floats:
        """Return the next scores."""
        if self._is_correlated:
            y = -np.log(-special.log_ndtr(self._walk(count, rng)))
        else:
            y = rng.gumbel(size=count)
        return np.asarray(np.interp(y, self._y, _SCORES), np.float64)

    def _walk(self, count: int, rng: np.random.Generator) -> Floats:
        fresh = math.sqrt(1.0 - AUTOREGRESSION**2) * rng.standard_normal(count)
        walk, _ = signal.lfilter(
            [1.0], [1.0, -AUTOREGRESSION], fresh, zi=[AUTOREGRESSION * self._latent]
        )
        self._latent = float(walk[-1])
        return np.asarray(walk, np.float64)

    def chance(self, score: float) -> float:
        """Chance per frame that an event begins: a score exceeds, and none lately did."""
        y = float(np.interp(score, _SCORES, self._y))
        exceeds = -math.expm1(-math.exp(-y))
        if self._runs is None:
            return exceeds
        levels, shares = self._runs
        return exceeds * float(np.interp(-stats.norm.ppf(exceeds), levels, shares))


@cache
def _begin_table(gap_frames: int) -> tuple[Floats, Floats]:
    """Levels of the autoregression, and the share of exceedances that begin an event."""
    levels = np.linspace(0.0, 7.0, 29)
    return levels, np.array([_begin_share(float(level), gap_frames) for level in levels])


def _begin_share(level: float, gap_frames: int, cells: int = 700) -> float:
    """P(above now, below in the last gap + 1 frames) / P(above now), by quadrature."""
    at, weight = np.polynomial.legendre.leggauss(cells)
    low = -8.0
    at, weight = low + (at + 1.0) * (level - low) / 2.0, weight * (level - low) / 2.0
    spread = math.sqrt(1.0 - AUTOREGRESSION**2)
    density = stats.norm.pdf(at)
    step = stats.norm.pdf(at[:, None], AUTOREGRESSION * at[None, :], spread) * weight
    for _ in range(gap_frames):
        density = step @ density
    begins = density * weight @ stats.norm.sf((level - AUTOREGRESSION * at) / spread)
    return float(begins / stats.norm.sf(level))
