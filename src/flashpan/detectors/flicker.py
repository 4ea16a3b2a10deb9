"""Takes the ripple of lamps on the mains out of the tile statistics, before any detector.

Each tile's light is its level plus a sum of harmonics, with amplitudes and phases of its
own: two circuits in different phases, and daylight beside lamps, are then nothing special.
The first frames wait until the period is known and the harmonics have been fitted to all
of them at once; from there every tile's coefficients follow by small steps (normalised
least mean squares; Widrow & Hoff 1960, from memory) that no event can hurry, and their common
rotation corrects the period.

A flash is no multiple of the period: the steps clip what they cannot explain, so that it
stays in the residue, whole.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from flashpan.detectors.ripple import (
    Doubles,
    Ripple,
    alternating,
    basis,
    distinct_harmonics,
    find_ripple,
    most_harmonics,
)
from flashpan.detectors.steadylight import SteadyLight
from flashpan.grid import Grid
from flashpan.model import TakeInfo, Tiles

Floats = npt.NDArray[np.float32]

FIRST_LOOK = 32
"""Frames after which a scene whose light is steady is let through."""
LOOKS = (128, 192, 256, 384, 512, 768, 1024)
"""Frames after which the period is looked for in one whose light is not."""
# Memory that waiting tiles and their fit may take; mean, two differences and speck, and a copy
# of two of them.
_MOST_BYTES = 96 << 20
_TILE_BYTES = 24
# Power of the blocks' means, in units of their white noise, beyond which light is not steady.
_UNSTEADY = 3.0
# Series that are fitted at once.
_CHUNK = 256
# Share of the power that the lamps had below which they are out, and nothing is followed; and
# how far the period may stray from the one that was found, and strength change per frame.
_OUT = 0.01
_STRAY, _SWELL = 0.01, 0.02
# What the lamps' power, and what a tile does besides, may grow to, in parts of what they were.
_BRIGHTER, _LOUDER = 4.0, 8.0
# Part of the usual tile's noise power that no tile is trusted to be without.
_LEAST_NOISE = 0.1
# Power of a harmonic, in units of what noise makes of it, from which it is followed.
_HARMONIC_LEAST = 3.0
_BLOCK = 4
# Harmonics of a lamp that goes out between its pulses: it has all.
_MANY = 8
# Share of the harmonics that can be told beyond which there may be more.
_NEAR_LIMIT = 0.8
# Time constant of the steps, in frames, in cycles and in harmonics: the noise of all of them
# adds up.
_STEP_FRAMES, _STEP_CYCLES, _STEP_HARMONICS = 128.0, 3.0, 16.0
_CLIP = 3.0
_MEDIAN_STEP = 0.01
# Share of the last cycles in which a place was out of reach from which the lamps have changed,
# and from which its light has; until then an event is taken for what it is.
_HABIT, _STAYS = 0.5, 0.75
# Spreads from which an error is an event's.
_FAR = 12.0
# Fits, each to the last one's values with the far ones left out; and the share of the farthest
# from which a value is far.
_FITS = 5
_EVENTS_SHARE = 0.3
# Gain per frame of the lamps' phase, in all and in cycles; the period's follows from it.
_TURN, _TURN_CYCLES = 0.05, 5.0


class Deflicker:
    """Hands tiles on without their ripple; the first ones late, all in order.

    Parameters
    ----------
    info : TakeInfo
        Its capture rate says where to look for the mains.
    grid : Grid
        Where the tiles lie.
    """

    def __init__(self, info: TakeInfo, grid: Grid) -> None:
        self._rate = None if info.capture_rate is None else float(info.capture_rate)
        self._n_px = grid.n_px.astype(np.float64)
        self._block_px = _block_sums(self._n_px)
        most = _MOST_BYTES // (_TILE_BYTES * grid.n_px.size)
        self._looks = tuple(look for look in LOOKS if look <= most)
        self._waiting: list[Tiles] = []
        self._model: _Model | None = None
        self._decided = False

    @property
    def ripple(self) -> Ripple | None:
        """The ripple that is being taken out."""
        return None if self._model is None else self._model.ripple

    def push(self, tiles: Tiles) -> Iterator[Tiles]:
        """Take the next frame's tiles; yield those that are ready."""
        if self._decided:
            yield tiles if self._model is None else self._model.steadied(tiles)
            return
        self._waiting.append(tiles)
        n = len(self._waiting)
        if n == FIRST_LOOK and not self._is_unsteady():
            yield from self._release()
        elif n in self._looks:
            self._model = self._fitted()
            if n == self._looks[-1] or (self._model is not None and self._model.is_whole):
                yield from self._release()

    def finish(self) -> Iterator[Tiles]:
        """Yield what waits."""
        if not self._decided:
            self._model = self._fitted() if len(self._waiting) > FIRST_LOOK else None
            yield from self._release()

    def _release(self) -> Iterator[Tiles]:
        self._decided = True
        waiting, self._waiting = self._waiting, []
        yield from waiting if self._model is None else self._model.first(waiting)

    def _blocks(self) -> Doubles:
        """Means of blocks of tiles in units of their white noise, shape (blocks, frames)."""
        means = np.stack([self._pooled(tiles.mean) for tiles in self._waiting], axis=1)
        squares = [self._pooled(tiles.sq_diff) for tiles in self._waiting if tiles.has_previous]
        n_px = self._block_px[self._block_px > 0]
        variance = 0.5 * np.median(np.stack(squares, axis=1), axis=1) / n_px
        return np.asarray(means / np.sqrt(np.maximum(variance, 1e-12))[:, None], np.float64)

    def _pooled(self, tiles: npt.NDArray[np.float32]) -> Doubles:
        counted = self._block_px > 0
        return np.asarray(_block_sums(tiles * self._n_px)[counted] / self._block_px[counted])

    def _is_unsteady(self) -> bool:
        """Whether most blocks do more than the noise of their pixels explains."""
        if not self._looks:
            return False
        spread = self._blocks().std(axis=1)
        return (
            float(np.median(spread)) > math.sqrt(_UNSTEADY)
            or float(np.mean(spread > 2.0 * math.sqrt(_UNSTEADY))) > 0.2
        )

    def _fitted(self) -> _Model | None:
        """The lamps that the waiting frames show, if any."""
        ripple = find_ripple(self._blocks(), self._rate)
        return None if ripple is None else _Model(ripple, self._waiting)


def _clear(waves: npt.NDArray[Any], noise: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Which harmonics are clear in the strongest twentieth of the places.

    ``waves`` are cosines, then sines, of every harmonic, shape (2 · harmonics, rows, cols).
    """
    cosines, sines = np.split(waves, 2)
    power = (np.square(cosines) + np.square(sines)) / noise
    power = np.sort(power.reshape(len(cosines), -1), axis=1)
    strongest = power[:, -max(1, power.shape[1] // 20) :].mean(axis=1)
    return np.asarray(strongest > 4.0 * _HARMONIC_LEAST)


def _block_sums(grid: npt.NDArray[np.floating]) -> Doubles:
    rows = np.add.reduceat(grid, np.arange(0, grid.shape[0], _BLOCK), axis=0)
    return np.add.reduceat(rows, np.arange(0, grid.shape[1], _BLOCK), axis=1).astype(np.float64)


class _Model:
    """Harmonics of every tile, and the phase of the lamps.

    Attributes
    ----------
    ripple : Ripple
        What was found.
    is_whole : bool
        False where the lamps seem to have more harmonics than so few frames can tell.
    """

    def __init__(self, ripple: Ripple, first: list[Tiles]) -> None:
        self.ripple = ripple
        self._omega = 2.0 * math.pi * ripple.frequency
        means = np.stack([tiles.mean.ravel() for tiles in first], axis=1)
        n = means.shape[1]
        self._harmonics = distinct_harmonics(ripple.frequency, n)
        self._alternating = alternating(ripple.frequency, n)
        if self._alternating is not None:
            self._harmonics = np.union1d(self._harmonics, self._alternating)
        self._swelling = 0.0
        self._gain = min(_TURN, _TURN_CYCLES * ripple.frequency)
        steady = np.stack([np.ones(n), np.arange(n) / n - 0.5])
        weights, self._scale = _robust_fit(means, np.concatenate([steady, self._terms(n)]))
        self._harmonics = self._plain(weights[:, len(steady) :], first[0].mean.shape, n)
        weights, self._scale = _robust_fit(means, np.concatenate([steady, self._terms(n)]))
        self._first_scale = self._scale.copy()
        self.is_whole = bool(self._harmonics[-1] < _NEAR_LIMIT * most_harmonics(n))
        self._weights = weights[:, len(steady) :]
        drift = weights[:, : len(steady)] @ steady[:, -2:].astype(np.float32)
        self._drift = np.zeros_like(self._weights)
        self._light = SteadyLight(drift[:, 1], drift[:, 1] - drift[:, 0], ripple.period)
        self._power = float(self._powers().sum())
        self._fit_squares(first)
        slow = _STEP_HARMONICS * len(self._harmonics)
        self._step = np.float32(2.0 / max(_STEP_FRAMES, _STEP_CYCLES * ripple.period, slow))
        self._patience = np.float32(max(64.0, 2.0 * ripple.period))
        self._out = np.zeros(means.shape[0], np.float32)
        self._phase = self._omega * (n - 1)
        self._before = self._weights @ self._now(self._phase)
        self._rest_before = np.zeros(means.shape[0], np.float32)

    def _terms(self, n: int) -> Doubles:
        return self._waves(self._omega * np.arange(n, dtype=np.float64))

    def _now(self, phase: float) -> Floats:
        return self._waves(np.array([phase]))[:, 0].astype(np.float32)

    def _waves(self, phase: Doubles) -> Doubles:
        """Cosines and sines of the harmonics; no sine of one that only has one phase."""
        waves = basis(phase, self._harmonics)
        waves[len(self._harmonics) :][self._harmonics == self._alternating] = 0.0
        return waves

    def _powers(self) -> Floats:
        """Power of every harmonic in every tile, shape (tiles, harmonics)."""
        k = len(self._harmonics)
        squares = np.square(self._weights[:, :k]) + np.square(self._weights[:, k:])
        return np.asarray(0.5 * squares, np.float32)

    def _plain(self, weights: Floats, shape: tuple[int, ...], n: int) -> npt.NDArray[np.int_]:
        """The harmonics up to the last one that some tiles or blocks of tiles clearly have.

        Of a lamp with many there are more that are too weak to be seen one by one, and add up.
        """
        k = len(self._harmonics)
        grids = weights.T.reshape(2 * k, *shape)
        n_tiles = _block_sums(np.ones(shape))
        blocks = np.stack([_block_sums(grid) for grid in grids]) / n_tiles
        noise = 4.0 * np.square(self._scale.reshape(shape)) / n
        plain = _clear(grids, noise) | _clear(blocks, _block_sums(noise) / np.square(n_tiles))
        last = int(self._harmonics[plain].max(initial=1))
        found: npt.NDArray[np.int_] = self._harmonics[self._harmonics <= last]
        return self._harmonics if last >= _MANY else found

    def _fit_squares(self, first: list[Tiles]) -> None:
        """How much each tile's squared difference owes to the ripple's steps and its light.

        A step scales every pixel of a tile, so that its square counts times a constant of the
        tile's texture; shot noise goes with the light.
        """
        ripple = self._weights @ self._terms(len(first)).astype(np.float32)
        squares = np.stack([tiles.sq_diff.ravel() for tiles in first[1:]], axis=1)
        steps = np.square(np.diff(ripple, axis=1))
        light = 0.5 * (ripple[:, 1:] + ripple[:, :-1])
        fitted = _robust_fit_each(squares, steps, light)
        self._texture, self._shot = np.maximum(fitted[1:], 0.0)
        self._white = np.maximum(fitted[0], 1e-12)

    def first(self, waiting: list[Tiles]) -> Iterator[Tiles]:
        """The frames that were fitted, without their ripple."""
        ripple = self._weights @ self._terms(len(waiting)).astype(np.float32)
        before = ripple[:, 0]
        for column, tiles in enumerate(waiting):
            # A copy is in the light of the frame that it copies.
            now = before if tiles.is_copy else ripple[:, column]
            yield self._without(tiles, now, before)
            before = now

    def steadied(self, tiles: Tiles) -> Tiles:
        """The next frame without its ripple; learns from it."""
        self._phase = math.remainder(self._phase + self._omega, 2.0 * math.pi)
        terms = self._now(self._phase)
        before = ripple = self._before
        if not tiles.is_copy:
            ripple = self._before = self._weights @ terms
            self._learn(tiles.mean.ravel() - ripple - self._light.level, terms)
        return self._without(tiles, ripple, before)

    def _learn(self, error: Floats, terms: Floats) -> None:
        reach = _CLIP * self._scale
        is_out = np.abs(error) > _FAR * self._scale
        self._out += (is_out - self._out) / self._patience
        believed = np.where(is_out & (self._out < _HABIT), 0.0, np.clip(error, -reach, reach))
        # What stays away for cycles is the new light there.
        self._light.push(self._light.level + np.where(self._out > _STAYS, error, believed))
        error = believed.astype(np.float32)
        larger = np.abs(error) > 0.6745 * self._scale
        self._scale *= np.where(larger, 1.0 + _MEDIAN_STEP, 1.0 - _MEDIAN_STEP).astype(np.float32)
        np.clip(self._scale, 1e-9, _LOUDER * self._first_scale, out=self._scale)
        self._turn(error, terms)
        asked = (self._step * error)[:, None] * terms[None, :]
        self._weights += self._drift + asked
        # Critically damped (a term's mean square is a half): ripple that fades does not lag.
        self._drift += self._step / 8.0 * asked

    def _turn(self, error: Floats, terms: Floats) -> None:
        """Correct period and strength of the lamps by what the errors ask of all tiles alike.

        Two loops of second order, critically damped: phase and its speed, strength and its.
        """
        k = len(self._harmonics)
        multiple = self._harmonics.astype(np.float32)
        cosines, sines = self._weights[:, :k], self._weights[:, k:]
        # Derivative of the ripple by the phase of the lamps.
        slope = (sines * multiple) @ terms[:k] - (cosines * multiple) @ terms[k:]
        tile_powers = self._powers()
        powers = tile_powers.sum(axis=0)
        if not powers.sum() > _OUT * self._power:
            return  # the lamps are out
        # Each tile has a say by its own noise: a logo that spins is no lamp.
        trust = 1.0 / (np.square(self._scale) + _LEAST_NOISE * np.median(self._scale) ** 2)
        trusted = trust @ tile_powers
        turn = float((trust * error) @ slope) / float(trusted @ multiple**2)
        self._phase += self._gain * turn
        found = 2.0 * math.pi * self.ripple.frequency
        omega = self._omega + 0.25 * self._gain**2 * turn
        self._omega = min(max(omega, found * (1.0 - _STRAY)), found * (1.0 + _STRAY))
        swell = float((trust * error) @ (self._weights @ terms)) / float(trusted.sum())
        swelling = self._swelling + 0.25 * self._gain**2 * swell
        self._swelling = min(max(swelling, -_SWELL), _SWELL)
        factor = 1.0 + self._gain * swell + self._swelling
        if powers.sum() > _BRIGHTER * self._power:
            factor = min(factor, 1.0)
        self._weights *= np.float32(min(max(factor, 1.0 - _SWELL), 1.0 + _SWELL))

    def _without(self, tiles: Tiles, ripple: Floats, before: Floats) -> Tiles:
        shape = tiles.mean.shape
        mean = tiles.mean.ravel() - ripple
        step, rest_step = ripple - before, mean - self._rest_before
        self._rest_before = mean
        # A step adds to the noise as well as to the light: its square, and twice the product.
        owed = self._texture * step * (step + 2.0 * rest_step)
        owed += self._shot * 0.5 * (ripple + before)
        squares = tiles.sq_diff.ravel()
        squares = np.maximum(squares - owed, np.minimum(squares, 0.25 * self._white))
        return replace(
            tiles,
            mean=(mean + self._evened(mean, ripple)).astype(np.float32).reshape(shape),
            sq_diff=squares.astype(np.float32).reshape(shape)
            if tiles.has_previous
            else tiles.sq_diff,
        )

    def _evened(self, mean: Floats, ripple: Floats) -> Floats:
        """What to add so that shot noise is as strong in the dark of the ripple as in its light.

        Only what may be noise is scaled; what is beyond that stays as it is.
        """
        share = np.clip(1.0 + self._shot * ripple / self._white, 0.25, 4.0)
        rest = mean - self._light.level
        noise = np.clip(rest, -_CLIP * self._scale, _CLIP * self._scale)
        return np.asarray(noise * (1.0 / np.sqrt(share) - 1.0), np.float32)


def _robust_fit(series: Floats, terms: Doubles) -> tuple[Floats, Floats]:
    """Coefficients of every series' terms, shape (series, terms), and what spread they leave.

    Far values are left out.
    """
    found = [_fit(series[i : i + _CHUNK], terms) for i in range(0, len(series), _CHUNK)]
    weights, left = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return weights, np.maximum(left, np.float32(1e-9))


def _fit(series: Floats, terms: Doubles) -> tuple[Floats, Floats]:
    target = series.astype(np.float64)
    for _ in range(_FITS):
        weights = np.linalg.lstsq(terms.T, target.T, rcond=1e-6)[0].T
        fitted = weights @ terms
        rest = series - fitted
        target = fitted + _believed(rest)
    n_terms, n = terms.shape
    left = 1.4826 * np.median(np.abs(rest), axis=1) * math.sqrt(n / max(1, n - n_terms))
    return weights.astype(np.float32), left.astype(np.float32)


def _believed(rest: Doubles) -> Doubles:
    """What a fit left, nought where that is an event's.

    An event draws the fit towards it, so that what was right is off by a tenth of the event;
    only what is off by much more than that is left out of the next fit.
    """
    size = np.abs(rest)
    reach = _CLIP * 1.4826 * np.median(size, axis=1, keepdims=True)
    reach = np.maximum(reach, _EVENTS_SHARE * size.max(axis=1, keepdims=True))
    return np.where(size > reach, 0.0, rest)


def _robust_fit_each(series: Floats, one: Floats, two: Floats) -> Floats:
    """Level and the weights of two terms of each series' own, shape (3, series).

    All arrays have shape (series, frames); far values are left out.
    """
    starts = range(0, len(series), _CHUNK)
    parts = [_fit_each(*(a[i : i + _CHUNK] for a in (series, one, two))) for i in starts]
    return np.concatenate(parts, axis=1)


def _fit_each(series: Floats, one: Floats, two: Floats) -> Floats:
    x, y = (a.astype(np.float64) - a.mean(axis=1, keepdims=True) for a in (one, two))
    a, b, d = ((p * q).sum(axis=1) for p, q in ((x, x), (x, y), (y, y)))
    a, d = a + 1e-6 * a.max() + 1e-30, d + 1e-6 * d.max() + 1e-30
    determinant = np.maximum(a * d - b * b, 1e-9 * a * d)
    target = series.astype(np.float64)
    for _ in range(_FITS):
        p, q = ((term * target).sum(axis=1) for term in (x, y))
        first, second = (d * p - b * q) / determinant, (a * q - b * p) / determinant
        level = target.mean(axis=1)
        fitted = level[:, None] + first[:, None] * x + second[:, None] * y
        target = fitted + _believed(series - fitted)
    level = level - first * one.mean(axis=1) - second * two.mean(axis=1)
    return np.stack([level, first, second]).astype(np.float32)
