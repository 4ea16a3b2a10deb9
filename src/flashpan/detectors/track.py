"""One series per place, judged sample by sample against its own past."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import special

from flashpan.detectors.noise import Floats, Ring, first_normal, level_and_spread

GATE = 4.0
"""Noise units beyond which a place counts as departed, for bookkeeping only: what is an
event the picker decides."""
LOOK_BACK_PLACES = 64
_RECENT = 64
_RECENT_FEW = 4


class Track:
    """Level, spread and recent departures of every place at one rate.

    Parameters
    ----------
    warm_up : ndarray, shape (places, n), float32
        First samples.
    floor : ndarray, shape (places,)
        Least spread that is believed.
    sides : int
        2 where a departure either way counts, 1 where only a rise does.
    window : int
        Samples that define normal.
    hold_after, settle_after : int
        Samples after which a departed place stops feeding its ring, and after which its
        new state becomes normal.
    """

    def __init__(
        self, warm_up: Floats, floor: Floats, *, sides: int, window: int, hold_after: int,
        settle_after: int,
    ) -> None:  # fmt: skip
        n_places = warm_up.shape[0]
        self._sides = sides
        self._hold_after = hold_after
        self._settle_after = settle_after
        self._ring = Ring(warm_up, window)
        self._window = window
        self._history = np.zeros((window, n_places), np.float16)
        self.count = 0
        self._departed_for = np.zeros(n_places, np.int32)
        level, spread = first_normal(warm_up, floor)
        self.level = level
        self.spread = self._believed(spread, floor, warm_up.shape[1])
        self.z = np.zeros(n_places, np.float32)

    @staticmethod
    def _believed(spread: Floats, floor: Floats, n: int) -> Floats:
        """Noise to divide by: the floor where the samples agree with it, else their own.

        The floor comes from thousands of pixel differences and is exact for white noise; a
        spread of n samples errs by 1/sqrt(1.8 n) and, where it stands, is widened for that.
        """
        agrees = spread < floor * (1.0 + 2.5 / math.sqrt(1.8 * n))
        return np.where(agrees, floor, spread * (1.0 + 12.0 / n)).astype(np.float32)

    def judge(self, sample: Floats) -> Floats:
        """Departures of one sample, in noise units; remembers nothing."""
        self.z = (sample - self.level) / self.spread
        return self.z

    def moving(self, places: npt.NDArray[np.intp], noise_now: Floats | None = None) -> float:
        """How far the judged sample left its own last few, at the places that did most.

        ``noise_now``, where given, is the noise that the picture shows at this moment: a
        bright plateau is noisier than the dark it rose from, and still is a plateau.
        """
        n = min(_RECENT_FEW, self.count)
        if n == 0:
            return float(self.size(self.z[places]).max())
        rows = (self.count - 1 - np.arange(n)) % self._window
        before = self._history[rows[:, None], places].mean(axis=0, dtype=np.float32)
        step = np.abs(self.z[places] - before)
        if noise_now is not None:
            spread = self.spread[places]
            step *= spread / np.maximum(spread, noise_now[places])
        return float(step.max())

    def size(self, z: Floats) -> Floats:
        """Departure that counts: either way, or only upwards."""
        return np.abs(z) if self._sides == 2 else np.maximum(z, 0.0)

    def learn(self, sample: Floats) -> npt.NDArray[np.intp]:
        """Take the judged sample in; return the places that settled in a new state."""
        z = self.z
        self._history[self.count % self._window] = np.clip(z, -6e4, 6e4)
        self.count += 1
        departed = self.size(z) > GATE
        self._departed_for += np.where(departed, 1, -2)
        np.maximum(self._departed_for, 0, out=self._departed_for)
        self._ring.push(sample, self._departed_for > self._hold_after)
        return np.flatnonzero(self._departed_for >= self._settle_after)

    def settle(self, places: npt.NDArray[np.intp], floor: Floats) -> None:
        """Make the recent state of some places their new normal."""
        n = min(_RECENT, self._window, self.count)
        rows = (self.count - 1 - np.arange(n)) % self._window
        z = self._history[rows][:, places].astype(np.float32)
        recent = (self.level[places] + z * self.spread[places]).T
        self._ring.refill(places, recent)
        level, spread = level_and_spread(recent, floor[places])
        self._renew(places, level, self._believed(spread, floor[places], n))

    def _renew(self, places: npt.NDArray[np.intp], level: Floats, spread: Floats) -> None:
        """Change level and spread, restating the remembered departures in the new units."""
        old = self._history[:, places].astype(np.float32) * self.spread[places]
        old = (old + self.level[places] - level) / spread
        self._history[:, places] = np.clip(old, -6e4, 6e4)
        self.level[places] = level
        self.spread[places] = spread
        self._departed_for[places] = 0

    def shift(self, places: npt.NDArray[np.intp], by: Floats) -> None:
        """Move the level of some places, noise unchanged."""
        self._ring.shift(places, by)
        self.level[places] += by
        self._departed_for[places] = 0

    def refresh(self, floor: Floats) -> None:
        """Renew level and spread from the ring, save where a place is being held."""
        samples = self._ring.samples()
        level, spread = level_and_spread(samples, floor)
        held = self._departed_for > self._hold_after
        self.level = np.where(held, self.level, level)
        believed = self._believed(spread, floor, samples.shape[1])
        self.spread = np.where(held, self.spread, believed)

    @property
    def refresh_due(self) -> bool:
        """True every quarter window, and more often while the ring fills."""
        step = max(4, self._window // 4)
        return self.count > 0 and self.count % (step if self._ring.filled > step else 4) == 0

    def since(self, places: npt.NDArray[np.intp], z: Floats) -> int:
        """Samples back to the first departure of some places (0: the sample just learned).

        Walks back while the largest same-way departure among the strongest places is
        more than noise would give once in a hundred looks.
        """
        strongest = places[np.argsort(-np.abs(z[places]))[:LOOK_BACK_PLACES]]
        way = np.sign(z[strongest])
        noise = -special.ndtri(0.01 / len(strongest))
        back = 0
        for step in range(1, min(self.count, self._window)):
            row = self._history[(self.count - 1 - step) % self._window, strongest]
            if float((row * way).max()) < noise:
                break
            back = step
        return back


def white_floor(pixel_sigma: Floats, n_px: npt.NDArray[np.float64]) -> Floats:
    """Noise of a mean over ``n_px`` pixels of independent noise ``pixel_sigma``."""
    return (pixel_sigma / np.sqrt(n_px)).astype(np.float32)


def quantisation_floor(step: float, n_px: npt.NDArray[np.float64]) -> Floats:
    """Least believable spread of a mean of whole grey levels, each ``step`` wide.

    Rounding adds a variance of step²/12 per pixel (EMVA 1288); neighbouring pixels round
    alike, so that large places are not trusted beyond a fiftieth of a level.
    """
    return np.maximum(step / math.sqrt(12.0) / np.sqrt(n_px), 0.02 * step).astype(np.float32)
