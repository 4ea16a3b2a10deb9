"""The run that `difference` and `brightness` share: places, rates, one score.

Each place is followed sample by sample and, where a detector asks for it, again as means of
several frames: a slow change (something starting to move from rest) is small from one frame
to the next and plain in the means, whose noise is less.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flashpan.chance import MaxLaw, gumbel_y
from flashpan.detectors.base import Scene
from flashpan.detectors.coding import Coding
from flashpan.detectors.noise import Flags, Floats
from flashpan.detectors.surroundings import Surroundings
from flashpan.detectors.track import Track
from flashpan.detectors.writing import Writing
from flashpan.model import Reading, Score, TakeInfo, Tiles

WARM_UP = 32
LONG_WARM_UP = 128
_PARTLY_STIRRED = (0.05, 0.5)
"""Frames that show what is normal, and are scored afterwards."""
# Forecast errors that define normal, by rate; and samples that the slower rates begin with.
_WINDOW = {1: 128, 4: 64}
# Samples whose mean is the forecast, by rate: the slower one looks back a little farther than
# the other, but not so far that a cloud's shadow is an event.
_FORECAST = {1: 16, 4: 16}
_SLOW_WARM_UP = 24
# Means in a row without a departure at the fastest rate after which a place rests, and after
# which what glowed has faded.
_CALM, _FADED = 2, 12
# What uncertainty of the spreads is left after their widening.
_DOF = 500.0
# Chance per frame that any place at all is taken for departed when describing a frame.
_GATE_CHANCE = 0.01
# Step, in noise units per sample, of the running median of the largest departure.
_USUAL_STEP = 0.05


@dataclass(slots=True)
class _Finding:
    """What one rate last said; held until it speaks again."""

    value: float = 0.0
    moving: float = 0.0
    places: npt.NDArray[np.intp] | None = None
    place: int = 0
    z: Floats | None = None
    since: int = 0
    until: int = 0
    blind: bool = False
    """True where it began somewhere within the one sample that shows it."""
    reading: Reading | None = None


class PlaceRun(ABC):
    """Follows one statistic at every place.

    Subclasses say what the statistic is (`series`), what its least believable noise is
    (`floor`) and what its noise is at this moment (`noise_now`).
    """

    sides: int
    quantity: str
    """Name of the statistic, for `flashpan.model.Reading`."""
    rates: tuple[int, ...] = (1,)
    """Frames averaged per sample, ascending; the first is 1."""

    def __init__(self, scene: Scene) -> None:
        self.places = scene.places
        self.step = scene.info.least_step
        self.writing = Writing(self.places, self.step)
        self._predicted = scene.info.predicts_with_loss
        self.coding = self.coding_steps(scene.info)
        self._recoded = np.zeros(self.places.n, np.float32)
        self._before: Floats | None = None
        self._settle = scene.settle_frames
        self._with_readings = scene.with_readings
        self._tracks: dict[int, Track] = {}
        self._sums = {rate: np.zeros(self.places.n, np.float64) for rate in self.rates[1:]}
        # Light of every place, as it is, summed and as the last mean.
        self._lit = {rate: np.zeros(self.places.n, np.float64) for rate in self.rates[1:]}
        self._light = dict(self._lit)
        self._aside = {rate: np.zeros(self.places.n, bool) for rate in self.rates[1:]}
        # Places of which a slower rate heard nothing, since they were long away at the fastest.
        self._unheard = {rate: np.zeros(self.places.n, bool) for rate in self.rates[1:]}
        self._calm_for = {rate: np.zeros(self.places.n, np.int32) for rate in self.rates[1:]}
        self._slow: dict[int, list[Floats]] = {rate: [] for rate in self.rates[1:]}
        self._found = {rate: _Finding() for rate in self.rates}
        self._warm: list[tuple[Tiles, Floats]] = []
        self._past: tuple[Score, ...] = ()
        self._ground: Surroundings | None = None
        self._told = self._apart = np.zeros(self.places.n, np.float32)
        self._summed = dict.fromkeys(self.rates[1:], 0)
        # Running median of the largest departure, by steps that no event can hurry.
        self._usual = dict.fromkeys(self.rates, 3.0)
        self.law = MaxLaw(n=self.places.n * len(self.rates), sides=self.sides, dof=_DOF)
        self._gate = self.law.value_at(gumbel_y(_GATE_CHANCE))

    @abstractmethod
    def coding_steps(self, info: TakeInfo) -> Coding:
        """What is known from the first of a lossy codec's steps in this statistic."""

    @abstractmethod
    def series(self, tiles: Tiles) -> Floats:
        """The statistic at every place, shape (places,)."""

    @abstractmethod
    def floor(self, rate: int, level: Floats) -> Floats:
        """Least believable spread, around a level, of the mean of ``rate`` samples."""

    @abstractmethod
    def noise_now(self, tiles: Tiles, sample: Floats) -> Floats:
        """Noise of one sample as the picture shows it at this moment."""

    @abstractmethod
    def observe(self, tiles: Tiles) -> None:
        """Learn from a frame whatever `floor` needs."""

    def score(self, tiles: Tiles) -> Score:
        """Score the next frame; invalid during warm-up."""
        self.coding.observe(tiles)
        sample = self._without_recoding(tiles, self.series(tiles))
        self.writing.observe(tiles)
        self.observe(tiles)
        if 1 in self._tracks:
            return self._follow(tiles, sample)
        self._warm.append((tiles, sample))
        if len(self._warm) in (WARM_UP, LONG_WARM_UP):
            track = self._first_track()
            if self._shows_normal(track):
                self._past = tuple(self._begin(track))
        return Score(index=tiles.index, value=0.0, valid=False)

    def _without_recoding(self, tiles: Tiles, sample: Floats) -> Floats:
        """Take out the steps that places made at keyframes, as far as coding explains them."""
        before, self._before = self._before, sample
        if tiles.refreshed and before is not None:
            step = sample - before
            self._recoded += np.where(self.coding.explains(step), step, 0.0)
        return sample - self._recoded

    def retrospect(self) -> tuple[Score, ...]:
        """Scores of the warm-up frames; empty when they have been given already."""
        if self._warm:
            self._past = tuple(self._begin(self._first_track()))
        past, self._past = self._past, ()
        return past

    @property
    def restless(self) -> bool:
        """True where most places do more than the noise of their pixels explains."""
        return self._predicted or (1 in self._tracks and self._tracks[1].restless)

    def _shows_normal(self, track: Track) -> bool:
        """Whether the warm-up that a track was made from shows what is normal.

        Where a good part of an otherwise white scene does more than its pixels' noise
        explains, the warm-up may lie in the middle of an event: more frames tell.  Where
        nearly all does, as in coded footage, that is the scene.
        """
        if self._predicted or len(self._warm) >= LONG_WARM_UP:
            return True
        least, most = _PARTLY_STIRRED
        return not least < track.stirred < most

    def _first_track(self) -> Track:
        samples = np.stack([sample for _, sample in self._warm], axis=1)
        if len(self.rates) > 1:
            self._ground = Surroundings(self.places, np.median(samples, axis=1))
        return self._track(1, samples)

    def _begin(self, track: Track) -> Iterator[Score]:
        """Score the frames of the warm-up in order, against what is normal in it."""
        self._tracks[1] = track
        warm, self._warm = self._warm, []
        for tiles, sample in warm:
            yield self._follow(tiles, sample)

    def _track(self, rate: int, samples: Floats) -> Track:
        ground = self._ground
        return Track(
            samples,
            self.floor(rate, np.median(samples, axis=1).astype(np.float32)),
            sides=self.sides,
            window=_WINDOW[rate],
            hold_after=3,
            settle_after=max(16, self._settle // rate),
            sizes=self.places.sizes,
            near=self.places.largest_near,
            forecast=_FORECAST[rate],
            light=ground if ground is not None and ground.has_any and rate == 1 else None,
            coding=self.coding,
        )

    def _follow(self, tiles: Tiles, sample: Floats) -> Score:
        self._tracks[1].judge(sample)
        settled = self._feed_slow(tiles.index, sample)
        settled |= self._feed(1, tiles.index, sample, lambda: self.noise_now(tiles, sample))
        return self._combine(tiles.index, settled)

    def _feed(
        self,
        rate: int,
        index: int,
        sample: Floats,
        noise: Callable[[], Floats] | None,
        aside: Flags | None = None,
    ) -> bool:
        """Give a rate its next sample; True when some place settled in a new state."""
        track = self._tracks[rate]
        z = track.z if rate == 1 else track.judge(sample)
        self._found[rate] = self._find(rate, index, track, z, noise)
        places = track.learn(sample, aside)
        if len(places):
            track.settle(places, self.floor(rate, track.level))
            self._level_slower(rate, places, track.level[places])
        if track.refresh_due:
            track.refresh(self.floor(rate, track.level))
        return bool(len(places))

    def _level_slower(self, rate: int, places: npt.NDArray[np.intp], level: Floats) -> None:
        """Tell the slower rates that a faster one has taken a new level for normal."""
        if rate > 1 or self._ground is None:
            return
        light = self._told.copy()
        light[places] = level
        self._ground.renew(places, light, self._told)
        for slower in self.rates[1:]:
            if slower in self._tracks:
                track = self._tracks[slower]
                track.shift(places, -track.level[places])
            for mean in self._slow.get(slower, ()):
                mean[places] = 0.0
            self._sums[slower][places] = 0.0

    def _find(
        self,
        rate: int,
        index: int,
        track: Track,
        z: Floats,
        noise: Callable[[], Floats] | None,
    ) -> _Finding:
        place = track.largest_at
        value = float(track.size(z[place : place + 1])[0])
        finding = _Finding(value=value, place=place, z=z, until=index)
        if self._with_readings:
            finding.reading = self._reading(rate, index, track, place)
        self._usual[rate] += _USUAL_STEP * (1.0 if value > self._usual[rate] else -1.0)
        if value <= self._gate:
            return finding
        departed = np.flatnonzero(track.size(z) > self._gate)
        finding.places = departed
        finding.moving = track.moving(departed, noise() if noise is not None else None)
        finding.since, finding.blind = self._since(rate, index, track, finding)
        return finding

    def _reading(self, rate: int, index: int, track: Track, place: int) -> Reading:
        judged = track.judged(place)
        if rate > 1:  # what was judged is light less what is shared: it is told as light
            light = float(self._light[rate][place])
            judged = judged._replace(value=light, expected=light - (judged.value - judged.expected))
        return Reading(
            quantity=self.quantity,
            place=self.places.size(place),
            extent=self.places.extent_of(place),
            frames=(index - rate + 1, index),
            **judged._asdict(),
        )

    def _since(self, rate: int, index: int, track: Track, finding: _Finding) -> tuple[int, bool]:
        """Look back, or keep what was found while the departure goes on and does not grow.

        A place that departs anew is not as old as those that departed before it.
        """
        before = self._found[rate]
        places = finding.places
        assert places is not None
        assert finding.z is not None
        if before.places is not None:
            if finding.place not in before.places:
                places = np.setdiff1d(places, before.places)
            elif finding.value < 1.5 * before.value:
                return before.since, before.blind
        back = track.since(places, finding.z, self._usual[rate])
        return max(0, index - (back + 1) * rate + 1), back == 0

    def _feed_slow(self, index: int, sample: Floats) -> bool:
        """Feed the slower rates with what the fastest does not see by itself.

        Where it does see a departure, a slower rate is given what it expects.
        """
        if self._ground is None:
            return False
        fastest = self._tracks[1]
        departed = fastest.departed
        goes = fastest.any_departed
        self._told = fastest.undisturbed(sample)
        self._apart = self._ground.without_shared(sample, self._told)
        settled = False
        for rate in self.rates[1:]:
            heard = self._apart
            if goes:
                expected = self._tracks[rate].level if rate in self._tracks else np.float32(0.0)
                heard = np.where(departed, expected, heard)
                self._aside[rate] |= departed
            self._sums[rate] += heard
            self._lit[rate] += sample
            if fastest.any_away:
                self._unheard[rate] |= fastest.is_held
            self._summed[rate] += 1
            if self._summed[rate] == rate:
                mean = (self._sums[rate] / rate).astype(np.float32)
                self._light[rate] = self._lit[rate] / rate
                self._lit[rate][:] = 0.0
                self._sums[rate][:] = 0.0
                self._summed[rate] = 0
                settled |= self._feed_mean(rate, index, mean)
        return settled

    def _feed_mean(self, rate: int, index: int, mean: Floats) -> bool:
        if rate in self._tracks:
            aside, self._aside[rate] = self._aside[rate], np.zeros(self.places.n, bool)
            if self._ground is not None and self._ground.has_any:
                mean, aside = self._resume(rate, mean, aside)
            return self._feed(rate, index, mean, None, aside)
        self._slow[rate].append(mean)
        if len(self._slow[rate]) >= _SLOW_WARM_UP:
            warm = self._slow.pop(rate)
            track = self._tracks[rate] = self._track(rate, np.stack(warm, axis=1))
            for sample in warm:
                track.judge(sample)
                track.learn(sample)
        return False

    def _resume(self, rate: int, mean: Floats, aside: Flags) -> tuple[Floats, Flags]:
        """Go on from where places are that were long away at the fastest rate and are so no more.

        Whether they came back or the light came to them, the fastest has told it.  What is left
        of a glow that fades is small from one frame to the next and plain in means: they follow
        it for a while, in the end by the mean of several.

        Returns
        -------
        mean, aside
            With what is expected of the places that are still awaited, and those set aside too.
        """
        unheard, track = self._unheard[rate], self._tracks[rate]
        calm_for = self._calm_for[rate] = np.where(aside, 0, self._calm_for[rate] + 1)
        if not unheard.any():
            return mean, aside
        awaited = unheard & (calm_for < _CALM)
        back = np.flatnonzero(unheard & ~awaited)
        n = np.clip(calm_for[back] - _FADED // 3, 1, None)
        level = track.level
        track.resume(back, level[back] + (mean[back] - level[back]) / n)
        unheard &= calm_for < _FADED
        return np.where(awaited, level, mean), aside | awaited

    def _onset(self, index: int, best: _Finding) -> int:
        """Since when; within the one sample that shows it, by the frames that made it up."""
        n = best.until - best.since + 1
        if not best.blind or best.z is None or n <= 1:
            return best.since
        late = index - best.until
        way = 1.0 if best.z[best.place] > 0 else -1.0
        back = self._tracks[1].began_within(n + late, best.place, way)
        return max(best.since, min(best.until, index - back))

    def _combine(self, index: int, settled: bool) -> Score:
        best = max(self._found.values(), key=lambda found: found.value)
        if best.places is None or best.z is None:
            return Score(
                index=index,
                value=best.value,
                tile=self.places.tile(best.place),
                since=index,
                until=index,
                settled=settled,
                reading=best.reading,
            )
        z = best.z[best.places]
        return Score(
            index=index,
            value=best.value,
            extent=self.places.extent(best.places),
            around=self.places.around(best.places),
            tile=self.places.tile(best.place),
            since=self._onset(index, best),
            until=best.until,
            sign=float(z.sum() / np.abs(z).sum()) if self.sides == 2 else 0.0,
            moving=best.moving,
            settled=settled,
            reading=best.reading,
        )
