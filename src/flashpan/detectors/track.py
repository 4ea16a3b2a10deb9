"""One series per place, judged sample by sample by how well its own past foretells it.

A place's next sample is foretold by the mean of its last sixteen, plus the bias that this
has had lately (a steady drift is a constant bias).  The errors of these forecasts, over
the last hundred samples, are the place's noise: whatever the place does as a habit
(sensor noise, wandering, ripple, restless leaves) is in them, so that the departure in
units of their spread is large only when it does something else.

Where the last two errors foretell the next one, only the surprise counts
(`flashpan.detectors.echo`).

A departed place is held: its forecast stays what it was before, so that a plateau stays
visible, until it returns or until it has held the new state long enough to be normal.  A
place that is again as it was some time ago has come back, whatever crept into its forecast.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

from flashpan.detectors.coding import Coding
from flashpan.detectors.echo import LEAST_SAMPLES, Echo
from flashpan.detectors.noise import Flags, Floats, Indices, Ring, first_normal, level_and_spread
from flashpan.detectors.restless import CANDIDATES, CodedFloor, scene_floors
from flashpan.detectors.surroundings import Surroundings
from flashpan.kernels import tracks
from flashpan.kernels.forecast import departures, departures_while_away

GATE = 5.0
"""Noise units beyond which a place is held; what is an event the picker decides."""
FORECAST = 16
"""Samples whose mean is the forecast."""
WARM_FORECAST = 8
"""The same during warm-up, forwards and backwards in time."""
LOOK_BACK_PLACES = 64
"""Places, the strongest, that are followed back to the onset."""
_NO_PLACES: Indices = np.zeros(0, np.intp)
_NONE_ASIDE: Flags = np.zeros(0, np.bool_)
# Samples that a settled place's new normal is read from, and that tell motion from a plateau.
_RECENT = 64
_RECENT_FEW = 2
# Deviations are remembered as half floats in units of 1/1024 of full scale: exact to one part
# in 2048 from the rounding of a 16-bit picture up to full scale.
_UNIT = 1024.0
_WANDER_GAIN = 0.125
# Times its white noise from which a tile is restless, and makes the tiles near it doubtful, and
# the share of such tiles up to which that is a local matter.
_RESTLESS = 4.0
_LOCAL = 0.4
# Noise of the difference of two means beyond which it is a drift that goes on.
_TREND_LEAST = 3.0
# What is left, every `FORECAST` samples, of a departed place's drift that nothing confirms.
_FADE = 0.9
# A place that departs, for no more than so many samples each time, in so large a share of its
# last samples does so by habit, and its errors are its noise.
_BRIEF = 12
_HABIT = 0.15
_HABIT_SAMPLES = 128
# Means remembered, one every `FORECAST` samples; and how near, in noise units, a place must be
# to the oldest to have come back to it.
_ANCHORS = 4
_NEAR = 3.0
# Noise units by which a place has drifted against the oldest, and the share of such places up to
# which the light is steady.
_DRIFTS, _STEADY = 1.5, 0.1


class Judged(NamedTuple):
    """One place's sample, as `Track.judge` saw it: ``z`` is (value - expected) / noise."""

    value: float
    expected: float
    noise: float
    basis: str
    is_held: bool


class Track:
    """Forecast, spread and recent departures of every place at one rate.

    Parameters
    ----------
    warm_up : ndarray, shape (places, n), float32
        First samples; they are judged afterwards, in order, like any others.
    floor : ndarray, shape (places,)
        Least spread that is believed.
    sides : int
        2 where a departure either way counts, 1 where only a rise does.
    window : int
        Forecast errors that define normal.
    hold_after, settle_after : int
        Departed samples after which a place keeps its bias and spread and says nothing of
        the scene's habits, and after which its new state becomes normal.
    sizes : sequence of slice
        Runs of places of one size each.
    forecast : int
        Samples whose mean is the forecast.
    near : callable, optional
        Gives every place the largest value of the tiles near it.
    light : Surroundings, optional
        Tells what the light around every place does.
    coding : Coding, optional
        What is known of a lossy codec's steps.
    """

    def __init__(
        self, warm_up: Floats, floor: Floats, *, sides: int, window: int, hold_after: int,
        settle_after: int, sizes: Sequence[slice], forecast: int = FORECAST,
        near: Callable[[Floats], Floats] | None = None,
        light: Surroundings | None = None,
        coding: Coding | None = None,
    ) -> None:  # fmt: skip
        n_places, n = warm_up.shape
        self._sides = sides
        self._hold_after = hold_after
        self._settle_after = settle_after
        self._window = window
        self._forecast = forecast
        self._near = near
        self._light = light
        self.count = 0
        level, spread = first_normal(warm_up, floor)
        errors = warm_up - level[:, None]
        if n > 2 * WARM_FORECAST:
            errors = blind_errors(warm_up, WARM_FORECAST)
            _, spread = first_normal(errors, floor)
        self._mean = level
        # Samples for which the errors of a place that was long away may tell of an event.
        self._stirred_by_event = np.zeros(n_places, np.int32)
        self._trend = np.zeros(n_places, np.float32)
        # Means of places when their light was last told by themselves, at rest, or by their
        # surroundings; and how many forecasts ago that was.
        self._lit = level.copy()
        self._waited = np.zeros(n_places, np.int32)
        self._bias = np.zeros(n_places, np.float32)
        self._floor = floor
        self._own = self._believed(spread, floor, n)
        self.spread = self._own
        self._scene = scene_floors(sizes, sides, settle_after, coding)
        self._stops = np.array([part.stop for part, _ in self._scene], np.intp)
        self._raised = [0.0 for _ in self._scene]
        self._prime(errors, floor)
        self._last = Ring(np.repeat(level[:, None], forecast, axis=1), forecast)
        reach = 2.0 * self.spread[:, None]
        self._errors = Ring(np.clip(errors, -reach, reach), window)
        self._history = np.zeros((window, n_places), np.float16)
        self._departed_for = np.zeros(n_places, np.int32)
        self._departed = np.zeros(n_places, np.bool_)
        # Whether any place has departed: in most frames of most takes none has, and all that
        # concerns it is left out.
        self._any_away = self._any_departed = False
        self._anchors = [level.copy() for _ in range(_ANCHORS)]
        # Means of places before they last departed, and for how long each has rested since.
        self._home = level.copy()
        self._rested = np.full(n_places, settle_after, np.int32)
        self._sample = warm_up[:, -1]
        self._habit = np.zeros(n_places, np.float32)
        self._limits = np.array([_BRIEF, window, settle_after], np.int32)
        self._wander = self._first_wander(warm_up)
        self._mean_before = self._mean
        self.z = np.zeros(n_places, np.float32)
        self._deviation = self._error = self._noise = self.z
        self._largest_at = 0
        self._surprised: Indices = np.zeros(0, np.intp)
        self._echo = Echo(n_places, sides, scene_floors(sizes, sides, settle_after, coding))

    def _believed(self, spread: Floats, floor: Floats, n: int) -> Floats:
        """Noise to divide by: the floor where the samples agree with it, else their own.

        The floor comes from thousands of pixel differences and is exact for white noise; a
        spread of n samples errs by 1/sqrt(1.8 n) and, where it stands, is widened for that.
        Between two and a half and five such errors the one passes into the other.
        The forecast's own error adds its share.
        """
        error = 2.5 / math.sqrt(1.8 * n)
        doubt = np.clip((spread / floor - 1.0) / error - 1.0, 0.0, 1.0)
        white = floor * math.sqrt(1.0 + 1.0 / self._forecast)
        noise: Floats = white + doubt * (np.maximum(spread * _widen(n), white) - white)
        return noise.astype(np.float32)

    @property
    def restless(self) -> bool:
        """True where most places have a spread of their own, beyond the floor's."""
        return self.stirred > 0.5

    @property
    def stirred(self) -> float:
        """Share of the places that have a spread of their own, beyond the floor's."""
        return float(np.mean(self._own > 1.5 * self._floor))

    def _prime(self, errors: Floats, floor: Floats) -> None:
        """Learn from the warm-up what any place of the scene may do.

        Each half is judged by the noise of the other, here and when the warm-up is scored:
        what is in a place's own noise could not surprise it.
        """
        n = errors.shape[1]
        halves = [slice(0, n // 2), slice(n // 2, n)] if n >= 12 else [slice(0, n)]
        own = [self._believed(first_normal(errors[:, h], floor)[1], floor, n) for h in halves]
        self._replay = {h.start: o for h, o in zip(halves, reversed(own), strict=True)}
        self._replay[n] = self._own
        for part, scene in self._scene:
            records = []
            for half in halves:
                noise = self._replay[half.start][part]
                columns = range(half.start, half.stop)
                records += [(self.size(errors[part, column]), noise) for column in columns]
            scene.prime(records)
        self._turn_replay()

    def _turn_replay(self) -> None:
        """Take the noise that the next frames of the warm-up are to be judged by."""
        own = self._replay.pop(self.count, None)
        if own is not None:
            self._own = own
            self._apply_scene()

    def _apply_scene(self) -> None:
        """Raise every place's spread to what the scene teaches for its size."""
        self.spread = self._own.copy()
        self._raised = [floor.value for _, floor in self._scene]
        for part, floor in self._scene:
            np.maximum(self.spread[part], floor.value, out=self.spread[part])
        if self._near is not None:
            np.maximum(self.spread, self._next_door(self._near), out=self.spread)

    def _next_door(self, near: Callable[[Floats], Floats]) -> Floats:
        """Spread that places have from restless tiles near them.

        A burnt-in counter's next digit, a branch that swings further, are as restless as
        what is beside them, only seldom.  Where half of the scene is restless, every place
        shows that by itself.
        """
        tiles = self._scene[0][0]
        restless = (self._own > _RESTLESS * self._floor) & (self._stirred_by_event == 0)
        share = float(np.mean(restless[tiles]))
        if not 0.0 < share < _LOCAL:
            return np.zeros_like(self._own)
        return near(np.where(restless, self._own, 0.0).astype(np.float32))

    @property
    def level(self) -> Floats:
        """What the next sample is expected to be."""
        return self._mean + self._trend + self._bias

    def judge(self, sample: Floats) -> Floats:
        """Departures of one sample, in noise units; remembers nothing.

        A held place's forecast ages: what wandering would do meanwhile is added to its noise.
        """
        noise = self._depart(sample)
        places = self._surprised = self._echo.places
        if len(places):
            noise = noise.copy()
            surprise = self._echo.judge(self._error, self._bias)
            plain = self.z[places]
            more = np.abs(surprise) > np.abs(plain)
            self.z[places] = np.where(more, surprise, plain)
            noise[places] = np.where(more, self._echo.spread, noise[places])
            self._surprised = places[more]
            self._largest_at = int(self.size(self.z).argmax())
        self._noise = noise
        return self.z

    def _depart(self, sample: Floats) -> Floats:
        """Tell every place's departure from its forecast; returns the noise it is told in."""
        n = len(sample)
        told = np.empty(n, np.float32), np.empty(n, np.float32), np.empty(n, np.float32)
        self._error, self._deviation, self.z = told
        self._departed = np.empty(n, np.bool_)
        judged = (
            *(sample, self._mean, self._trend, self._bias, self.spread),
            *(np.float32(GATE), self._sides == 2, *told, self._departed),
        )
        if not self._any_away:
            self._largest_at, self._any_departed = departures(*judged)
            return self.spread
        noise = np.empty(n, np.float32)
        past = (
            *(self._anchors[-1], self._home, self._sample),
            *(self._wander, self._departed_for),
        )
        self._largest_at, self._any_departed = departures_while_away(
            *judged, *past, np.float32(self._forecast), noise
        )
        return noise

    @property
    def largest_at(self) -> int:
        """Place with the largest departure of the judged sample."""
        return self._largest_at

    def judged(self, place: int) -> Judged:
        """What the sample just judged, and not yet learned, was judged by at one place."""
        error, deviation = float(self._error[place]), float(self._deviation[place])
        value = float(self._mean[place] + self._trend[place]) + error
        noise = float(self._noise[place])
        is_fresh = self._deviation[place] == np.float32(self._error[place] - self._bias[place])
        basis = "lately" if is_fresh else "earlier"
        if len(self._surprised) and place in self._surprised:
            basis = "echo"
        size = abs(deviation) if self._sides == 2 else deviation
        is_held = size > GATE * float(self.spread[place])
        return Judged(value, value - float(self.z[place]) * noise, noise, basis, is_held)

    def _first_wander(self, warm_up: Floats) -> Floats:
        """Wander in the warm-up: the middle one of its steps from quarter to quarter.

        An event makes one such step large, or two; wandering makes them all so.
        """
        n = warm_up.shape[1] // 4
        if n < 4:
            return np.zeros(warm_up.shape[0], np.float32)
        quarters = warm_up[:, : 4 * n].reshape(-1, 4, n).mean(axis=2)
        steps = np.abs(np.diff(quarters, axis=1))
        typical = self._beyond_white(np.partition(steps, 1, axis=1)[:, 1], n)
        wander = np.zeros_like(typical)
        for part, _ in self._scene:
            wander[part] = np.mean(typical[part]) * (self._forecast / n)
        return wander

    def _beyond_white(self, step: Floats, n: int) -> Floats:
        """Square of a step between two means of ``n``, less what white noise makes of it."""
        return np.maximum(step**2 - self.spread**2 * (3.0 / n), 0.0)

    def _follow_wander(self) -> None:
        """Learn how far places wander in sixteen samples; held ones say nothing."""
        step = self._mean - self._mean_before
        self._mean_before = self._mean.copy()
        excess = np.minimum(self._beyond_white(step, self._forecast), 9.0 * self.spread**2)
        free = self._departed_for == 0
        self._wander += np.where(free, (excess - self._wander) * _WANDER_GAIN, 0.0)

    @property
    def departed(self) -> Flags:
        """Places whose judged sample is out of reach of a fresh forecast."""
        return self._departed

    @property
    def any_departed(self) -> bool:
        """Whether there are any."""
        return self._any_departed

    def undisturbed(self, sample: Floats) -> Floats:
        """The judged sample, and what is expected of places that depart or are away."""
        if not (self._any_away or self._any_departed):
            return sample
        return np.where(self._departed | (self._departed_for > 0), self.level, sample)

    @property
    def any_away(self) -> bool:
        """False where no place has been away at its last sample, so that none is held."""
        return self._any_away

    @property
    def is_held(self) -> Flags:
        """Places that have been away for longer than a passing departure."""
        held: Flags = self._departed_for > self._hold_after
        return held

    def size(self, z: Floats) -> Floats:
        """Departure that counts: either way, or only upwards."""
        return np.abs(z) if self._sides == 2 else np.maximum(z, 0.0)

    def learn(self, sample: Floats, aside: Flags | None = None) -> Indices:
        """Take the judged sample in; return the places that settled in a new state.

        ``aside`` are places whose sample is no more than what was expected of them: their
        forecast stays as it is.
        """
        found = self._note()
        self._echo.learn(self._error, self.is_held if self._any_away else None)
        self._teach_scene(*found)
        what, hold, stays = self._count(_NONE_ASIDE if aside is None else aside)
        goes, stay = bool(what & tracks.DEPARTS), bool(what & tracks.STAYS)
        self._any_away = bool(what & tracks.AWAY)
        self._errors.push(self._error, hold if goes else None)
        growth = self._last.push(sample, stays if stay else None)
        self._mean = self._mean + growth * np.float32(1.0 / self._forecast)
        if stay:
            self._drift_on(stays)
        if what & tracks.FAR and (goes or self._any_away or self._sides == 1):
            self._come_back(sample)
        self._sample = sample
        if self.count % self._forecast == 0:
            self._mean = self._last.samples().mean(axis=1)  # rounding must not add up
            self._follow_wander()
            self._drop_anchor()
            if self._light is not None:
                self._follow_light(stays)
        if not what & tracks.SETTLES:
            return _NO_PLACES
        return np.flatnonzero(self._departed_for >= self._settle_after)

    def _note(self) -> tuple[npt.NDArray[np.float64], Floats, Floats]:
        """Remember the judged departures; tell the strongest of every size of place.

        Returns
        -------
        largest, found, fresh : ndarray
            See `flashpan.kernels.tracks.weigh`.
        """
        row = self.count % self._window
        self.count += 1
        self._turn_replay()
        n = len(self._error)
        kept: Floats = np.empty(n, np.float32)
        fresh: Floats = np.empty(n, np.float32)
        largest = np.empty(len(self._stops), np.float64)
        found = np.empty((len(self._stops), 2, CANDIDATES), np.float32)
        tracks.weigh(
            *(self._error, self._bias, self._deviation, self.spread, self._own),
            *(self._departed_for, self._hold_after, self._sides == 2, np.float32(_UNIT)),
            self._stops,
            *(kept, fresh),
            *(largest, found),
        )
        # From the forecast, wherever the place stood before: what settles is read from here.
        self._history[row] = kept
        return largest, found, fresh

    def _teach_scene(self, largest: npt.NDArray[np.float64], found: Floats, fresh: Floats) -> None:
        """Let the floors of all sizes learn from the strongest departures."""
        for number, (most, record) in enumerate(zip(largest.tolist(), found, strict=True)):
            part, floor = self._scene[number]
            if math.isnan(most):  # it is not clear which they are
                floor.learn(fresh[part], self.spread[part], self._own[part])
            else:
                floor.learn_strongest(most, record[:, : floor.n_largest])
            if isinstance(floor, CodedFloor) and floor.value > self._raised[number]:
                # it rises at once; what it falls by waits
                self._raised[number] = floor.value
                np.maximum(self.spread[part], floor.value, out=self.spread[part])

    def _count(self, aside: Flags) -> tuple[int, Flags, Flags]:
        """Count departures; tell which errors do not count, and which forecasts stay."""
        n = len(self._error)
        hold, stays = np.empty(n, np.bool_), np.empty(n, np.bool_)
        gain = np.float32(1.0 / min(self.count, _HABIT_SAMPLES))
        what = tracks.count(
            *(self._error, self._bias, self._deviation, self.spread, np.float32(GATE)),
            *(self._sides == 2, aside, self._departed_for, self._stirred_by_event, self._habit),
            *(self._limits, gain, np.float32(_HABIT), hold, stays),
        )
        return what, hold, stays

    def _follow_light(self, stays: Flags) -> None:
        """Learn the drift of the light, and let the forecast of departed places go with it.

        A place's drift counts as far as its surroundings drift by as large a part of their
        light: a cloud's shadow and the dusk do that, something that slowly begins to move does
        not.  Of places at rest only what is beyond their noise counts, and no more than their
        own step.  Those that have departed come back to what they would be by now, not to what
        they were; where their surroundings have departed too, the drift that they had goes on,
        and fades.
        """
        assert self._light is not None
        n = self._forecast
        free = (self._departed_for == 0) & ~stays
        # Of a place that was away, all that happened meanwhile.
        step = self._mean - self._lit
        shared = self._light.step(step, self._mean, free)
        known = np.isfinite(shared)
        shared = np.where(known, shared, np.float32(0.0))
        self._waited += 1
        own = np.clip(shared, np.minimum(step, 0.0), np.maximum(step, 0.0))
        least = _TREND_LEAST * self.spread * np.float32(math.sqrt(2.0 / n))
        own = np.where(np.abs(step) > least, own, np.float32(0.0))
        self._move(np.flatnonzero(known & ~free), shared - step)
        lag = np.float32(0.5 * (n + 1) / n)
        carried = np.where(
            known,
            shared / self._waited * lag - self._clear_bias(),
            np.float32(_FADE) * self._trend,
        )
        self._trend = np.where(free, own / self._waited * lag, carried).astype(np.float32)
        self._waited[known | free] = 0
        np.copyto(self._lit, self._mean, where=known | free)

    def _clear_bias(self) -> Floats:
        """Bias beyond what noise makes of it."""
        doubt = np.float32(_TREND_LEAST / math.sqrt(self._window)) * self.spread
        clear: Floats = np.sign(self._bias) * np.maximum(np.abs(self._bias) - doubt, 0.0)
        return clear

    def _drift_on(self, away: Flags) -> None:
        """Move the forecast of departed places by one sample's drift."""
        if self._light is None:
            return
        slope = (self._trend + self._clear_bias()) * np.float32(2.0 / (self._forecast + 1))
        places = np.flatnonzero(away & (slope != 0.0))
        self._move(places, slope)

    def _move(self, places: Indices, by: Floats) -> None:
        """Move the forecast of some places, and all that they may come back to."""
        by = by[places]
        self._last.shift(places, by)
        for anchor in self._anchors:
            anchor[places] += by
        self._mean[places] += by
        self._mean_before[places] += by

    def _come_back(self, sample: Floats) -> None:
        """Give places that are as they were some time ago the forecast of that time.

        A slow beginning of an event creeps into the forecast before the place is held;
        when the event is over, the place would be held for having come back.
        """
        away = np.abs(self._error - self._bias) > GATE * self.spread
        rests = np.abs(sample - self._sample) < GATE * self.spread
        for past, may in ((self._anchors[-1], away), (self._home, away & rests)):
            near = np.abs(sample - past - self._bias) < _NEAR * self.spread
            self._return(np.flatnonzero(near & may), past)

    def _return(self, back: Indices, past: Floats) -> None:
        """Take some places for what they were."""
        if not len(back):
            return
        level = past[back]
        self._last.refill(back, np.repeat(level[:, None], self._forecast, axis=1))
        self._mean[back] = level
        self._trend[back] = 0.0
        self._departed_for[back] = 0
        self._echo.forget(back)

    def _drop_anchor(self) -> None:
        """Remember the means of places at rest; the oldest is some sixty samples old.

        Where the light of those drifts that have long been at rest, and they are most, nobody knows
        what the others were.
        """
        rest = (self._departed_for == 0) & (self._rested >= 2 * self._forecast)
        drifts = rest & (np.abs(self._mean - self._anchors[-1]) > _DRIFTS * self.spread)
        n_rest = np.count_nonzero(rest)
        if 2 * n_rest > len(rest) and np.count_nonzero(drifts) > _STEADY * n_rest:
            self._home[self._departed_for > 0] = np.nan
        newer = self._mean
        for anchor in self._anchors:
            older = anchor.copy()
            np.copyto(anchor, newer, where=self._departed_for == 0)
            newer = older
        self._rested = np.where(self._departed_for == 0, self._rested + self._forecast, 0)
        np.copyto(self._home, self._anchors[-1], where=self._rested >= self._settle_after)

    def settle(self, places: Indices, floor: Floats) -> None:
        """Make the recent state of some places their new normal."""
        n = min(_RECENT, self._window, self.count)
        before = self.level[places]
        recent = (before + self._recent(n, places)).T
        level, spread = level_and_spread(recent, floor[places])
        self._errors.refill(places, recent - level[:, None])
        self._last.refill(places, np.repeat(level[:, None], self._forecast, axis=1))
        self._mean[places] = level
        self._trend[places] = 0.0
        for anchor in self._anchors:
            anchor[places] = level
        self._lit[places] = level
        self._waited[places] = 0
        self._mean_before[places] = level
        self._bias[places] = 0.0
        self._history[:, places] = 0.0
        self._own[places] = self._believed(spread, floor[places], n)
        self._departed_for[places] = 0
        self._echo.forget(places)
        self._apply_scene()

    def shift(self, places: Indices, by: Floats) -> None:
        """Move the forecast of some places, noise unchanged, and take them for returned."""
        moved = np.zeros_like(self._mean)
        moved[places] = by
        self._move(places, moved)
        self._home[places] += by
        self._departed_for[places] = 0
        self._echo.forget(places)

    def resume(self, places: Indices, level: Floats) -> None:
        """Give some places the forecast of this moment; what they may come back to stays."""
        self._last.refill(places, np.repeat(level[:, None], self._forecast, axis=1))
        self._mean[places] = self._mean_before[places] = level
        self._trend[places] = self._bias[places] = 0.0
        for anchor in self._anchors:
            anchor[places] = level
        self._departed_for[places] = 0
        self._echo.forget(places)

    def refresh(self, floor: Floats) -> None:
        """Renew bias and spread from the forecast errors, save where a place is held."""
        self._floor = floor
        errors = self._errors.samples()
        n = errors.shape[1]
        bias, spread = level_and_spread(errors, floor)
        held: Flags = self._departed_for > self._hold_after
        self._bias = np.where(held, self._bias, bias)
        self._own = np.where(held, self._own, self._believed(spread, floor, n))
        self._apply_scene()
        if self.count >= LEAST_SAMPLES:
            # The ring begins with errors of the warm-up, which were foretold otherwise.
            errors = self._errors.in_order()[:, -self.count :] - self._bias[:, None]
            self._echo.fit(errors, self._own, self._least(floor), _widen(errors.shape[1]))

    def _least(self, floor: Floats) -> Floats:
        """Least spread of a surprise: no echo foretells what coding does all of a sudden."""
        least = floor.copy()
        for part, scene in self._scene:
            if isinstance(scene, CodedFloor):
                np.maximum(least[part], scene.coded, out=least[part])
        return least

    @property
    def refresh_due(self) -> bool:
        """True every quarter window, and more often while the ring fills; not in warm-up."""
        step = max(4, self._window // 4)
        return not self._replay and self.count % (step if self._errors.filled > step else 8) == 0

    def moving(self, places: Indices, noise_now: Floats | None = None) -> float:
        """How far the judged sample left its own last few, at the places that did most.

        ``noise_now``, where given, is the noise that the picture shows at this moment: a
        bright plateau is noisier than the dark it rose from, and still is a plateau.
        """
        n = min(_RECENT_FEW, self.count)
        if n == 0:
            return float(self.size(self.z[places]).max())
        noise = self.spread[places]
        if noise_now is not None:
            noise = np.maximum(noise, noise_now[places])
        now = self._error[places] - self._bias[places]
        step = now - self._recent(n, places).mean(axis=0)
        return float((np.abs(step) / noise).max()) / math.sqrt(1.0 + 1.0 / n)

    def began_within(self, n: int, place: int, way: float) -> int:
        """Samples back, of the last ``n``, to the first that went half as far as any of them.

        ``way`` is 1 for a rise and -1 for a fall; the sample just learned is 0 back.
        """
        n = min(n, self.count, self._window)
        gone = self._recent(n, np.array([place]))[:, 0] * way
        return int(np.flatnonzero(gone >= 0.5 * gone.max()).max()) if gone.max() > 0 else n - 1

    def _recent(self, n: int, places: Indices) -> Floats:
        """Last ``n`` deviations of some places, latest first, shape (n, places)."""
        rows = (self.count - 1 - np.arange(n)) % self._window
        return self._history[rows[:, None], places].astype(np.float32) / _UNIT

    def since(self, places: Indices, z: Floats, usual: float = 0.0) -> int:
        """Samples back to the first departure of some places (0: the one just judged).

        Walks back while the largest same-way departure among the strongest places is
        more than noise would give once in a thousand looks, and more than ``usual``, the
        largest departure that any place of this scene shows in an ordinary frame.
        """
        strongest = places[np.argsort(-np.abs(z[places]))[:LOOK_BACK_PLACES]]
        way = np.sign(z[strongest]) / (self.spread[strongest] * _UNIT)
        noise = max(usual, float(-special.ndtri(0.001 / len(strongest))))
        back = 0
        for step in range(min(self.count, self._window - 1)):
            row = self._history[(self.count - 1 - step) % self._window, strongest]
            if float((row * way).max()) < noise:
                return back
            back = step + 1
        # For longer than is remembered: what is counted of it tells.
        return max(back, int(self._departed_for[strongest].max()))


def blind_errors(samples: Floats, n: int) -> Floats:
    """Error of foretelling each sample from its ``n`` neighbours on one side.

    From the ones before it; for the first ``n`` from the ones after it.  No sample helps to
    foretell itself, so that the errors are as large as they will be in use.

    Parameters
    ----------
    samples : ndarray, shape (places, more than 2 n)
    """
    sums = np.cumsum(np.pad(samples, ((0, 0), (1, 0))), axis=1, dtype=np.float64)
    means = (sums[:, n:] - sums[:, :-n]) / n  # column i: mean of samples i … i + n - 1
    before, after = means[:, :-1], means[:, 1 : n + 1]
    errors: Floats = (samples - np.concatenate([after, before], axis=1)).astype(np.float32)
    return errors


def _widen(n: int) -> float:
    """Factor for what ``n`` samples cannot have shown of a noise that is not white."""
    return 1.0 + 24.0 / n


def white_floor(pixel_sigma: Floats, n_px: npt.NDArray[np.float64]) -> Floats:
    """Noise of a mean over ``n_px`` pixels of independent noise ``pixel_sigma``."""
    return (pixel_sigma / np.sqrt(n_px)).astype(np.float32)


def quantisation_floor(step: float, n_px: npt.NDArray[np.float64]) -> Floats:
    """Least believable spread of a mean of whole grey levels, each ``step`` wide.

    Rounding adds a variance of step²/12 per pixel (EMVA 1288); neighbouring pixels round
    alike, so that large places are not trusted beyond a fiftieth of a level.
    """
    return np.maximum(step / math.sqrt(12.0) / np.sqrt(n_px), 0.02 * step).astype(np.float32)
