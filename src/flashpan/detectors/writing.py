"""Tiles that hold burnt-in writing which changes all the time: counters, clocks.

Writing changes few pixels by much: the mean absolute difference of a tile is then far less
than the root of its mean square, where noise gives 0.8 of it and a change of light 1.  A
tile that does so in many frames is a counter's last digits, and beside them are those
that change every tenth, hundredth or thousandth frame, by about as much.
"""

from __future__ import annotations

import numpy as np

from flashpan.detectors.noise import Flags, Floats
from flashpan.detectors.places import Places
from flashpan.kernels.writing import changed_by_few
from flashpan.medians import median
from flashpan.model import Tiles

# Square of mean absolute over root mean square below which few pixels make the difference;
# 0.64 for normal noise.  And the grey levels of the latter from which that says anything.
_FEW_PIXELS = np.float32(0.4)
_CLEAR_STEPS = 3.0
# Times the picture's usual mean square from which a tile is louder than its noise.
_LOUD = 2.0
# Share of the frames in which a tile does so if it is written on, and the share of such tiles
# up to which it is writing, not a scene in motion.
_OFTEN = 0.12
_MOST_TILES = 0.15
_MEMORY = 64
# What the next digit may change by, in parts of what the last one usually does.
_AS_MUCH = 0.5
# Below this a share is none: in sums with 1 it is lost.  In the end it would be a number so small
# that processors are slow with it.
_NONE, _CLEAN_EVERY = np.float32(1e-20), 1024


class Writing:
    """Follows which tiles are written on, and what may happen beside them.

    Parameters
    ----------
    places : Places
        Where.
    step : float
        One grey level, fraction of full scale.
    """

    def __init__(self, places: Places, step: float) -> None:
        self._places = places
        self._clear = np.float32((_CLEAR_STEPS * step) ** 2)
        self._counted = places.on_grid(np.ones(places.n, bool))
        self._seen = 0
        self._has_written = False
        self._often = np.zeros(places.n, np.float32)
        self._mean = np.zeros(places.n, np.float32)
        self._square = np.zeros(places.n, np.float32)

    def observe(self, tiles: Tiles) -> None:
        """Look at one frame's differences."""
        if not tiles.has_previous:
            return
        self._seen += 1
        few, writes = self._places.once(tiles.sq_diff, self._clear, lambda: self._written(tiles))
        gain = np.float32(1.0 / min(self._seen, _MEMORY))
        if not writes and not self._has_written:
            return
        self._has_written = True
        if not writes:
            self._often += (np.float32(0.0) - self._often) * gain
            if self._seen % _CLEAN_EVERY == 0:
                self._often[self._often < _NONE] = 0.0
            return
        wrote = self._places.gather(few.astype(np.float32))
        self._often += (wrote - self._often) * gain
        # Amplitudes are those of the frames that wrote, and gain as slowly.
        own = gain * wrote / np.maximum(self._often, gain)
        self._mean += (self._places.of_frame(tiles.abs_diff) - self._mean) * own
        self._square += (self._places.of_frame(tiles.sq_diff) - self._square) * own

    def _written(self, tiles: Tiles) -> tuple[Flags, bool]:
        """Tiles of which few pixels changed, and much, and whether there are any."""
        few = np.empty(tiles.sq_diff.shape, np.bool_)
        if not changed_by_few(tiles.abs_diff, tiles.sq_diff, _FEW_PIXELS, self._clear, few):
            return few, False
        # A highlight that is partly blown changes by few pixels too, but less than the rest.
        few &= tiles.sq_diff > _LOUD * median(tiles.sq_diff[self._counted])
        return few, bool(few.any())

    @property
    def writes(self) -> Flags:
        """Places that are written on; those of tiles mean something."""
        return np.asarray(self._often > _OFTEN)

    def beside_mean(self) -> Floats | None:
        """Least spread of every place's mean, shape (places,); None where nothing writes."""
        return self._beside(self._mean, 1.0)

    def beside_rms(self) -> Floats | None:
        """The same of its root-mean-square difference."""
        return self._beside(np.sqrt(self._square), 0.5)

    def _beside(self, amplitude: Floats, power: float) -> Floats | None:
        tiles = self._places.sizes[0]
        writes = self.writes
        share = float(np.mean(writes[tiles]))
        if not 0.0 < share < _MOST_TILES:
            return None
        loud = np.where(writes, amplitude * np.float32(_AS_MUCH), 0.0).astype(np.float32)
        return self._places.largest_near(loud, power)
