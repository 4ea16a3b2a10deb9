"""What the last two forecast errors say of the next one.

Where a place wanders, ripples or moves, its errors follow each other: a smooth light or a
drifting scene is foretold far better from its last two errors than from none (an
autoregression of order two, which also foretells a sine of any period).  What is left, the
*surprise*, shows a sudden change that would drown in the wandering.  Places whose errors
are independent, as sensor noise is, have no echo and are left alone.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flashpan.detectors.noise import Flags, Floats, Indices, level_and_spread
from flashpan.detectors.restless import SceneFloor
from flashpan.kernels.outliers import clipped

LEAST_SAMPLES = 64
"""Errors that coefficients are believed from."""
# An echo counts where it leaves no more than this share of the errors' spread.
_WORTH = 0.75
# Spreads beyond which an error is clipped before the fit: an event is no habit.
_CLIP = 2.5


class Echo:
    """Autoregression of the forecast errors of those places where it pays.

    Parameters
    ----------
    n_places : int
        Places followed.
    sides : int
        As for `flashpan.detectors.track.Track`.
    scene : sequence of (slice, SceneFloor)
        Places of one size, and what the scene teaches for them.

    Attributes
    ----------
    places : ndarray of int
        Places with an echo.
    """

    def __init__(
        self, n_places: int, sides: int, scene: Sequence[tuple[slice, SceneFloor]]
    ) -> None:
        self.places: Indices = np.zeros(0, np.intp)
        self._sides = sides
        self._own = np.ones(n_places, np.float32)
        self._spread = self._own
        self._departure = np.zeros(n_places, np.float32)
        self._first = self._second = np.zeros(0, np.float32)
        self._before = np.zeros(n_places, np.float32)
        self._before_that = np.zeros(n_places, np.float32)
        self._scene = scene

    def fit(self, errors: Floats, own: Floats, floor: Floats, widen: float) -> None:
        """Find the places with an echo, and their coefficients, from errors in time order.

        Parameters
        ----------
        errors : ndarray, shape (places, n)
            At least `LEAST_SAMPLES`.
        own, floor : ndarray, shape (places,)
            Spread of the errors themselves, and the least that is believed.
        widen : float
            Factor for what ``n`` samples cannot have shown.
        """
        self.places = np.zeros(0, np.intp)
        reach = (_CLIP * own).astype(np.float64)
        first, second, left = _coefficients(clipped(errors, np.zeros_like(own), reach))
        likely = np.flatnonzero(np.sqrt(left) < _WORTH)
        if not len(likely):
            return
        some = errors[likely]
        surprises = some[:, 2:] - first[likely, None] * some[:, 1:-1]
        surprises -= second[likely, None] * some[:, :-2]
        _, spread = level_and_spread(surprises, floor[likely])
        spread = np.maximum(spread * widen, floor[likely])
        pays = spread < _WORTH * own[likely]
        self.places = likely[pays]
        self._first, self._second = first[self.places], second[self.places]
        self._own[self.places] = spread[pays]
        self._departure[:] = 0.0
        self._apply_scene()

    def _apply_scene(self) -> None:
        self._spread = self._own.copy()
        for part, floor in self._scene:
            np.maximum(self._spread[part], floor.value, out=self._spread[part])

    def judge(self, error: Floats, bias: Floats) -> Floats:
        """Surprises in noise units, at `places`; remembers nothing.

        Errors are remembered as they were and compared less today's bias: a bias that was
        renewed between two frames is no surprise.
        """
        places = self.places
        now, before, before_that = (
            past[places] - bias[places] for past in (error, self._before, self._before_that)
        )
        foretold = self._first * before + self._second * before_that
        departure = (now - foretold) / self._spread[places]
        self._departure[places] = departure
        return self._departure[places]

    @property
    def spread(self) -> Floats:
        """Noise that surprises are measured in, at `places`."""
        return self._spread[self.places]

    def forget(self, places: Indices) -> None:
        """Places whose forecast was moved have no last errors."""
        self._before[places] = 0.0
        self._before_that[places] = 0.0

    def learn(self, error: Floats, held: Flags | None) -> None:
        """Take the judged errors in; held places, if any, say nothing of the scene's habits."""
        self._before_that, self._before = self._before, error.copy()
        if not len(self.places):
            return
        way = self._departure if self._sides == 1 else np.abs(self._departure)
        size = np.maximum(way, 0.0)
        if held is not None:
            size = np.where(held, 0.0, size)
        for part, floor in self._scene:
            floor.learn(size[part], self._spread[part], self._own[part])


def _coefficients(errors: Floats) -> tuple[Floats, Floats, Floats]:
    """Yule-Walker coefficients of order two, and the share of the variance they leave."""
    n = errors.shape[1]
    power = np.einsum("ij,ij->i", errors, errors) / n
    power = np.maximum(power, np.finfo(np.float32).tiny)
    one = np.einsum("ij,ij->i", errors[:, 1:], errors[:, :-1]) / n / power
    two = np.einsum("ij,ij->i", errors[:, 2:], errors[:, :-2]) / n / power
    rest = np.maximum(1.0 - one**2, 1e-3)
    first, second = one * (1.0 - two) / rest, (two - one**2) / rest
    left = np.maximum(1.0 - first * one - second * two, 0.0)
    return first.astype(np.float32), second.astype(np.float32), left.astype(np.float32)
