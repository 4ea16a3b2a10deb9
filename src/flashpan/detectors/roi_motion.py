"""Motion inside a region: many tiles each change a little, none of them enough alone."""

from __future__ import annotations

import warnings
from collections import deque
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
import numpy.typing as npt
from scipy import special

from flashpan.chance import MaxLaw
from flashpan.detectors.base import Run, Scene
from flashpan.detectors.coding import Coding
from flashpan.detectors.noise import Flags, Floats, SparseMedian
from flashpan.detectors.track import GATE, Track, quantisation_floor, white_floor
from flashpan.kernels.motion import learn_usual, pooled, squared
from flashpan.kernels.ranks import less_middle
from flashpan.medians import median
from flashpan.model import Extent, Reading, Region, Score, Tiles

LAGS = (1, 4, 16)
"""Frames back that a tile's mean is compared with."""
WARM_UP = 32
"""Frames, after the longest lag, that show what is normal."""
# Squares beyond which a tile says no more, and beyond which it changed clearly by itself.
_CAP = 25.0
_CLEARLY = 20.0
_MEDIAN_SIGMA = float(special.ndtri(0.75))
_USUAL_STEP = 0.01
_LEARNED = (
    np.float32(_MEDIAN_SIGMA),
    np.float32(1.0 + _USUAL_STEP),
    np.float32(1.0 - _USUAL_STEP),
    np.float32(1e-9),
)
# Least spread of the pooled root, and of a tile's mean, where a lossy stream predicts its frames.
_PREDICTED_FLOOR = 0.25
_PREDICTED_STEP = 1.0 / 255.0


@dataclass(frozen=True, slots=True)
class RoiMotion:
    """How much of a region moves: the pooled, capped square of its tiles' changes."""

    name: ClassVar[str] = "roi-motion"
    version: ClassVar[int] = 1

    def start(self, scene: Scene) -> Run:
        """Begin a run over one take."""
        return RoiMotionRun(scene)


class RoiMotionRun:
    """State of `RoiMotion`.

    Each tile's mean is compared with itself 1, 4 and 16 frames ago, less what the whole
    region did (light is not motion), in units of what that tile usually changes by, or of
    its pixels' noise where that is more.  The squares are capped, so that one tile cannot
    speak for the region, and averaged: for still tiles the result is near 1 with a spread of
    1/sqrt(2 tiles), however faint the change per tile, and a scene in motion, whose tiles
    all change by habit, still shows a cut.
    """

    def __init__(self, scene: Scene) -> None:
        grid = scene.grid
        self._n_px = np.maximum(grid.n_px, 1).astype(np.float64)
        self._members = [_tiles_in(region, scene) for region in grid.regions]
        # One region that is the whole picture is the usual case, and the quickest.
        self._is_whole = len(self._members) == 1 and bool(self._members[0].all())
        self._smallest = quantisation_floor(scene.info.least_step, self._n_px)
        self._means: deque[Floats] = deque(maxlen=LAGS[-1] + 1)
        self._variances = SparseMedian()
        self._sigma: Floats = self._smallest
        self._warm: list[tuple[int, Floats]] = []
        self._usual: Floats = np.zeros((len(LAGS), *grid.n_px.shape), np.float32)
        self._past: tuple[Score, ...] = ()
        self._track: Track | None = None
        self._settle = scene.settle_frames
        self._with_readings = scene.with_readings
        self._last = Score(index=-1, value=0.0)
        sizes = np.array([max(1, int(m.sum())) for m in self._members], np.float64)
        floor = 1.0 / np.sqrt(2.0 * sizes)
        self._predicted = scene.info.predicts_with_loss
        self._coding = Coding.of_means(scene.info, (slice(0, grid.n_px.size),))
        self._recoded = np.zeros(grid.n_px.shape, np.float32)
        if self._predicted:  # blocks that stand still and then are renewed, many at once
            floor = np.maximum(floor, _PREDICTED_FLOOR)
            self._smallest = np.maximum(self._smallest, _PREDICTED_STEP)
        self._floor = np.repeat(floor, len(LAGS)).astype(np.float32)
        self.law = MaxLaw(n=len(self._floor), sides=1, dof=500.0)

    def score(self, tiles: Tiles) -> Score:
        """Score the next frame; invalid during warm-up."""
        mean = self._without_recoding(tiles)
        if not tiles.has_previous:
            self._means.append(mean)
            return Score(index=tiles.index, value=0.0, since=tiles.index, until=tiles.index)
        self._observe(tiles)
        changes = self._changes_of_whole(mean) if self._is_whole else self._changes(mean)
        self._means.append(mean)
        if self._track is not None:
            return self._judge(tiles.index, changes)
        self._warm.append((tiles.index, changes))
        if len(self._warm) >= WARM_UP + LAGS[-1]:
            self._past = self._begin()
        return Score(index=tiles.index, value=0.0, valid=False)

    def retrospect(self) -> tuple[Score, ...]:
        """Scores of the warm-up frames; empty when they have been given already."""
        if self._warm:
            self._past = self._begin()
        past, self._past = self._past, ()
        return past

    @property
    def restless(self) -> bool:
        """True where most regions do more than the noise of their pixels explains."""
        return self._predicted or (self._track is not None and self._track.restless)

    def _without_recoding(self, tiles: Tiles) -> Floats:
        """Tile means without the steps that coding explains at keyframes."""
        if tiles.refreshed and self._means:
            step = tiles.mean - self._recoded - self._means[-1]
            explained = self._coding.explains(step.ravel()).reshape(step.shape)
            self._recoded += np.where(explained, step, np.float32(0.0))
        return tiles.mean - self._recoded

    def _observe(self, tiles: Tiles) -> None:
        if self._coding.is_repeat(tiles):
            return
        if self._variances.wants_next():
            self._variances.keep(tiles.sq_diff * 0.5)
            sigma = np.sqrt(self._variances.median()).astype(np.float32)
            self._sigma = np.maximum(white_floor(sigma, self._n_px), self._smallest)

    def _changes(self, mean: Floats) -> Floats:
        """Change of every tile at every lag, less its region's; (lags, rows, cols).

        NaN for a lag that reaches back before the first frame.
        """
        changes = np.full((len(LAGS), *mean.shape), np.nan, np.float32)
        for row, lag in enumerate(LAGS):
            if lag > len(self._means):
                continue
            change = mean - self._means[len(self._means) - lag]
            for member in self._members:
                inside = change[member]
                change[member] = inside - np.float32(median(inside))
            changes[row] = change
        return changes

    def _changes_of_whole(self, mean: Floats) -> Floats:
        """The same where the one region is the whole picture."""
        changes = np.empty((len(LAGS), *mean.shape), np.float32)
        known = sum(lag <= len(self._means) for lag in LAGS)
        for row, lag in enumerate(LAGS[:known]):
            np.subtract(mean, self._means[len(self._means) - lag], out=changes[row])
        less_middle(changes.reshape(len(LAGS), -1)[:known])
        changes[known:] = np.nan
        return changes

    def _squares(self, changes: Floats) -> Floats:
        """Squares of the changes in units of each tile's own; near 1 where nothing happens."""
        lags, least = len(changes), self._sigma * np.float32(np.sqrt(2.0))
        squares = np.empty_like(changes)
        squared(
            *(changes.reshape(lags, -1), self._usual.reshape(lags, -1)),
            *(least.ravel(), squares.reshape(lags, -1)),
        )
        return squares

    def _learn_usual(self, changes: Floats) -> None:
        """Follow each tile's median change by small steps, which no event can hurry."""
        lags = len(changes)
        learn_usual(changes.reshape(lags, -1), self._usual.reshape(lags, -1), *_LEARNED)

    def _pool(self, squares: Floats) -> Floats:
        if self._is_whole:
            means = np.empty(len(squares), np.float32)
            pooled(squares.reshape(len(squares), -1), np.float32(_CAP), means)
        else:
            capped = np.minimum(squares, _CAP)
            means = np.concatenate([capped[:, member].mean(axis=1) for member in self._members])
        return np.sqrt(means)

    def _begin(self) -> tuple[Score, ...]:
        warm, self._warm = self._warm, []
        stacked = np.stack([changes for _, changes in warm])
        self._usual = _usual_change(stacked)
        samples = np.stack([self._pool(self._squares(changes)) for changes in stacked], axis=1)
        complete = samples[:, ~np.isnan(samples).any(axis=0)]
        if not complete.shape[1]:  # shorter than the longest lag: what is known must do
            complete = np.where(np.isnan(samples), samples[:1], samples)
        self._track = Track(
            complete,
            self._floor,
            sides=1,
            window=128,
            hold_after=3,
            settle_after=self._settle,
            sizes=(slice(0, len(self._floor)),),
        )
        return tuple(self._judge(*item) for item in warm)

    def _judge(self, index: int, changes: Floats) -> Score:
        track = self._track
        assert track is not None
        squares = self._squares(changes)
        sample = self._pool(squares)
        unknown = np.isnan(sample)
        if unknown.any():
            sample = np.where(unknown, track.level, sample)
        self._last = self._describe(index, track, track.judge(sample), squares)
        score = self._last
        if self._with_readings:
            score = replace(score, reading=self._reading(index, track, unknown))
        self._learn_usual(changes)
        settled = track.learn(sample)
        if len(settled):
            track.settle(settled, self._floor)
            score = replace(score, settled=True)
        if track.refresh_due:
            track.refresh(self._floor)
        return score

    def _describe(self, index: int, track: Track, z: Floats, squares: Floats) -> Score:
        best = int(z.argmax())
        value = max(0.0, float(z[best]))
        lag = LAGS[best % len(LAGS)]
        if value <= GATE:
            return Score(index=index, value=value, since=index, until=index - lag + 1)
        departed = np.flatnonzero(z > GATE)
        shortest = LAGS[int((departed % len(LAGS)).min())]
        known = self._last.extent is not None and value < 1.5 * self._last.value
        since = self._last.since if known else index - track.since(departed, z)
        member = self._members[best // len(LAGS)]
        extent, tile = self._where(squares[best % len(LAGS)], member)
        return Score(
            index=index,
            value=value,
            extent=extent,
            around=_bounds(member),
            tile=tile,
            since=since,
            until=index - shortest + 1,
            moving=track.moving(departed),
        )

    def _reading(self, index: int, track: Track, unknown: Flags) -> Reading | None:
        best = int(track.z.argmax())
        if unknown[best]:  # its lag reaches back before the first frame
            return None
        lag = LAGS[best % len(LAGS)]
        return Reading(
            quantity="motion",
            place="region",
            extent=_bounds(self._members[best // len(LAGS)]),
            frames=(index - lag, index),
            lag=lag,
            **track.judged(best)._asdict(),
        )

    @staticmethod
    def _where(
        change: npt.NDArray[np.float32], member: npt.NDArray[np.bool_]
    ) -> tuple[Extent | None, tuple[int, int]]:
        """Tiles that changed clearly by themselves, and the one that changed most."""
        inside = np.where(member, np.nan_to_num(change, nan=0.0), -1.0)
        row, col = np.unravel_index(int(inside.argmax()), change.shape)
        clear = inside > _CLEARLY
        return (_bounds(clear) if clear.any() else None), (int(row), int(col))


def _bounds(cells: npt.NDArray[np.bool_]) -> Extent:
    rows, cols = np.nonzero(cells)
    return int(rows.min()), int(cols.min()), int(rows.max()) + 1, int(cols.max()) + 1


def _usual_change(changes: Floats) -> Floats:
    """Sigma of each tile's changes by their median size; shape of one frame's changes."""
    with warnings.catch_warnings():  # a lag longer than the take has no median
        warnings.simplefilter("ignore", RuntimeWarning)
        usual: Floats = (np.nanmedian(np.abs(changes), axis=0) / _MEDIAN_SIGMA).astype(np.float32)
    return np.ascontiguousarray(np.nan_to_num(usual, nan=1.0))


def _tiles_in(region: Region, scene: Scene) -> npt.NDArray[np.bool_]:
    """Tiles that overlap a region and hold pixels that count."""
    grid = scene.grid
    top, left = region.top - grid.window.top, region.left - grid.window.left
    rows = (grid.row_edges[1:] > top) & (grid.row_edges[:-1] < top + region.height)
    cols = (grid.col_edges[1:] > left) & (grid.col_edges[:-1] < left + region.width)
    member: npt.NDArray[np.bool_] = rows[:, None] & cols[None, :] & (grid.n_px > 0)
    return member
