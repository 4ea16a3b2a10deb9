"""Frame differencing: the picture changes from frame to frame more than it used to."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from flashpan.detectors.base import Run, Scene
from flashpan.detectors.coding import ROUNDING_STEPS, Coding
from flashpan.detectors.noise import Flags, Floats
from flashpan.detectors.run import PlaceRun
from flashpan.detectors.track import quantisation_floor
from flashpan.model import Score, TakeInfo, Tiles

_COPIES = 3
"""Exact copies of a frame that may follow it in a take that goes on."""
# Frames that differ from which it is known that a take goes on, and the share of copies it may
# have had.
_KNOWN = 32
_RARELY = 0.2


@dataclass(frozen=True, slots=True)
class Difference:
    """Root-mean-square frame difference of every place against its running level."""

    name: ClassVar[str] = "difference"
    version: ClassVar[int] = 1

    def start(self, scene: Scene) -> Run:
        """Begin a run over one take."""
        return DifferenceRun(scene)


class DifferenceRun(PlaceRun):
    """State of `Difference`.

    The root mean square answers to a few strongly changed pixels where a mean absolute
    difference drowns them.  The variance of rounding (a sixth of a grey level squared for
    a difference) is added under the root, so that a clean 8-bit picture, where most
    differences are exactly zero, has a level to rise from.
    """

    sides = 1
    quantity = "frame difference"

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        if scene.info.predicts_with_loss:
            self.step = max(self.step, ROUNDING_STEPS / 255.0)
        self._copies = self._n_copies = self._n_new = 0
        # What frames after keyframes do, which need not be what keyframes do.
        self._coding_after = self.coding_steps(scene.info)
        self._rounding = self.step**2 / 6.0
        self._smallest = quantisation_floor(self.step, self.places.n_px)

    def score(self, tiles: Tiles) -> Score:
        """Score the next frame; the first has no difference and says nothing."""
        if not tiles.has_previous:
            return Score(index=tiles.index, value=0.0, since=tiles.index, until=tiles.index)
        score = super().score(tiles)
        # A difference shows that the frame before was not yet as the scene is now.
        until = max(score.since, tiles.index - 1)
        return score if score.until == until else replace(score, until=until)

    def retrospect(self) -> tuple[Score, ...]:
        """Scores of the warm-up frames; empty when they have been given already."""
        return tuple(
            replace(score, until=max(score.since, score.index - 1))
            for score in super().retrospect()
        )

    def coding_steps(self, info: TakeInfo) -> Coding:
        """Steps of a place's root mean square difference."""
        return Coding.of_differences(info, self.places.sizes)

    def _without_recoding(self, tiles: Tiles, sample: Floats) -> Floats:
        """A keyframe differs everywhere: where coding explains how much, it says nothing.

        The frame after it differs from it as much where predicted frames are coded more coarsely,
        and lose again what the keyframe had of the noise; the next few renew what it left.  Nor
        do a few exact copies of a frame.
        """
        before = self._before
        if self._is_no_news(tiles) and before is not None:
            return before
        since_key = self.coding.since_key
        if before is not None and since_key is not None:
            sample = np.where(self._is_coding(sample - before, since_key), before, sample)
        self._before = sample
        return sample

    def _is_coding(self, step: Floats, since_key: int) -> Flags:
        """Places whose step coding explains, so many frames after a keyframe."""
        if since_key == 0:
            return self.coding.explains(step)
        if since_key == 1:
            return self._coding_after.explains(step)
        return self.coding.covers(step)

    def _is_no_news(self, tiles: Tiles) -> bool:
        """True for a copy of the frame before in a take that goes on: nothing is learned of it.

        However many, in a take whose frames nearly always differ; where pictures stand still
        for long, that is how they are.
        """
        is_copy = self.coding.is_repeat(tiles)
        self._copies = self._copies + 1 if is_copy else 0
        self._n_copies += is_copy
        self._n_new += not is_copy
        earlier = self._n_copies - self._copies
        goes_on = self._n_new >= _KNOWN and earlier <= _RARELY * self._n_new
        return self._copies > 0 and (goes_on or self._copies <= _COPIES)

    def observe(self, tiles: Tiles) -> None:
        """Nothing: the floor follows from the level itself."""

    def series(self, tiles: Tiles) -> Floats:
        """Root-mean-square difference, fraction of full scale."""
        rms: Floats = np.sqrt(self.places.of_frame(tiles.sq_diff) + np.float32(self._rounding))
        return rms

    def floor(self, rate: int, level: Floats) -> Floats:
        """Sampling error of a root mean square over the place's pixels.

        For n independent normal differences it is the root mean square over sqrt(2 n).
        """
        least = np.maximum(self._white(level, rate), self._smallest)
        beside = self.writing.beside_rms()
        return least if beside is None else np.maximum(least, beside)

    def noise_now(self, tiles: Tiles, sample: Floats) -> Floats:
        """Sampling error at the present root mean square."""
        return self._white(sample, 1)

    def _white(self, level: Floats, rate: int) -> Floats:
        # Successive differences share a frame: their squares correlate by a quarter.
        independent = self.places.n_px * rate / (1.0 if rate == 1 else 1.5)
        return (level / np.sqrt(2.0 * independent)).astype(np.float32)
