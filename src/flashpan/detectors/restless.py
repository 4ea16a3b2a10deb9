"""What any place of this scene may do: noise that wanders from place to place.

A drifting bead, a leaf's shadow or a codec's renewed block visits places that were quiet
for long, so that their own past does not foretell it.  Such visits are told from events by
being a habit of the scene: somewhere in the picture, one happens in every few frames.  The
*scene floor* is the least spread for every place of a size that makes the largest
departure per frame no greater than independent noise would have it.

A scene where only some corner is restless keeps a low floor: there the places' own
spreads have taken it in, and nothing is left to surprise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from flashpan.chance import MaxLaw
from flashpan.detectors.coding import Coding
from flashpan.detectors.noise import Floats
from flashpan.kernels.tracks import strongest

CANDIDATES = 6
"""Places, the strongest of a frame, that are remembered of it."""
_MEMORY = 512
_EVERY = 32
_QUANTILE = 0.7
_LEEWAY = 1.1
_FEW = 100
"""Until so many frames have passed, those still to come are taken for usual ones."""
_STRONG_Y = 13.8
_STRONG = 2.5
"""A departure this many times what noise gives once in a million frames is no habit
until it has gone on for as long as a new state takes to settle."""
# Quantiles of the frames' largest that a coded picture is held to, and frames needed for each.
_RARE = ((0.9, 64), (0.97, 128), (0.99, 384))
_HORIZON = 1.6
"""The warm-up foretells from fewer samples, which wandering noise has left less far."""


class SceneFloor:
    """Least spread that the scene as a whole teaches, for places of one size.

    Parameters
    ----------
    n_places : int
        Places of this size.
    sides : int
        2 where departures either way count.
    settle_after : int
        Samples after which an unusual scene is the usual one.
    """

    def __init__(self, n_places: int, sides: int, settle_after: int) -> None:
        law = MaxLaw(n=n_places, sides=sides)
        self._usual = law.value_at(-math.log(-math.log(_QUANTILE))) * _LEEWAY
        self._strong = law.value_at(_STRONG_Y) * _STRONG
        self._settle_after = settle_after
        self._seen = _Records(min(n_places, CANDIDATES))
        self._strong_for = 0
        self._since_fit = 0
        self.value = 0.0

    def learn(self, size: Floats, spread: Floats, own: Floats) -> None:
        """Take in one frame's departures, see `_noted`."""
        self.learn_strongest(*self._noted(size, spread, own))

    @property
    def n_largest(self) -> int:
        """Places that are remembered of a frame."""
        return self._seen.n_largest

    def learn_strongest(self, largest: float, record: Floats) -> None:
        """Take in a frame of which the strongest departures are known.

        Parameters
        ----------
        largest : float
            In noise units.
        record : ndarray, shape (2, n_largest), float32
            The strongest, times their noise, and the own noise of those places.
        """
        is_strong = largest > self._strong
        self._strong_for = self._strong_for + 1 if is_strong else max(0, self._strong_for - 2)
        if self._strong_for >= self._settle_after:
            self._start_over(record)
        elif not is_strong:
            self._keep(record)

    def _noted(self, size: Floats, spread: Floats, own: Floats) -> tuple[float, Floats]:
        """The largest departure of a frame, and what is remembered of it.

        Parameters
        ----------
        size : ndarray, shape (n_places,)
            Departures in units of ``spread``; 0 at places that have departed already.
        spread, own : ndarray, shape (n_places,)
            Noise they were divided by, and the places' own noise.
        """
        record = np.empty((2, self.n_largest), np.float32)
        largest = strongest(size, spread, own, record)
        if math.isnan(largest):
            top = _largest(size)
            largest = float(size[top].max())
            record[0], record[1] = size[top] * spread[top], own[top]
        return largest, record

    def prime(self, records: Sequence[tuple[Floats, Floats]]) -> None:
        """Learn from a warm-up: every frame's departures and the noise to judge them by.

        An event may fill a part of it: the calmer part counts, unless the whole agrees with
        it.
        """
        tops = [_largest(amplitude / own) for amplitude, own in records]
        amplitude = np.stack([one[top] for (one, _), top in zip(records, tops, strict=True)])
        own = np.stack([one[top] for (_, one), top in zip(records, tops, strict=True)])
        whole, calm = self._fit(amplitude, own), self._calm_quarter(amplitude, own)
        self.value = _HORIZON * (whole if whole <= 3.0 * calm else calm)
        largest = (amplitude / np.maximum(own, self.value)).max(axis=1)
        self._seen.clear()
        for row in np.flatnonzero(largest < self._strong):
            self._seen.add(np.stack([amplitude[row], own[row]]))

    def _calm_quarter(self, amplitude: Floats, own: Floats) -> float:
        """Floor that the second calmest quarter asks for: half of the frames may be an event,
        and one quarter of a restless scene may be calm by chance."""
        size = len(amplitude) // 4
        if size < 4:
            return self._fit(amplitude, own)
        parts = [slice(i * size, (i + 1) * size) for i in range(4)]
        return sorted(self._fit(amplitude[part], own[part]) for part in parts)[1]

    def _keep(self, record: Floats) -> None:
        self._seen.add(record)
        self._since_fit += 1
        if self._since_fit >= _EVERY:
            self._since_fit = 0
            self.value = self._fit(*self._seen.arrays(), _FEW)

    def _start_over(self, record: Floats) -> None:
        """What went on for so long is a habit: forget the rest and fit to it."""
        if self._strong_for == self._settle_after:
            self._seen.clear()
        self._seen.add(record)
        if len(self._seen) >= _EVERY:
            self.value = self._fit(*self._seen.arrays())
            self._strong_for = 0

    def _fit(
        self, amplitude: Floats, own: Floats, at_least: int = 0,
        quantile: float = _QUANTILE, usual: float | None = None,
    ) -> float:  # fmt: skip
        """Least floor under which all but three tenths of the frames' largest are as usual.

        ``amplitude`` and ``own`` have one row per frame.  Frames short of ``at_least`` count as
        usual.
        """
        usual = self._usual if usual is None else usual
        allowed = (1.0 - quantile) * max(len(amplitude), at_least)

        def restless(floor: float) -> bool:
            largest = (amplitude / np.maximum(own, floor)).max(axis=1)
            return int(np.count_nonzero(largest > usual)) > allowed

        if not restless(0.0):
            return 0.0
        low, high = 0.0, float(amplitude.max()) / usual
        for _ in range(16):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if restless(middle) else (low, middle)
        return high


def scene_floors(
    sizes: Sequence[slice], sides: int, settle_after: int, coding: Coding | None = None
) -> list[tuple[slice, SceneFloor]]:
    """Return a floor for the places of each size."""
    if coding is None or not coding.is_lossy:
        return [(part, SceneFloor(part.stop - part.start, sides, settle_after)) for part in sizes]
    return [
        (part, CodedFloor(part.stop - part.start, sides, settle_after, expected, most))
        for part, expected, most in zip(sizes, coding.expected(), coding.most, strict=True)
    ]


class CodedFloor(SceneFloor):
    """The same for pictures with coding error, which is rare in any place, and sudden.

    Three frames of ten are not enough to tell: the largest of a hundred frames count too, and,
    until a stream has shown enough, what codecs usually do.

    Parameters
    ----------
    n_places, sides, settle_after
        As for `SceneFloor`.
    expected : callable
        Returns the largest step that is to be expected until more is known, in full scales;
        told whether few frames have been seen.
    most : float
        Largest step that can be coding: rare departures beyond it teach nothing.
    """

    def __init__(
        self, n_places: int, sides: int, settle_after: int, expected: Callable[[bool], float],
        most: float,
    ) -> None:  # fmt: skip
        super().__init__(n_places, sides, settle_after)
        self._expected = expected
        self._law = MaxLaw(n=n_places, sides=sides)
        self._event = self._law.value_at(_STRONG_Y)
        self._most = most / self._event
        self._rare = _Records(min(n_places, CANDIDATES))
        self._rare_value = 0.0
        self._since_rare = 0
        self._raise()

    def learn_strongest(self, largest: float, record: Floats) -> None:
        """Take in a frame; departures that may be an event teach nothing rare."""
        super().learn_strongest(largest, record)
        if largest < self._event:
            self._rare.add(record)
            self._since_rare += 1
        if self._since_rare >= _EVERY:
            self._since_rare = 0
            self._rare_value = self._fit_rare()
        self._raise()

    def prime(self, records: Sequence[tuple[Floats, Floats]]) -> None:
        """Learn from a warm-up."""
        super().prime(records)
        self._raise()

    def _raise(self) -> None:
        self.value = max(self.value, self.coded)

    @property
    def coded(self) -> float:
        """Least spread that coding alone asks for."""
        usual = self._expected(len(self._rare) < _RARE[1][1])
        return max(self._rare_value, usual / self._event)

    def _fit_rare(self) -> float:
        """Least floor under which the rarest frames are as rare as for normal noise."""
        value = 0.0
        for quantile, least in _RARE:
            if len(self._rare) >= least:
                usual = self._law.value_at(-math.log(-math.log(quantile)))
                rare = self._fit(*self._rare.arrays(), quantile=quantile, usual=usual)
                value = max(value, rare)
        return min(value, self._most)


class _Records:
    """The largest departures of recent frames, and the noise of those places."""

    def __init__(self, n_largest: int) -> None:
        self.n_largest = n_largest
        self.clear()

    def clear(self) -> None:
        """Forget all of them."""
        self._records = np.zeros((_MEMORY, 2, self.n_largest), np.float32)
        self._count = 0

    def add(self, record: Floats) -> None:
        """Remember a frame in the place of the oldest."""
        self._records[self._count % _MEMORY] = record
        self._count += 1

    def __len__(self) -> int:
        return min(self._count, _MEMORY)

    def arrays(self) -> tuple[Floats, Floats]:
        """Departures and noise, one row per frame, in no particular order."""
        n = len(self)
        return self._records[:n, 0], self._records[:n, 1]


def _largest(size: Floats) -> np.ndarray:
    """Places with the largest departures of a frame."""
    if len(size) <= CANDIDATES:
        return np.arange(len(size))
    # Asked for two ranks, NumPy takes the selection that is the quicker one for long arrays.
    return np.argpartition(size, (-CANDIDATES - 1, -CANDIDATES))[-CANDIDATES:]
