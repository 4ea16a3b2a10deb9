"""Specks: a few pixels change more than the noise of so few allows.

A pellet of three by three pixels, a first spark: in the mean or the mean square of a whole
tile they drown.  In the mean of just those pixels they are as plain as they can be.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from flashpan.chance import MaxLaw, gumbel_y
from flashpan.detectors.base import Run, Scene
from flashpan.detectors.noise import Floats, SparseMedian
from flashpan.detectors.writing import Writing
from flashpan.kernels import specks
from flashpan.model import Reading, Score, Tiles

WARM_UP = 32
"""Frames that show what is normal, and are scored afterwards."""
_PIXELS = 9.0
# Neighbouring means of nine pixels share six: so many of them, per pixel, are independent as
# far as their largest goes (by simulation of white noise).
_INDEPENDENT = 0.7
# Step, as a factor, of the running median of a tile's largest; and how far beyond white noise's
# it must be to count.
_USUAL_STEP = 0.02
_USUAL_DOUBT = 1.12
_LEARNED = (
    np.float32(0.1),
    np.float32(1.0 + _USUAL_STEP),
    np.float32(1.0 - _USUAL_STEP),
    np.float32(1e-3),
)
# Times white noise's largest from which a tile is restless, and makes the tiles near it doubtful;
# and the share of such tiles up to which that is a local matter.
_RESTLESS = 2.0
_LOCAL = 0.2
# What may happen beside such a tile, in parts of what it does.
_AS_MUCH = 1.5
_GATE_CHANCE = 0.01
# Share of the strongest from which a tile holds the speck, not its rim.
_CLEARLY = 0.75
# Where a lossy stream predicts its frames, blocks stand still and then are renewed: grey levels
# of three by three pixels that count as one noise unit there.
_CODED_LEVELS = 4.0


@dataclass(frozen=True, slots=True)
class Speck:
    """The largest change of three by three pixels in every tile."""

    name: ClassVar[str] = "speck"
    version: ClassVar[int] = 1

    def start(self, scene: Scene) -> Run:
        """Begin a run over one take."""
        return SpeckRun(scene)


class SpeckRun:
    """State of `Speck`.

    A tile's largest change is judged by the noise of its pixels (the root mean square
    difference over three), or, where its usual largest is more than such noise gives, as a
    swaying edge's or a counter's is, by that.  A speck is a change: where it stays, only its
    coming and going show.
    """

    def __init__(self, scene: Scene) -> None:
        self._places = scene.places
        self._counted = scene.grid.n_px > 0
        self._rounding = scene.info.least_step**2 / 6.0
        self._least = (
            _CODED_LEVELS * scene.info.least_step if scene.info.predicts_with_loss else 0.0
        )
        n_px = float(scene.grid.n_px.sum())
        self.law = MaxLaw(n=max(1.0, _INDEPENDENT * n_px), sides=2, dof=500.0)
        self._gate = self.law.value_at(gumbel_y(_GATE_CHANCE))
        per_tile = MaxLaw(n=max(1.0, _INDEPENDENT * float(scene.grid.n_px.max())), sides=2)
        self._white = per_tile.value_at(gumbel_y(0.5))
        self._predicted = scene.info.predicts_with_loss
        self._with_readings = scene.with_readings
        self._squares = SparseMedian()
        self._sigma = np.ones(scene.grid.n_px.shape, np.float32)
        self._usual = np.full(scene.grid.n_px.shape, self._white, np.float32)
        self._writing = Writing(self._places, scene.info.least_step)
        self._loud = np.zeros(scene.grid.n_px.shape, np.float32)
        # What tiles near a restless one may do, fraction of full scale.
        self._near = np.zeros(scene.grid.n_px.shape, np.float32)
        self._warm: list[Tiles] = []
        self._is_warm = False
        self._past: tuple[Score, ...] = ()

    @property
    def restless(self) -> bool:
        """True where most tiles do more than the noise of their pixels explains."""
        return self._predicted or bool(np.median(self._usual[self._counted]) > 1.5 * self._white)

    def score(self, tiles: Tiles) -> Score:
        """Score the next frame; invalid during warm-up."""
        if not tiles.has_previous or not tiles.speck.size:
            return Score(index=tiles.index, value=0.0, since=tiles.index, until=tiles.index)
        self._writing.observe(tiles)
        self._observe(tiles)
        if self._is_warm:
            return self._judge(tiles)
        self._warm.append(tiles)
        if len(self._warm) >= WARM_UP:
            self._past = self._begin()
        return Score(index=tiles.index, value=0.0, valid=False)

    def retrospect(self) -> tuple[Score, ...]:
        """Scores of the warm-up frames; empty when they have been given already."""
        if self._warm:
            self._past = self._begin()
        past, self._past = self._past, ()
        return past

    def _observe(self, tiles: Tiles) -> None:
        if self._squares.wants_next():
            self._squares.keep(tiles.sq_diff)
            square = self._squares.median() + self._rounding
            sigma = np.sqrt(square / _PIXELS).astype(np.float32)
            self._sigma = np.maximum(sigma, np.float32(self._least))

    def _begin(self) -> tuple[Score, ...]:
        warm, self._warm = self._warm, []
        self._is_warm = True
        sizes = np.stack([tiles.speck / self._sigma for tiles in warm])
        usual = np.maximum(np.median(sizes, axis=0), 1e-3)
        self._usual = np.ascontiguousarray(usual, np.float32)
        self._loud = np.ascontiguousarray(np.quantile(sizes, 0.95, axis=0), np.float32)
        self._look_around()
        return tuple(self._judge(tiles) for tiles in warm)

    def _look_around(self) -> None:
        """Tiles beside restless ones may do as they do, now and then."""
        restless = self._usual > _RESTLESS * self._white
        restless |= self._places.on_grid(self._writing.writes)
        share = float(restless[self._counted].mean()) if self._counted.any() else 0.0
        size = np.maximum(np.maximum(self._usual, self._loud), 1.0) * self._sigma
        loud = np.where(restless, _AS_MUCH * size, 0.0).astype(np.float32)
        self._near = self._places.tiles_near(loud) if share < _LOCAL else np.zeros_like(loud)

    def _judge(self, tiles: Tiles) -> Score:
        noise, z = np.empty_like(self._sigma), np.empty_like(self._sigma)
        best = specks.judge(
            *(tiles.speck, self._sigma, self._usual, self._near, self._counted),
            *(np.float32(self._white), np.float32(_USUAL_DOUBT * self._white), noise, z),
        )
        score = self._describe(tiles, best, z, noise)
        self._learn(tiles)
        return score

    def _learn(self, tiles: Tiles) -> None:
        restless = np.float32(_RESTLESS * self._white)
        specks.learn(tiles.speck, self._sigma, self._usual, self._loud, restless, *_LEARNED)
        if self._squares.seen % WARM_UP == 0:
            self._look_around()

    def _describe(self, tiles: Tiles, best: tuple[int, int], z: Floats, noise: Floats) -> Score:
        value = max(0.0, float(z[best]))
        score = Score(
            index=tiles.index,
            value=value,
            tile=best,
            since=tiles.index,
            until=max(0, tiles.index - 1),
            reading=self._reading(tiles, best, noise) if value else None,
        )
        if value <= self._gate:
            return score
        rows, cols = np.nonzero(z > max(self._gate, _CLEARLY * value))
        extent = int(rows.min()), int(cols.min()), int(rows.max()) + 1, int(cols.max()) + 1
        return replace(score, extent=extent, around=extent, moving=value)

    def _reading(self, tiles: Tiles, tile: tuple[int, int], noise: Floats) -> Reading | None:
        if not self._with_readings:
            return None
        row, col = tile
        return Reading(
            quantity="speck",
            place="tile",
            extent=(row, col, row + 1, col + 1),
            frames=(tiles.index - 1, tiles.index),
            lag=1,
            value=float(tiles.speck[tile]),
            expected=0.0,
            noise=float(noise[tile]),
            basis="lately",
            is_held=False,
        )
