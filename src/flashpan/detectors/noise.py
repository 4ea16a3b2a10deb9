"""Robust level and spread of many places at once, and the rings they are read from.

A *place* is one tile, a block of tiles or the whole window.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt
from scipy import special

from flashpan.kernels.outliers import clipped
from flashpan.kernels.ranks import median_rows

Floats = npt.NDArray[np.float32]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]

# Frames that `SparseMedian` remembers, and how many pass between them later on.
_KEPT = 16
_EVERY = 8
_CLIP = 2.5
_QUARTILES_PER_SIGMA = 2.0 * special.ndtri(0.75)
_DENSITY = math.exp(-(_CLIP**2) / 2) / math.sqrt(2 * math.pi)
_INSIDE = special.ndtr(_CLIP) - special.ndtr(-_CLIP)
# Standard deviation of a unit normal clipped at ±2.5, to undo the clipping.
_CLIPPED_SIGMA = math.sqrt(_INSIDE - 2 * _CLIP * _DENSITY + 2 * _CLIP**2 * special.ndtr(-_CLIP))


def level_and_spread(samples: Floats, floor: Floats) -> tuple[Floats, Floats]:
    """Robust mean and standard deviation along the last axis.

    Median and interquartile range first; then mean and standard deviation of the samples
    clipped at 2.5 of those sigmas, which keeps nine tenths of the efficiency of the plain
    estimators on normal noise and bounds what any outlier can do (Huber 1981, one step;
    from memory).

    Parameters
    ----------
    samples : ndarray, shape (places, n)
    floor : ndarray, shape (places,)
        Least spread that is believed.

    Returns
    -------
    level, spread : ndarray, shape (places,), float32
    """
    n = samples.shape[1]
    quarter = (n - 1) // 4
    ordered = np.sort(samples, axis=1)  # vectorised in NumPy, as a partition by rank is not
    middle = 0.5 * (ordered[:, (n - 1) // 2] + ordered[:, n // 2])
    sigma = (ordered[:, n - 1 - quarter] - ordered[:, quarter]) / _QUARTILES_PER_SIGMA
    reach = np.maximum(sigma, floor) * _CLIP
    rest = clipped(samples, middle, reach)
    offset = rest.mean(axis=1)
    square = np.einsum("ij,ij->i", rest, rest) / n
    spread = np.sqrt(np.maximum(square - offset**2, 0.0) * n / max(1, n - 1)) / _CLIPPED_SIGMA
    return (middle + offset).astype(np.float32), spread.astype(np.float32)


def first_normal(samples: Floats, floor: Floats) -> tuple[Floats, Floats]:
    """Level and spread of a warm-up that may hold an event.

    Where a part of the warm-up is much quieter than the whole, that part is taken for
    normal, the earliest if several are: an event in the first frames, or one that begins
    during the warm-up and goes on, is then seen against what surrounds it.
    """
    level, spread = level_and_spread(samples, floor)
    n = samples.shape[1]
    if n >= 12:  # where nothing tells the parts apart, begin where the take begins
        level = np.median(samples[:, : n // 2], axis=1).astype(np.float32)
    whole = np.maximum(spread, floor)
    halves, start = (slice(n // 2, n), slice(0, n // 2)), slice(0, min(8, n // 4))
    for part, doubt in ((halves[0], 1.2), (halves[1], 1.2), (slice(0, n // 4), 1.5), (start, 1.5)):
        if part.stop - part.start < 6:
            continue
        part_level, part_spread = level_and_spread(samples[:, part], floor)
        # A short sample's spread errs by a fifth and more; only a clear difference counts.
        quiet = np.maximum(part_spread, floor) * 1.5 * doubt < whole
        level = np.where(quiet, part_level, level)
        spread = np.where(quiet, doubt * part_spread, spread)
    return level, spread


class SparseMedian:
    """Median of a statistic over some of its frames: many of the first, then every eighth."""

    def __init__(self) -> None:
        self._kept: list[Floats] = []
        self.seen = 0

    def wants_next(self) -> bool:
        """Count a frame; True where it is one of those to keep."""
        wanted = self.seen < 2 * _KEPT or self.seen % _EVERY == 0
        self.seen += 1
        return wanted

    def keep(self, sample: Floats) -> None:
        """Remember a frame, and no more than the last sixteen."""
        self._kept.append(sample)
        del self._kept[:-_KEPT]

    def __len__(self) -> int:
        return len(self._kept)

    def median(self) -> Floats:
        """Median of those remembered, of which there must be one."""
        rows = np.stack([sample.ravel() for sample in self._kept])
        return median_rows(rows).reshape(self._kept[0].shape)


class Ring:
    """The last samples of every place.

    Parameters
    ----------
    first : ndarray, shape (places, n)
        Samples to begin with.
    window : int
        Samples kept.
    """

    def __init__(self, first: Floats, window: int) -> None:
        # Samples by rows: one is stored for every place at once.
        self._data = np.zeros((window, first.shape[0]), np.float32)
        n = min(window, first.shape[1])
        self._data[:n] = first[:, -n:].T
        self._next = n % window
        self.filled = n

    def push(self, sample: Floats, hold: Flags | None) -> Floats:
        """Store one sample per place; a held place repeats an old one of its own.

        Repeating a sample from a third of a window ago keeps the place's distribution as
        it was, with no special case anywhere else.  ``hold`` is None where no place is held.
        Returns what the sums of the samples grew by.
        """
        stored = sample
        if hold is not None:
            old = (self._next - max(1, self.filled // 3)) % self.filled
            stored = np.where(hold, self._data[old], sample)
        growth: Floats = stored - self._data[self._next]
        self._data[self._next] = stored
        self._next = (self._next + 1) % len(self._data)
        self.filled = min(self.filled + 1, len(self._data))
        return growth

    def samples(self) -> Floats:
        """Samples so far, shape (places, filled), in no particular order."""
        return np.asarray(cv2.transpose(self._data[: self.filled]))

    def in_order(self) -> Floats:
        """The samples, oldest first."""
        full = self.filled == len(self._data)
        by_age = np.roll(self._data[: self.filled], -self._next if full else 0, axis=0)
        return np.asarray(cv2.transpose(by_age))

    def refill(self, places: Indices, recent: Floats) -> None:
        """Forget the past of some places and repeat their recent samples instead."""
        window = len(self._data)
        reps = -(-window // recent.shape[1])
        self._data[:, places] = np.tile(recent, (1, reps))[:, :window].T

    def shift(self, places: Indices, by: Floats) -> None:
        """Add an offset to every sample of some places."""
        self._data[:, places] += by
