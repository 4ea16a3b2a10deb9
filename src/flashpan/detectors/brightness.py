"""Brightness spikes: a place got brighter or darker than its own past explains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from flashpan.detectors.base import Run, Scene
from flashpan.detectors.coding import Coding
from flashpan.detectors.noise import Floats, SparseMedian
from flashpan.detectors.run import PlaceRun
from flashpan.detectors.track import quantisation_floor, white_floor
from flashpan.model import TakeInfo, Tiles


@dataclass(frozen=True, slots=True)
class Brightness:
    """Mean luma of every place against its running level."""

    name: ClassVar[str] = "brightness"
    version: ClassVar[int] = 1

    def start(self, scene: Scene) -> Run:
        """Begin a run over one take."""
        return BrightnessRun(scene)


class BrightnessRun(PlaceRun):
    """State of `Brightness`.

    A place's mean cannot be quieter than the noise of its pixels allows; that noise is
    read off the difference of successive frames (EMVA 1288: half its mean square is the
    temporal variance), which a few frames give to a per cent even where the run of means
    is still too short to show its own spread.
    """

    sides = 2
    quantity = "mean luma"
    rates = (1, 4)

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        self._smallest = quantisation_floor(self.step, self.places.n_px)
        self._variances = SparseMedian()

    def coding_steps(self, info: TakeInfo) -> Coding:
        """Steps of a place's mean."""
        return Coding.of_means(info, self.places.sizes)

    def series(self, tiles: Tiles) -> Floats:
        """Mean luma, fraction of full scale."""
        return self.places.of_frame(tiles.mean)

    def observe(self, tiles: Tiles) -> None:
        """Keep a sparse record of the pixels' temporal variance."""
        if self.coding.is_repeat(tiles):
            return
        if self._variances.wants_next() and tiles.has_previous:
            self._variances.keep(self.places.of_frame(tiles.sq_diff) * 0.5)

    def floor(self, rate: int, level: Floats) -> Floats:
        """White noise of the pixels, averaged over the place and over ``rate`` frames."""
        if not len(self._variances):
            return self._smallest
        white = white_floor(
            np.sqrt(self._variances.median()).astype(np.float32), self.places.n_px * rate
        )
        least = np.maximum(white, self._smallest)
        beside = self.writing.beside_mean()
        return least if beside is None else np.maximum(least, beside)

    def noise_now(self, tiles: Tiles, sample: Floats) -> Floats:
        """White noise of this frame's pixels, averaged over the place."""
        sigma = np.sqrt(0.5 * self.places.of_frame(tiles.sq_diff))
        return white_floor(sigma, self.places.n_px)
