"""What the rarest scores of a long quiet take say of those that are rarer still.

The false alarms that a user accepts are far rarer than anything a few thousand frames can
show, and noise that looks normal in its bulk need not be so there.  The largest score of
every 16, 64, 256 … quiet frames is kept for the last few hundred such stretches; the median
of each kind is a score of known rarity.  Medians do not mind bursts or a few weak events,
and a departure that lasts for several frames counts once, as it will as an event.

The curve through these points is continued to the rarity asked for: straight on as normal
noise goes, if the points allow that; else in the way that fits them, down to a power law.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flashpan.chance import MaxLaw

Floats = npt.NDArray[np.float64]

BLOCK_FRAMES = 16
"""Frames of the shortest stretch; each longer one is four of the one before."""
READY_FRAMES = 8192
"""Quiet frames from which the curve is believed."""
_REFIT_BLOCKS = 64
# Frames that follow no other: their own median counts as that of stretches of one.
_WHITE_FRAMES = 1400.0
_LENGTHEN = 4
_LEVELS = 9
_STRETCHES = 256
_LEAST_STRETCHES = 16
GUARD_FRAMES = 32
"""Frames just before an event are no noise: so many are forgotten when one opens."""
# Stretches are no longer than so many of the false alarms asked for would interrupt.
_INTERRUPTED = 0.15
# Standard error of a Gumbel variate's median, by n: 1 / (2 f(median) sqrt(n)), textbook.
_MEDIAN_ERROR = 1.0 / math.log(2.0)
# What the families miss of any real curve, and how much less the shorter stretches count.
_MISFIT = 0.05
_REMOTE = 0.3
# Points that the families are fitted to: many, unless none of them fits so many.
_POINTS = (6, 4, 3, 2)
# Powers of the score that are straight in the log of its rarity: 1 for exponential tails, 0
# (its log) for power laws, and what lies between; normal noise is straight in its own variate.
_POWERS = (1.5, 1.0, 0.5, 0.0)
# Chi-square by which a curved tail must fit better than that of normal noise.
_SURPRISE = 9.0
# How far normal noise is expected to be off theory: offset, and slope.
_OFFSET, _SLOPE = 1.0, 0.1
# Least share of the frames above a score that begin a departure; and how far below theory
# the typical frame may be for rare ones to be believed to come in runs.
_RUNS = 1.2
_AS_THEORY = 0.15


@dataclass(frozen=True, slots=True)
class Curve:
    """Score by rarity: a mean, by weight, of families that are each straight in their own scale.

    Attributes
    ----------
    law : MaxLaw
        Distribution under normal noise.
    origin : float
        Log of the frames per exceedance where ``offsets`` hold.
    offsets, slopes, weights : ndarray, shape (5,)
        Lines and weights of normal noise and of the powers.
    """

    law: MaxLaw
    origin: float
    offsets: Floats
    slopes: Floats
    weights: Floats

    def score_at(self, rarity: float) -> float:
        """Score exceeded once in ``exp(rarity)`` frames."""
        off = rarity - self.origin
        lines = self.offsets + self.slopes * off
        scores = [self.law.value_at(rarity + float(lines[0]))]
        scores += [_unpowered(float(t), k) for t, k in zip(lines[1:], _POWERS, strict=True)]
        mean = float(self.weights @ np.log(np.maximum(scores, 1e-6)))
        return max(math.exp(mean), self.law.value_at(rarity - _RUNS))

    def rarity_of(self, score: float) -> float:
        """Log of the frames per exceedance of a score, by bisection."""
        low, high = 0.0, 600.0
        for _ in range(40):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.score_at(middle) < score else (low, middle)
        return low


def _powered(values: Floats, power: float) -> Floats:
    return values**power / power if power else np.log(values)


def _unpowered(line: float, power: float) -> float:
    if not power:
        return math.exp(min(line, 300.0))
    return float(max(power * line, 1e-12) ** (1.0 / power))


class Extremes:
    """The largest scores of stretches of quiet frames, and the curve through their medians.

    Parameters
    ----------
    law : MaxLaw
        The score's distribution under normal noise.
    chance : float
        Chance per frame of opening an event: events of such noise are not among the quiet
        frames, which is allowed for.
    """

    def __init__(self, law: MaxLaw, chance: float) -> None:
        self._law = law
        self._chance = chance
        self._pending: list[float] = []
        self._largest = np.zeros((_LEVELS, _STRETCHES), np.float32)
        self._counts = [0] * _LEVELS
        self._next_fit = READY_FRAMES // BLOCK_FRAMES
        self.curve: Curve | None = None

    def push(self, values: Sequence[float]) -> None:
        """Take in quiet frames, in order; only what is no longer near the present counts."""
        self._pending.extend(values)
        while len(self._pending) >= GUARD_FRAMES + BLOCK_FRAMES:
            self._keep(0, max(self._pending[:BLOCK_FRAMES]))
            del self._pending[:BLOCK_FRAMES]

    def interrupt(self) -> None:
        """Forget the last frames: an event may have begun in them."""
        self._pending.clear()

    def _keep(self, level: int, largest: float) -> None:
        self._largest[level, self._counts[level] % _STRETCHES] = largest
        self._counts[level] += 1
        if level + 1 < _LEVELS and self._counts[level] % _LENGTHEN == 0:
            at = (self._counts[level] - 1) % _STRETCHES
            longer = self._largest[level, at - _LENGTHEN + 1 : at + 1].max()
            self._keep(level + 1, float(longer))

    def fit(self, typical: float, n_frames: float) -> None:
        """Fit the curve where enough is new.

        ``typical`` is the median of the last quiet frames, which are worth ``n_frames``
        independent ones.
        """
        if self._counts[0] < self._next_fit:
            return
        self._next_fit = self._counts[0] + _REFIT_BLOCKS
        frames = [(1.0, typical, n_frames)] if n_frames > _WHITE_FRAMES else []
        rarity, scores, counts = self._points(frames, self._runs(typical, n_frames))
        if len(rarity) < _POINTS[-1]:
            return  # so many false alarms are accepted that nothing rarer need be known
        errors = np.hypot(_MEDIAN_ERROR / np.sqrt(counts), _MISFIT)
        errors *= 1.0 + _REMOTE * np.arange(len(errors))[::-1]
        for n in _POINTS:
            if n > len(rarity):
                continue
            self.curve, misfit = _fitted(self._law, rarity[-n:], scores[-n:], errors[-n:])
            if misfit <= n - 2 + 1.5 * math.sqrt(2.0 * (n - 2)):
                return

    def _points(
        self, frames: list[tuple[float, float, float]], runs: float
    ) -> tuple[Floats, Floats, Floats]:
        """Rarity (log of frames per exceedance), score and sample size of every median.

        No score is lower than theory's, save for as much as departures in runs explain.
        """
        medians = list(frames)
        for level, count in enumerate(self._counts):
            length, n = float(BLOCK_FRAMES * _LENGTHEN**level), min(count, _STRETCHES)
            if n < _LEAST_STRETCHES or length * self._chance > _INTERRUPTED:
                break
            medians.append((length, float(np.median(self._largest[level, :n])), float(n)))
        if not medians:
            return np.zeros(0), np.zeros(0), np.zeros(0)
        lengths, scores, counts = np.array(medians).T
        # Half of the stretches stay below their median, given that none opened an event.
        rarity = -np.log(math.log(2.0) / lengths + self._chance)
        least = [self._law.value_at(float(r) - runs) for r in rarity]
        return rarity, np.maximum(scores, least), counts

    def _runs(self, typical: float, n_frames: float) -> float:
        """How far below theory rare scores may be for coming in runs, in log of rarity.

        Only where the typical frame is as theory has it; else the noise itself is less.
        """
        below = -math.log(math.log(2.0)) - float(self._law.reduced(typical))
        leeway = _AS_THEORY + 2.0 * _MEDIAN_ERROR / math.sqrt(n_frames)
        return _RUNS if below < leeway else 0.0


def _fitted(law: MaxLaw, rarity: Floats, scores: Floats, errors: Floats) -> tuple[Curve, float]:
    """Fit every family by weighted least squares; the curve, and the best chi-square.

    The line of normal noise is pulled to theory; a curved family has to earn its place.
    """
    off = rarity - rarity[-1]
    lines = np.stack([law.reduced(scores) - rarity, *(_powered(scores, k) for k in _POWERS)])
    pull = np.zeros(len(lines)), np.zeros(len(lines))
    pull[0][0], pull[1][0] = _OFFSET**-2, _SLOPE**-2
    w = errors**-2
    s00, s01, s11 = w.sum() + pull[0], (w * off).sum(), (w * off * off).sum() + pull[1]
    t0, t1 = lines @ w, lines @ (w * off)
    scale = s00 * s11 - s01**2
    offsets, slopes = (s11 * t0 - s01 * t1) / scale, (s00 * t1 - s01 * t0) / scale
    slopes[1:] = np.maximum(slopes[1:], 1e-3)
    left = lines - offsets[:, None] - slopes[:, None] * off
    chi2 = (left * left) @ w
    chi2[1:] /= slopes[1:] ** 2  # errors are those of the rarity
    chi2[0] += float(pull[0][0] * offsets[0] ** 2 + pull[1][0] * slopes[0] ** 2)
    judged = chi2.copy()
    judged[1:] += _SURPRISE
    weights = np.exp(-0.5 * (judged - judged.min()))
    curve = Curve(law, float(rarity[-1]), offsets, slopes, weights / weights.sum())
    return curve, float(chi2.min())
