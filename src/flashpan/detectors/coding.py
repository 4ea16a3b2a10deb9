"""What a lossy codec does to the statistics, apart from what happens in the scene.

A predicted stream holds a block still, exactly, until the encoder finds it worth renewing;
then it takes a step at once.  A keyframe renews all of them together: every place takes a
step that comes of coding alone, and which the next one says nothing of.  Such steps are
bounded by the quantiser.  A codec that predicts nothing rounds every block's mean by itself,
so that a place flips between two levels instead of being noisy.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from statistics import median_low

import numpy as np

from flashpan.detectors.noise import Floats
from flashpan.model import TakeInfo, Tiles

ROUNDING_STEPS = 4.0
"""Code values of 256 by which the difference of a predicted picture means nothing."""
# Steps that coding takes in quiet footage at usual qualities, in code values of 256 for
# tile, block and window: largest of many thousand renewals by predicted pictures, and by
# keyframes at poor quality (measured on invented quiet takes with H.264, HEVC and MPEG-4).
_RENEWAL = (2.0, 0.8, 0.45)
_PULSE = (4.5, 1.6, 0.8)
# The same for the root mean square difference, which holds the picture's noise besides.
_DIFFERENCE = (4.5, 1.6, 0.6)
_DIFFERENCE_PULSE = (8.0, 7.0, 7.0)
# The worst quality against the usual.
_MOST = 2.0
_LEEWAY = 2.5
_LEEWAY_LARGEST = 1.3
_KNOWN = 4
_MEMORY = 16
# Renewed tiles after which the stream itself has shown what renewals do.
_ENOUGH = 20_000
# Share of the usual step that is expected for ever: renewals may be rarer than what is
# remembered.  In the whole window they average out.
_ALWAYS = (0.4, 0.1)
# Frames after a keyframe in which an encoder mends what it left coarse: until some have been
# seen, and later.
_AFTERMATH, _AFTERMATH_KNOWN = 32, 8
# Part of the frames between keyframes that may be the aftermath of one.
_AFTERMATH_SHARE = 8
# Pictures that lead a keyframe are refreshed with it: one pulse.
_LEADING = 2


class Coding:
    """What is known of a stream's coding steps for one statistic; starts from what is usual.

    Parameters
    ----------
    info : TakeInfo
        The take.
    sizes : sequence of slice
        Runs of places of one size each, smallest first.
    renewal, pulse : tuple of float
        Usual largest steps by size, in code values of 256.

    Attributes
    ----------
    is_lossy : bool
        False where there is no coding error, and this does nothing.
    most : list of float
        For each size, the largest step that can be coding, in full scales.
    """

    def __init__(
        self, info: TakeInfo, sizes: Sequence[slice], renewal: Sequence[float],
        pulse: Sequence[float], is_lossy: bool,
    ) -> None:  # fmt: skip
        self._predicts = info.predicts_with_loss
        self.is_lossy = is_lossy
        self._sizes = sizes
        self._renewal = _by_size(renewal, len(sizes))
        self.most = [_MOST * step for step in self._renewal]
        self._pulse = _by_size(pulse, len(sizes))
        self._pulses: list[list[float]] = [[] for _ in sizes]
        self._renewed = 0
        self._keys, self._since_key, self._lasts = 0, 0, -1

    @classmethod
    def of_means(cls, info: TakeInfo, sizes: Sequence[slice]) -> Coding:
        """Coding steps of a place's mean."""
        return cls(info, sizes, _RENEWAL, _PULSE, info.codes_with_loss)

    @classmethod
    def of_differences(cls, info: TakeInfo, sizes: Sequence[slice]) -> Coding:
        """Coding steps of a place's root mean square difference."""
        return cls(info, sizes, _DIFFERENCE, _DIFFERENCE_PULSE, info.codes_with_loss)

    def observe(self, tiles: Tiles) -> None:
        """Count renewed tiles, and keyframes and the frames after them."""
        self._renewed += tiles.n_changed
        self._since_key += 1
        if tiles.refreshed:
            self._keys += int(self._since_key > _LEADING)
            self._lasts = min(_AFTERMATH_KNOWN, max(1, self._since_key // _AFTERMATH_SHARE))
            self._since_key = 0

    @property
    def since_key(self) -> int | None:
        """Frames since a keyframe, while its aftermath lasts: no large part of those between."""
        return self._since_key if self._since_key <= self._lasts else None

    def is_repeat(self, tiles: Tiles) -> bool:
        """True for an exact copy of the frame before, which says nothing of the noise.

        Where frames are predicted, a still frame is no exception.
        """
        return not self._predicts and tiles.is_copy

    def expected(self) -> list[Callable[[bool], float]]:
        """For each size, what gives the step to be expected of a renewal."""
        return [partial(self.largest_renewal, size) for size in range(len(self._sizes))]

    def largest_renewal(self, size: int, few_seen: bool) -> float:
        """Step that must be expected as long as the stream itself has not shown enough."""
        if not self._predicts:
            return 0.0
        aftermath = _AFTERMATH if self._keys < _KNOWN else _AFTERMATH_KNOWN
        if few_seen or (self._keys and self._since_key < aftermath):
            return self._renewal[size]
        left = _ALWAYS[-1] if size and size == len(self._sizes) - 1 else _ALWAYS[0]
        return self._renewal[size] * max(left, 1.0 - self._renewed / _ENOUGH)

    def explains(self, step: Floats) -> np.ndarray:
        """Places whose step a keyframe's coding explains; learns from them all."""
        explained = self.covers(step)
        for number, part in enumerate(self._sizes):
            largest = float(np.abs(step[part]).max())
            self._pulses[number] = [*self._pulses[number], largest][-_MEMORY:]
        return explained

    def covers(self, step: Floats) -> np.ndarray:
        """Places whose step is no larger than what a keyframe's coding explains; learns nothing."""
        covered = np.zeros(len(step), np.bool_)
        for number, part in enumerate(self._sizes):
            covered[part] = np.abs(step[part]) <= self._reach(number)
        return covered

    def _reach(self, number: int) -> float:
        """Largest step of a keyframe that is taken for coding error."""
        seen, usual = self._pulses[number], self._pulse[number]
        if not seen:
            return usual
        reach = _LEEWAY * median_low(seen)
        if len(seen) < _KNOWN:
            return max(usual, reach)
        within = [size for size in seen if size <= reach]
        return max(reach, _LEEWAY_LARGEST * max(within))


def _by_size(steps: Sequence[float], n_sizes: int) -> tuple[float, ...]:
    """Steps in full scales for tiles, blocks (where there are some) and the window."""
    chosen = {1: (0,), 2: (0, 2), 3: (0, 1, 2)}[n_sizes]
    return tuple(steps[i] / 255.0 for i in chosen)
