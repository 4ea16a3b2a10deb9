"""How often noise alone would do it: the statistics of the false-alarm promise.

A score is the largest of N departures, each in units of its own noise.  Were the noise
normal, extreme-value theory gives the chance of any score exactly (`MaxLaw`).  Real
noise has longer tails and correlated places; `Tail` watches the scores of quiet frames
and stretches the law to fit them, never shrinking it below theory; where even the
stretched law falls short, it takes their tail for exponential.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
import numpy.typing as npt
from scipy import special

_MEDIAN_Y = -math.log(math.log(2.0))
_LOWEST_Y = -3.0
_AS_GOOD_AS_NORMAL = 1e6
# Standard errors, about, by which a scale beyond theory's is taken for larger than it looks.
_DOUBT = 3.0
# Frames at which the first fits are due, and how many times rarer fits are with a full memory.
_EARLY, _SELDOM = (16, 32), 4
_LEAST_CHANCE = 1e-300
# Share of the quiet frames that the exponential tail is fitted to, and the least number of them.
_EXCEED = 0.04
_EXPONENTIAL_FROM = 200
# How many times as fast as for normal noise the tail must grow for the exponential one to
# count at all, and how much more for it to count in full.
_OUTRUN_FROM = 1.2
_OUTRUN_OVER = 0.4
# Standard errors, relative and for one frame, of the scale (from the quantiles' densities) and
# of a decay by its median.
_SCALE_ERROR, _DECAY_ERROR = 4.2, 1.0 / math.log(2.0)


def upper_tail_log(z: npt.ArrayLike, dof: float) -> npt.NDArray[np.float64]:
    """Natural log of the upper tail of Student's t at ``z >= 0``, without underflow.

    Parameters
    ----------
    z : array_like of float
        Departure in noise units.
    dof : float
        Degrees of freedom of the noise estimate.

    Notes
    -----
    The regularised incomplete beta function gives the tail down to about 1e-300; beyond,
    its leading term does (Abramowitz & Stegun 26.5.4 with 26.7.1).
    """
    z = np.asarray(z, np.float64)
    if dof >= _AS_GOOD_AS_NORMAL:
        normal: npt.NDArray[np.float64] = special.log_ndtr(-z)
        return normal
    a, x = dof / 2.0, dof / (dof + z * z)
    with np.errstate(divide="ignore"):
        exact = np.log(0.5 * special.betainc(a, 0.5, x))
    log_x = -np.log1p(z * z / dof)
    leading = a * log_x - math.log(2.0 * a) - special.betaln(a, 0.5)
    tail: npt.NDArray[np.float64] = np.where(np.isfinite(exact), exact, leading)
    return tail


@dataclass(frozen=True, slots=True)
class MaxLaw:
    """The largest of ``n`` independent departures with normal noise.

    Attributes
    ----------
    n : float
        Departures compared in one frame.
    sides : int
        2 where a departure either way counts, else 1.
    dof : float
        Degrees of freedom of the noise estimates; Student's t takes their uncertainty in.
    """

    n: float
    sides: int = 1
    dof: float = 1e9

    def reduced(self, value: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Map scores to the standard Gumbel variate ``y``: P(score > value) = 1 - exp(-e^-y).

        Exact for any ``n``, so that a fit in ``y`` starts from the truth for normal noise.
        """
        log_one = upper_tail_log(np.maximum(value, 0.0), self.dof) + math.log(self.sides)
        log_one = np.minimum(log_one, -1e-12)
        # -log1p(-p) is p itself once p is tiny; the log form keeps the far tail alive.
        one = np.exp(log_one)
        with np.errstate(divide="ignore"):
            near = -np.log(self.n * -np.log1p(-one))
        y = np.where(one > 1e-8, near, -log_one - math.log(self.n))
        return np.maximum(y, _LOWEST_Y)

    def value_at(self, y: float) -> float:
        """Score whose reduced variate is ``y``, to better than 0.001 noise units below 40."""
        values, variates = _inverse(self)
        return float(np.interp(y, variates, values))


@lru_cache(maxsize=64)
def _inverse(law: MaxLaw) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Scores and their reduced variates, dense enough to interpolate between."""
    values = np.concatenate([np.arange(0.0, 40.0, 0.005), np.geomspace(40.0, 1e7, 4000)])
    return values, law.reduced(values)


def gumbel_y(chance: float) -> float:
    """Reduced variate exceeded with the given probability."""
    return -math.log(-math.log1p(-chance))


def gumbel_chance(y: float) -> float:
    """Probability that a standard Gumbel variate exceeds ``y``."""
    return -math.expm1(-math.exp(-y)) if y < 30 else math.exp(-y)


def _quantiles(
    ordered: npt.NDArray[np.float32], shares: tuple[float, ...]
) -> npt.NDArray[np.float64]:
    """Quantiles of scores in ascending order, as `numpy.quantile` has them."""
    at = np.array(shares) * (len(ordered) - 1)
    below = at.astype(np.intp)
    low = ordered[below].astype(np.float64)
    return low + (at - below) * (ordered[np.minimum(below + 1, len(ordered) - 1)] - low)


def _worth(values: npt.NDArray[np.float32]) -> float:
    """Independent samples that n of a first-order autoregression are worth (textbook)."""
    off = values - values.mean()
    power = float(off @ off)
    echo = min(0.98, max(0.0, float(off[1:] @ off[:-1]) / power)) if power > 0.0 else 0.0
    return len(values) * (1.0 - echo) / (1.0 + echo)


class Tail:
    """The score distribution of quiet frames, learned as they pass.

    Median and upper quantiles of the reduced variate give location and scale of a Gumbel
    law; events are rare and fed elsewhere, so quantiles up to 99 % are safe from them.
    The scale is pulled towards what is expected while there are few frames and is never
    below the theoretical 1; nor is the location below theory's.  Scores that clearly outrun
    normal noise get an exponential tail besides, and the higher threshold stands.

    Parameters
    ----------
    memory : int
        Quiet frames remembered.
    refit_every : int
        Frames between fits, while the memory fills.
    prior : float
        Quiet frames that the expected scale counts for.
    expected : float
        Scale expected before anything has been seen: 1 for independent normal noise.
    outrun_errors : float
        Standard errors by which scores must outrun normal noise for their tail to be taken for
        exponential: of a scene whose noise is known from its pixels, few frames prove little.
    """

    def __init__(
        self,
        memory: int = 4096,
        refit_every: int = 64,
        prior: float = 24.0,
        expected: float = 1.0,
        outrun_errors: float = 2.5,
    ) -> None:
        self._values = np.zeros(memory, np.float32)
        self._count = 0
        self._refit_every = refit_every
        self._prior = prior
        self._expected = expected
        self._outrun_errors = outrun_errors
        self.location = 0.0
        self.scale = 1.0
        self._threshold, self._decay, self._heaviness = 0.0, 0.0, 0.0
        self._median = 0.0
        self._independent = 1.0

    @property
    def count(self) -> int:
        """Quiet frames seen."""
        return self._count

    @property
    def median(self) -> float:
        """Median of the remembered scores, when they were last fitted."""
        return self._median

    @property
    def independent(self) -> float:
        """How many independent frames the remembered ones are worth, when last fitted."""
        return self._independent

    @property
    def until_due(self) -> int:
        """Frames to the next fit: fewer while every frame is news."""
        full = self._count >= len(self._values)
        every = self._refit_every * (_SELDOM if full else 1)
        due = every - self._count % every
        for early in _EARLY:
            if early > self._count:
                due = min(due, early - self._count)
        return due

    def push(self, value: float, law: MaxLaw) -> bool:
        """Remember one quiet frame's score; True when the fit was renewed."""
        return self.extend((value,), law)

    def extend(self, values: Sequence[float], law: MaxLaw) -> bool:
        """Remember scores of quiet frames, of which at most the last makes a fit due."""
        due = self.until_due == len(values)
        at = self._count % len(self._values)
        if len(values) == 1:
            self._values[at] = values[0]
        else:
            n_first = min(len(values), len(self._values) - at)
            self._values[at : at + n_first] = values[:n_first]
            self._values[: len(values) - n_first] = values[n_first:]
        self._count += len(values)
        if due:
            self.fit(law)
        return due

    def forget_last(self, n: int) -> None:
        """Leave the last ``n`` scores out: they belong to the beginning of an event."""
        at = (self._count - 1 - np.arange(min(n, self._count))) % len(self._values)
        self._values[at] = np.nan

    def _remembered(self) -> npt.NDArray[np.float32]:
        """Scores that count, in the order of their frames."""
        if self._count < len(self._values):
            values = self._values[: self._count]
        else:
            values = np.roll(self._values, -(self._count % len(self._values)))
        return values[~np.isnan(values)]

    def fit(self, law: MaxLaw) -> None:
        """Fit location and scale, and the exponential tail, to the remembered scores."""
        values = self._remembered()
        n = len(values)
        if n < 8:
            return
        self._independent = _worth(values)
        ordered = np.sort(values)
        scores = _quantiles(ordered, (0.5, 0.9, 0.99))
        self._median = float(scores[0])
        y = law.reduced(scores)
        spread = (y[1] - y[0]) / (gumbel_y(0.1) - _MEDIAN_Y)
        if n >= 500:
            spread = max(spread, (y[2] - y[1]) / (gumbel_y(0.01) - gumbel_y(0.1)))
        pulled = (n * spread + self._prior * self._expected) / (n + self._prior)
        excess = max(0.0, pulled - 1.0)
        self.scale = 1.0 + excess * (1.0 + _DOUBT / math.sqrt(n))
        self.location = max(0.0, y[0] - _MEDIAN_Y * self.scale)
        self._fit_exponential(ordered, law)

    def _fit_exponential(self, ordered: npt.NDArray[np.float32], law: MaxLaw) -> None:
        """Where scores clearly outrun normal noise, take their tail for exponential.

        The excess over a high threshold gives the decay length of an exponential tail (the
        peaks-over-threshold method; Pickands 1975, from memory); its median does so even
        where a few of the quiet frames were events.
        """
        self._heaviness = 0.0
        if len(ordered) < _EXPONENTIAL_FROM:
            return
        inner, start, middle = _quantiles(ordered, (0.9, 1.0 - _EXCEED, 1.0 - 0.5 * _EXCEED))
        self._threshold = float(start)
        beyond = ordered[np.searchsorted(ordered, start, side="right") :]
        if len(beyond):
            excess = _quantiles(beyond, (0.5,))[0] - start
            self._decay = float(excess) / math.log(2.0)
            y = law.reduced(np.array([inner, middle]))
            normal_way = gumbel_y(0.5 * _EXCEED) - gumbel_y(0.1)
            # A Gumbel variate's quantile that k samples exceed errs by 1 / sqrt(k).
            error = 1.0 / math.sqrt(self._runs_above(float(middle))) / normal_way
            least = max(_OUTRUN_FROM, 1.0 + self._outrun_errors * error)
            outrun = (y[1] - y[0]) / normal_way
            self._heaviness = min(1.0, max(0.0, (outrun - least) / _OUTRUN_OVER))

    def _runs_above(self, score: float) -> int:
        """Runs of remembered scores above one: what lasts for some frames tells one thing."""
        above = self._remembered() > score
        return max(1, int(above[0]) + int(np.count_nonzero(above[1:] & ~above[:-1])))

    def threshold(self, chance: float, law: MaxLaw, errors: float = 0.0) -> float:
        """Score that noise exceeds with the given probability per frame.

        ``errors``: standard errors by which the tail is taken for shorter than it looks.
        """
        n = self._independent
        scale = max(1.0, self.scale * (1.0 - errors * _SCALE_ERROR / math.sqrt(n)))
        normal = law.value_at(self.location + scale * gumbel_y(chance))
        if not self._heaviness:
            return normal
        decay = self._decay * max(0.0, 1.0 - errors * _DECAY_ERROR / math.sqrt(_EXCEED * n))
        heavy = self._threshold + decay * math.log(_EXCEED / chance)
        return normal + self._heaviness * max(0.0, heavy - normal)

    def chance(self, value: float, law: MaxLaw) -> float:
        """Probability per frame that noise gives this score or more."""
        y = float(law.reduced(value))
        normal = gumbel_chance((y - self.location) / self.scale)
        if not self._heaviness or value <= self._threshold:
            return normal
        heavy = _EXCEED * math.exp(-(value - self._threshold) / self._decay)
        if self._heaviness == 1.0 or heavy <= max(normal, _LEAST_CHANCE):
            return float(max(normal, heavy))
        # Between the two the thresholds are mixed: the chance is the one whose threshold this is.
        low, high = math.log(max(normal, _LEAST_CHANCE)), math.log(heavy)
        off = partial(self._off, value, law)
        if off(low) <= 0.0:
            return math.exp(low)
        from scipy import optimize  # slow to load, and hardly ever needed

        return math.exp(optimize.brentq(off, low, high, xtol=1e-6))

    def _off(self, value: float, law: MaxLaw, log_chance: float) -> float:
        return self.threshold(math.exp(log_chance), law) - value
