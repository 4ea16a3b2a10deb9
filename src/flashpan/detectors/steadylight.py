"""The light that places have besides their ripple: where it stands now, and where it goes.

Two medians over whole periods of the lamps give a line that a flash does not move and that
does not lag behind a cloud.  A place that has been in a new light for a period is believed.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]

# Means in each of the two medians, and the least frames that these are over.
_BINS = 16
_LEAST_FRAMES = 32


class SteadyLight:
    """Level of every place, frame by frame.

    Parameters
    ----------
    level, slope : ndarray, shape (places,), float32
        Where the light is at first, and what it changes by per frame.
    period : float
        Frames per cycle of the lamps; whole cycles are looked at, in which they cancel.

    Attributes
    ----------
    level : ndarray, shape (places,), float32
        The light of the frame to come.
    """

    def __init__(self, level: Floats, slope: Floats, period: float) -> None:
        span = period * math.ceil(_LEAST_FRAMES / period)
        self._bin_frames = max(1, round(span / _BINS))
        ago = (np.arange(2 * _BINS) - 2 * _BINS + 0.5) * self._bin_frames
        self._bins = (level + slope * ago[:, None]).astype(np.float32)
        self._at = 0
        self._sum = np.zeros(len(level), np.float64)
        self._n_summed = 0
        self._slope = slope
        self.level = level + slope

    def push(self, light: Floats) -> None:
        """Take in a frame's light, without its ripple."""
        self.level = self.level + self._slope
        self._sum += light
        self._n_summed += 1
        if self._n_summed == self._bin_frames:
            self._bins[self._at] = self._sum / self._n_summed
            self._at = (self._at + 1) % len(self._bins)
            self._sum[:] = 0.0
            self._n_summed = 0
            self._draw_line()

    def _draw_line(self) -> None:
        bins = np.roll(self._bins, -self._at, axis=0)
        before, now = np.median(bins.reshape(2, _BINS, -1), axis=1)
        self._slope = (now - before) / np.float32(_BINS * self._bin_frames)
        # From the middle of the later half to the frame that comes next.
        self.level = now + self._slope * np.float32(0.5 * _BINS * self._bin_frames + 0.5)
