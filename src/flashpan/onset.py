"""When a change began, looked back for once it is certain.

A detector opens an event where one place departs beyond doubt; a slow change was there many
frames before.  Once it is certain, what it looks like is known: the tiles that departed, and
how far each.  Earlier frames projected on that pattern (a matched filter) show it far below
the noise of any one tile.  The frame where the projection began to grow is then estimated:
zero before, a step, a ramp or a parabola after, the shapes of what appears, passes and
starts from rest; every onset is weighed by its likelihood (Page 1954; Hinkley 1971, from
memory).  Something small that travels has no lasting pattern: the largest departure of any
tile is followed too.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flashpan.grid import Grid
from flashpan.model import Extent, Tiles

LOOK_BACK = 128
"""Frames before the opening of an event that are looked through."""
# Frames, after the one that opened the event, in which its pattern may be read.
_LATER = 64
_POWERS = (0, 1, 2)
# Degrees of the drifts that may underlie a rise, and the log likelihood that each must gain.
_DRIFTS = (0, 3)
_DRIFT_COST = 3.0
# Noise units at which a change is certain: what follows says nothing of how it began.
_CERTAIN = 12.0
# Noise units below which a series is at rest, and for how many frames it must be for what was
# certain before to be something else.
_AT_REST, _REST_FRAMES = 4.0, 32
# The same after what is so large that the detectors must have doubted it.
_DOUBTED, _SHORT_REST = 40.0, 4
# Least departure, in noise units, of a tile that belongs to the pattern.
_OF_PATTERN = 3.5
# Root of twice the log likelihood ratio from which a series has a say.
_SIGNIFICANT = 9.0
# Share of the surest one's evidence that another series needs for its earlier onset to count.
_SURE_SHARE = 0.5
# Series that are looked at: a pattern and the largest tile, of means and of differences.
_SERIES = 4
# Share of the likelihood up to the frame given: the first frames of a slow change hold no trace
# of it, and a pre-roll is kept in any case.
_QUANTILE = 0.75
# Frames after one coded afresh, or after the take's first, from which its noise is known.
_FEWEST = 4
# Where few frames lie before the guess, the change may have been in those taken for calm: the
# onset that was found shows better which were.  Many frames before it are calm enough.
_ROUNDS = 4
_LONG_ENOUGH = 96
# Frames averaged to read the pattern.
_AVERAGED = (1, 2, 4, 8, 16)
# Frames of calm from which a spread is believed, and an echo is.
_SPREAD_FROM, _ECHO_FROM = 16, 32
# Entries of them that are not zero for an echo to be one.
_ECHO_LEAST = 8
# An echo counts where it leaves no more than this share of the spread, and leaves no less than so
# much noise: the calm of a picture that a computer drew may foretell itself perfectly.
_WORTH, _LEAST_SPREAD = 0.75, 1e-3
# Spread, in units of noise, of blocks that stand still.
_STANDS_STILL = 0.3
_BASELINE_SHARE = 0.7
_LEAST_MAX_SPREAD, _FEW_MAX_SPREAD = 0.35, 0.6
# Spread of a few frames, in units of white noise, from which it is something else; and how
# many frames would show all of that.
_NOT_WHITE, _FEW_FRAMES = 2.0, 8.0
# Frames before that something sudden is told from.
_SUDDEN = 4

Series = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Onset:
    """An estimate: the frame, and how strongly the frames speak for a change there."""

    frame: int
    evidence: float


class LookBack:
    """Remembers the tiles of recent frames and tells when a change began.

    Parameters
    ----------
    grid : Grid
        How the picture is divided.
    step : float
        Least difference between two grey levels that means anything, in full scales.
    predicted : bool
        True where a lossy stream predicts its frames: blocks that stand still and then are
        renewed.  A few calm frames cannot show that noise.
    """

    def __init__(self, grid: Grid, step: float, *, predicted: bool = False) -> None:
        counts = grid.n_px.ravel()
        self._shape = grid.shape
        self._kept = np.flatnonzero(counts)
        self._n_px = counts[self._kept].astype(np.float64)
        self._step = step
        self._least_calm = _SPREAD_FROM if predicted else 1
        self._stands_still = predicted
        memory = LOOK_BACK + _LATER
        self._frames: deque[tuple[int, bool]] = deque(maxlen=memory)
        self._coded_afresh = -LOOK_BACK
        self._mean: deque[npt.NDArray[np.float32]] = deque(maxlen=memory)
        self._square: deque[npt.NDArray[np.float32]] = deque(maxlen=memory)

    def push(self, tiles: Tiles) -> None:
        """Remember a frame."""
        self._frames.append((tiles.index, tiles.has_previous))
        if tiles.refreshed:
            self._coded_afresh = tiles.index
        self._mean.append(tiles.mean)
        self._square.append(tiles.sq_diff)

    def began(self, first: int, guess: int, extent: Extent | None) -> Onset | None:
        """Say when the change that is under way began; None where nothing is significant.

        Parameters
        ----------
        first : int
            Earliest frame that belongs to the scene before the change.
        guess : int
            Onset, or a later frame, that the detectors saw.
        extent : tuple of int or None
            Tiles in which the change is.
        """
        oldest = self._frames[0][0]
        if guess < oldest:  # longer ago than is remembered
            return None
        if guess - _FEWEST < self._coded_afresh <= guess:
            return None
        if self._coded_afresh <= guess:  # before it the coding error was another
            first = max(first, self._coded_afresh)
        best: Onset | None = None
        for _ in range(_ROUNDS):
            low = max(first, guess - LOOK_BACK, oldest) - oldest
            found = self._earliest(low, guess - oldest - low, extent)
            if found is None:
                break
            found = Onset(found.frame + low + oldest, found.evidence)
            is_earlier = found.frame < guess
            if best is None or is_earlier:
                best = found
            if not is_earlier or guess - oldest - low >= _LONG_ENOUGH:
                break
            guess = found.frame
        return best

    def _earliest(self, low: int, guess: int, extent: Extent | None) -> Onset | None:
        """The earliest onset that a series speaks for, counted from frame ``low``."""
        calm = _calm_frames(guess, len(self._frames) - low)
        if calm < self._least_calm or len(self._frames) - low < _FEWEST:
            return None
        tried = [_since_rest(one, guess) for one in self._series(low, calm, guess, extent)]
        if len(tried) < _SERIES:
            return None
        dated = [change_point(one, calm, stands_still=self._stands_still) for one in tried]
        estimates = [found for found in dated if found is not None]
        sure = max((found.evidence for found in estimates), default=0.0)
        least = max(_SIGNIFICANT, min(_CERTAIN, _SURE_SHARE * sure))
        able = [found for found in estimates if found.evidence >= least]
        return min(able, key=lambda found: found.frame, default=None)

    def _series(self, low: int, calm: int, guess: int, extent: Extent | None) -> Iterator[Series]:
        """Series, of unit noise, in which the change may show; entry 0 is frame ``low``.

        Fewer than four where the change has been there from the take's first frame on.
        """
        inside = self._inside(extent)
        for judge in (self._means, self._differences):
            departures = judge(low, calm)
            pattern, stop = _pattern(departures[:, inside], calm, guess)
            seen = departures[:stop, inside] @ pattern
            if guess < _FEWEST and seen[:calm].std() > _NOT_WHITE:
                return  # under way from the first frame on
            yield _unit_noise(seen, calm)
            if calm < _ECHO_FROM:  # so few calm frames cannot show what wanders or visits
                yield _largest_in_units(departures[:stop], 0, calm)
            else:
                departures = judge(low, calm // 2)
                yield _largest_in_units(_sudden(departures[:stop]), calm // 2, calm)

    def _inside(self, extent: Extent | None) -> npt.NDArray[np.intp]:
        """Tiles of an extent and those next to it."""
        if extent is None:
            return np.arange(len(self._kept))
        top, left, bottom, right = extent
        row, col = np.divmod(self._kept, self._shape[1])
        rows = (row >= top - 1) & (row <= bottom)
        return np.flatnonzero(rows & (col >= left - 1) & (col <= right))

    def _gather(self, grids: deque[npt.NDArray[np.float32]], low: int) -> Series:
        chosen = [grids[i].ravel()[self._kept] for i in range(low, len(grids))]
        return np.stack(chosen).astype(np.float64)

    def _means(self, low: int, calm: int) -> Series:
        """Departure of every tile's mean from the calm frames', in its noise."""
        means = self._gather(self._mean, low)
        squares = self._gather(self._square, low)[: calm + 1]
        squares = squares[1:] if not self._frames[low][1] else squares
        white = np.sqrt(np.median(squares, axis=0) / (2.0 * self._n_px))
        least = self._step / np.sqrt(12.0 * self._n_px)
        return _departures(means, calm, np.maximum(white, least))

    def _differences(self, low: int, calm: int) -> Series:
        """The same of every tile's root-mean-square frame difference; only a rise counts."""
        rms = np.sqrt(self._gather(self._square, low) + self._step**2 / 6.0)
        if not self._frames[low][1]:
            rms[0] = rms[1 : max(2, calm)].mean(axis=0) if len(rms) > 1 else rms[0]
        white = np.median(rms[:calm], axis=0) / np.sqrt(2.0 * self._n_px)
        least = self._step / np.sqrt(12.0 * self._n_px)
        return np.maximum(_departures(rms, calm, np.maximum(white, least)), 0.0)


def _since_rest(series: Series, guess: int) -> Series:
    """The series without what was over before the event opened.

    A counter's next digit, a drop of rain, is as certain as any onset; had it been one, the
    detectors would have opened there.
    """
    before = series[: min(guess, len(series))]
    rests = _runs(before < _AT_REST)
    starts = [first for first, stop in rests if stop - first >= _REST_FRAMES]
    starts += [
        first
        for first, stop in rests
        if stop - first >= _SHORT_REST and before[max(0, first - 1)] >= _DOUBTED
    ]
    rest = series.copy()
    rest[: max(starts, default=0)] = 0.0
    return rest


def _runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and stop of every run of True."""
    edges = np.flatnonzero(np.diff(np.pad(flags.astype(np.int8), 1)))
    return [(int(first), int(stop)) for first, stop in edges.reshape(-1, 2)]


def _calm_frames(guess: int, n: int) -> int:
    """Frames, of ``n``, that are taken for calm where the change was seen at ``guess``."""
    calm = int(_BASELINE_SHARE * guess) if guess >= _FEWEST else _FEWEST
    return min(max(calm, 3), max(1, n - 1))


def _departures(samples: Series, calm: int, white: Series) -> Series:
    """Samples less the mean of the calm ones, in units of their noise."""
    base = samples[:calm]
    noise = white
    if calm >= _SPREAD_FROM:
        noise = np.maximum(white, base.std(axis=0, ddof=1))
    departures: Series = (samples - base.mean(axis=0)) / noise
    return departures


def _pattern(departures: Series, calm: int, guess: int) -> tuple[Series, int]:
    """What the change looks like where it is plainest, of unit length, and the frame after.

    Read from the run of frames, single or averaged, in which some tile departs most.
    """
    sums = np.cumsum(np.pad(departures, ((1, 0), (0, 0))), axis=0)
    best, best_n, best_stop = -1.0, 1, len(departures)
    for n in _AVERAGED:
        first = max(calm + n, guess)
        if first > len(departures):
            break
        size = np.abs(sums[first:] - sums[first - n : len(sums) - n]).max(axis=1) / np.sqrt(n)
        if size.max() > 1.05 * best:
            best, best_n = float(size.max()), n
            best_stop = first + int(size.argmax())
    shape = (sums[best_stop] - sums[max(0, best_stop - best_n)]) / best_n
    size = np.abs(shape) * np.sqrt(best_n)
    shape = np.where(size >= min(_OF_PATTERN, size.max()), shape, 0.0)
    return shape / max(float(np.linalg.norm(shape)), 1e-12), best_stop


def _unit_noise(series: Series, calm: int) -> Series:
    """Scale so that calm frames have no more than unit noise; never up."""
    scaled: Series = series / max(1.0, _spread(series[:calm]))
    return scaled


def _spread(calm: Series) -> float:
    """Standard deviation, widened for what a few frames cannot have shown.

    That much is doubtful: where noise alone is likelier, it is not taken for more.
    """
    n = len(calm)
    if n < 3:
        return 0.0
    spread = float(calm.std(ddof=1))
    return spread * (1.0 + _FEW_FRAMES / n) if spread > _NOT_WHITE else min(1.0, spread)


def _sudden(departures: Series) -> Series:
    """Departures from the few frames before: what travels, but not what wanders."""
    before = np.zeros_like(departures)
    for lag in range(1, _SUDDEN + 1):
        before[_SUDDEN:] += departures[_SUDDEN - lag : len(departures) - lag] / _SUDDEN
    sudden: Series = (departures - before) / np.sqrt(1.0 + 1.0 / _SUDDEN)
    return sudden


def _largest_in_units(departures: Series, start: int, calm: int) -> Series:
    """The largest departure of any tile, less its usual size, in units of its spread.

    The usual size is read from calm frames that the tiles' own noise was not read from, where
    there are enough: rain and leaves visit tiles that have been quiet.
    """
    largest = np.abs(departures).max(axis=1)
    base = largest[start:calm]
    least = _LEAST_MAX_SPREAD if calm >= _SPREAD_FROM else _FEW_MAX_SPREAD
    spread = max(least, float(base.std()))
    series: Series = (largest - np.median(base)) / spread
    return series


def change_point(series: Series, calm: int = 0, *, stands_still: bool = False) -> Onset | None:
    """Estimate where a series of unit noise began to rise from a constant.

    Parameters
    ----------
    series : ndarray, shape (n,)
        It ends where the change is plainest.
    calm : int
        Entries that show the noise alone.  Where they follow each other, as where the scene
        sways, only what they do not foretell counts.
    stands_still : bool
        True where what is far quieter than the unit foretells nothing, as of blocks that a codec
        leaves as they are until it renews them.

    Returns
    -------
    Onset or None
        Number of the first entry after the change, and the evidence: the root of twice the
        log likelihood ratio against no change.  None for fewer than three entries.
    """
    echo, spread = _echo(series[:calm], _STANDS_STILL if stands_still else 0.0)
    certain = series >= _CERTAIN
    certain[2:] |= _surprise(series, echo) >= _CERTAIN * spread
    stop = int(certain.argmax()) + 1 if certain.any() else int(series.argmax()) + 1
    if stop < 5:
        echo, spread = (0.0, 0.0), 1.0
    if stop < 3:
        return None
    drifts = _DRIFTS if calm >= _ECHO_FROM else _DRIFTS[:1]
    tried = [_gains(series[:stop], degree, echo, spread) for degree in drifts]
    gains, _ = max(tried, key=lambda one: float(one[0].max()) + one[1])
    best = float(gains.max())
    weights = np.exp(gains - best).sum(axis=0)
    share = np.cumsum(weights) / weights.sum()
    frame = int(np.searchsorted(share, _QUANTILE))
    return Onset(frame, float(np.sqrt(2.0 * best)))


def _echo(calm: Series, least: float = 0.0) -> tuple[tuple[float, float], float]:
    """How far two entries foretell the next one, and the spread of what they do not.

    An autoregression of order two by least squares; none where it does not pay, or where hardly
    anything is left: what was over before the event is zero (`_since_rest`).  Nor is there one in
    what spreads less than ``least``.
    """
    n = len(calm)
    if n < _ECHO_FROM or np.count_nonzero(calm) < _ECHO_LEAST:
        return (0.0, 0.0), 1.0
    base = calm - calm.mean()
    before = np.stack([base[1:-1], base[:-2]], axis=1)
    one, two = np.linalg.lstsq(before, base[2:], rcond=None)[0]
    left = float(np.std(base[2:] - before @ (one, two)))
    if not base.any() or base.std() < least or left > _WORTH * float(base.std()):
        return (0.0, 0.0), 1.0
    return (float(one), float(two)), max(left, _LEAST_SPREAD) * (1.0 + 2.0 / n)


def _surprise(series: Series, echo: tuple[float, float]) -> Series:
    """What the two entries before do not foretell, along the last axis; two entries fewer."""
    one, two = echo
    rest: Series = series[..., 2:] - one * series[..., 1:-1] - two * series[..., :-2]
    return rest


def _gains(
    series: Series, drift: int, echo: tuple[float, float], spread: float
) -> tuple[Series, float]:
    """Log likelihood ratio, for every shape and onset, of a rise from a constant or a drift.

    A drift is a polynomial that is there before and after.  Its own likelihood ratio, less
    what so many more coefficients must be worth, is given beside.
    """
    n = len(series)
    since = np.arange(n)[None, :] - np.arange(n)[:, None] + 1.0
    rises = np.stack([np.where(since > 0, np.maximum(since, 1.0) ** p, 0.0) for p in _POWERS])
    if any(echo):
        rises, series = _surprise(rises, echo), _surprise(series, echo)
    base, _ = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, len(series)), drift + 1))
    rises = rises - (rises @ base) @ base.T
    rest = series - base @ (base.T @ series)
    along = np.maximum(rises @ rest, 0.0)
    lengths = np.maximum(np.einsum("pij,pij->pi", rises, rises), 1e-9)
    drifted = float(np.var(series) * len(series) - rest @ rest)
    gains: Series = 0.5 * along**2 / lengths / spread**2
    gains[:, 0] = 0.0  # no frame before it
    return gains, 0.5 * drifted / spread**2 - _DRIFT_COST * drift
