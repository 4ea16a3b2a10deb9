"""Scores to events: open where noise cannot explain them, close where it can again.

The picker knows only scores.  Each detector is a channel with its own thresholds, which
come from the false alarms that the user accepts and from what the channel's quiet frames
look like (`flashpan.chance`).  An event is open while any channel is above its closing
threshold; it ends with the last frame that showed a departure, or, where the scene
settled in a new state, with the last frame that still moved.
"""

from __future__ import annotations

import math
from collections import defaultdict, deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median_low

from flashpan.chance import MaxLaw, Tail, gumbel_y
from flashpan.extremes import GUARD_FRAMES, READY_FRAMES, Extremes
from flashpan.model import Extent, Score
from flashpan.ruling import Opening, Ruling, Standing, Watch

LookBack = Callable[[int, int, Extent | None], int | None]
"""Earliest frame to look at, the onset so far and where → the onset, if it can be told."""

CLOSE_CHANCE = 1e-3
"""Chance per quiet frame of a score that keeps an open event open."""
CLOSE_WITHIN = 8
"""Frames after the last departure in which the closing threshold is enough to go on; later,
only a score that could open an event by itself joins this one."""
ONSET_FRAMES = 3
"""Frames after opening in which another detector may still move the onset back; then the
onset is looked for in the frames themselves."""
FIRST_FRAMES, FIRST_ONSET_FRAMES = 16, 32
"""An event that opens within so many frames of the take's first has hardly anything before
it: it waits longer, until what came after tells what was before."""
REST_FRAMES = 32
"""A changed scene that has not moved for so long when the take ends is over."""
# Tiles around an event in which what follows may be its own.
_BESIDE = 2
# A plateau's noise must not pass for a rise to a new peak.
_RISE = 1.05
# Frames at rest, while the scene has not come back, that tell how far it goes then.
_RESTS_FROM, _RESTS = 8, 64
# What is left of a flash as a sensor's lag, as smoke or as a fading glow is no new state (common
# practice, no source: lag is below one per cent).
_LAG = 0.01
# Recent quiet frames that the thresholds are learned from, for a scene that changes.
_RECENT = 2048
# Frames that the tails of `flashpan.chance` are first fitted to.
_FIT_FROM = 8
# Standard errors by which they must ask for more than the long run to be heard.
_CHANGED = 2.5
# The whole warm-up counts where it asks for no more than so many times its calm part.
_AGREEMENT = 2.0
# Scale of the tail that is expected of a scene, and the quiet frames that this counts for.
_CALM_SCALE, _CALM_PRIOR = 1.0, 24.0
_RESTLESS_SCALE, _RESTLESS_PRIOR = 3.0, 64.0
# Standard errors by which a tail must be heavier than normal to be heard: the noise of pixels is
# known to be normal in a tile's mean, what else a scene does is not.
_CALM_ERRORS, _RESTLESS_ERRORS = 2.5, 0.0
# Noise that is known from no more than half of a warm-up errs.
_RETROSPECT_DOUBT = 1.25
# Until so many frames coded afresh are known: times the ordinary threshold, or times what
# those seen so far usually score.
_FRESH_DOUBT = 2.5
_FRESH_LEEWAY = 1.5
_FRESH_KNOWN = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Pick:
    """An event in the picker's terms: tiles instead of pixels; frames inclusive.

    ``sign`` is the mean sign of the brightness change while it was above the opening
    threshold, ``stays`` whether the scene settled in a new state, ``opening`` the score that
    opened it.
    """

    onset: int
    peak: int
    end: int
    detector: str
    strength: float
    extent: Extent | None
    chance: float
    sign: float
    stays: bool
    opening: Opening | None = None


class Channel:
    """One detector's thresholds, learned from its quiet frames.

    The recent ones give the threshold until there are enough of them for `Extremes`; from
    then on they are heard where they clearly ask for more than the long run does.

    Frames that an inter-coded stream codes afresh pulse with its coding error.  They are
    judged by their own kind; until enough of them have been seen, two and a half times the
    ordinary threshold stands in, or more where the few that were seen ask for it.

    Parameters
    ----------
    law : MaxLaw
        The score's distribution under normal noise.
    chance : float
        Chance per frame of opening an event by noise alone.
    """

    def __init__(self, law: MaxLaw, chance: float) -> None:
        self._law = law
        self._chance = chance
        self._is_restless = False
        self._tail = Tail(memory=_RECENT)
        # Many quiet frames, for what is rare, until there are enough for the extremes.
        self._long_tail = Tail(memory=READY_FRAMES, refit_every=READY_FRAMES)
        self._extremes = Extremes(law, chance)
        self._fresh_tail = Tail(memory=512, refit_every=8, prior=8.0)
        self._fresh_seen: list[float] = []
        self._n_primed = 0
        self._n_learned = 0
        self._set_thresholds()

    def _set_thresholds(self) -> None:
        self._open = self._mixed()
        self._close = min(self._open, self._tail.threshold(CLOSE_CHANCE, self._law))
        self._fresh_open = _FRESH_DOUBT * self._open
        if self._fresh_seen:
            usual = median_low(self._fresh_seen)
            self._fresh_open = max(self._fresh_open, _FRESH_LEEWAY * usual)
        if self._fresh_tail.count >= _FRESH_KNOWN:
            learned = self._fresh_tail.threshold(self._chance, self._law)
            self._fresh_open = max(self._open, learned)

    def _mixed(self) -> float:
        """Threshold of the long run, or what the recent frames ask for beyond doubt."""
        recent = self._opening(self._tail)
        curve = self._extremes.curve
        if curve is None:
            self._changed = 1.0
            return max(recent, self._opening(self._long_tail))
        long_run = curve.score_at(-math.log(self._chance))
        sure = self._tail.threshold(self._chance, self._law, _CHANGED)
        excess = sure - max(long_run, self._law.value_at(gumbel_y(self._chance)))
        beyond = excess / (recent - sure) if recent > sure else float(excess > 0.0)
        self._changed = min(1.0, max(0.0, beyond))
        return long_run + self._changed * (recent - long_run)

    def prime(self, values: Sequence[float], restless: bool) -> None:
        """Learn from the warm-up, of which an event may fill up to half.

        The second calmest quarter stands for it, unless the whole agrees with that.

        Parameters
        ----------
        values : sequence of float
            The warm-up's scores.
        restless : bool
            True where the scene does more than its pixels' noise explains: so few frames
            cannot have shown all of it.
        """
        self._is_restless = restless
        size = len(values) // 4
        whole = self._fitted(values)
        quarters = [self._fitted(values[i * size : (i + 1) * size]) for i in range(4)]
        calm = sorted(quarters, key=self._opening)[1]
        agrees = self._opening(whole) <= _AGREEMENT * self._opening(calm)
        self._tail = whole if agrees else calm
        self._n_primed = self._tail.count
        self._set_thresholds()

    def _fitted(self, values: Sequence[float]) -> Tail:
        expected = _RESTLESS_SCALE if self._is_restless else _CALM_SCALE
        prior = _RESTLESS_PRIOR if self._is_restless else _CALM_PRIOR
        errors = _RESTLESS_ERRORS if self._is_restless else _CALM_ERRORS
        tail = Tail(memory=_RECENT, expected=expected, prior=prior, outrun_errors=errors)
        for value in values:
            tail.push(value, self._law)
        tail.fit(self._law)
        return tail

    def _opening(self, tail: Tail) -> float:
        return tail.threshold(self._chance, self._law)

    def thresholds(self, refreshed: bool, in_retrospect: bool = False) -> tuple[float, float]:
        """Opening and closing threshold for the next frame, or for one of the warm-up's."""
        if refreshed:
            return self._fresh_open, self._fresh_open
        return self._open * (_RETROSPECT_DOUBT if in_retrospect else 1.0), self._close

    def learn(self, value: float, refreshed: bool) -> None:
        """Take in a quiet frame's score."""
        if refreshed:
            self._fresh_seen = [*self._fresh_seen, value][-_FRESH_KNOWN:]
            self._fresh_tail.push(value, self._law)
            self._set_thresholds()
        else:
            self.learn_quiet((value,))

    @property
    def usual(self) -> float:
        """The middle one of quiet frames' scores."""
        return self._tail.median

    @property
    def until_due(self) -> int:
        """Quiet frames, none coded afresh, until the thresholds are renewed."""
        return self._tail.until_due

    def learn_quiet(self, values: Sequence[float]) -> None:
        """Take in at most `until_due` quiet frames' scores at once."""
        self._n_learned += len(values)
        self._extremes.push(values)
        if self._extremes.curve is None:
            self._long_tail.extend(values, self._law)
        if self._tail.extend(values, self._law):
            if self._extremes.curve is None:
                self._long_tail.fit(self._law)
            self._extremes.fit(self._tail.median, self._tail.independent)
            self._set_thresholds()

    def interrupt(self) -> None:
        """Take the last frames for the beginning of an event."""
        self._extremes.interrupt()
        for tail in (self._tail, self._long_tail):
            tail.forget_last(GUARD_FRAMES)
        self._tail.fit(self._law)
        self._set_thresholds()

    def learned_from(self, refreshed: bool) -> int:
        """Quiet frames that the thresholds rest on; 0 where theory or another kind's stand in."""
        if refreshed:
            n_fresh = self._fresh_tail.count
            return n_fresh if n_fresh >= _FRESH_KNOWN else 0
        n_quiet = max(self._n_primed, self._n_learned)
        return n_quiet if n_quiet >= _FIT_FROM else 0

    def chance(self, value: float, refreshed: bool) -> float:
        """Chance per frame that noise gives this score or more."""
        if refreshed and self._fresh_tail.count >= _FRESH_KNOWN:
            return self._fresh_tail.chance(value, self._law)
        recent, curve = self._tail.chance(value, self._law), self._extremes.curve
        if curve is None:
            return recent
        long_run = math.exp(-curve.rarity_of(value))
        return float(recent**self._changed * long_run ** (1.0 - self._changed))


@dataclass(slots=True, kw_only=True)
class _Stir:
    """A stretch of an open event in which the scene moved."""

    onset: int
    last: int
    opened: int
    free_from: int = 0
    is_dated: bool = False
    peak: int = 0
    detector: str = ""
    strength: float = 0.0
    excess: float = 0.0
    chance: float = 1.0
    extent: Extent | None = None
    around: Extent | None = None
    moved: float = 0.0
    is_other: bool = False
    sign_sum: float = 0.0
    sign_weight: float = 0.0

    def is_near(self, tile: tuple[int, int]) -> bool:
        """Whether a tile lies in this stretch's part of the picture, or next to it."""
        row, col = tile
        return any(
            top - _BESIDE <= row < bottom + _BESIDE and left - _BESIDE <= col < right + _BESIDE
            for top, left, bottom, right in filter(None, (self.extent, self.around))
        )

    def absorb(self, other: _Stir) -> None:
        """Become one with a later stretch."""
        self.onset = min(self.onset, other.onset)
        self.last = max(self.last, other.last)
        self.extent = _joined(self.extent, other.extent)
        self.around = _joined(self.around, other.around)
        self.moved = max(self.moved, other.moved)
        self.is_other |= other.is_other
        self.sign_sum += other.sign_sum
        self.sign_weight += other.sign_weight
        if other.excess > self.excess:
            self.peak, self.detector, self.strength = other.peak, other.detector, other.strength
            self.excess, self.chance = other.excess, other.chance

    def stays(self, left: float) -> bool:
        """Whether what is left of it, in the units of ``excess``, makes a new state."""
        return left > _LAG * self.excess

    def pick(self, end: int, stays: bool) -> Pick:
        """The event this stretch makes."""
        return Pick(
            onset=self.onset,
            peak=min(max(self.peak, self.onset), max(end, self.onset)),
            end=max(end, self.onset, self.peak if not stays else self.onset),
            detector=self.detector,
            strength=self.strength,
            extent=self.extent or self.around,
            chance=self.chance,
            sign=self.sign_sum / self.sign_weight if self.sign_weight else 0.0,
            stays=stays,
        )


def _rests() -> deque[float]:
    return deque(maxlen=_RESTS)


@dataclass(slots=True)
class _Open:
    """The event in progress."""

    opened: int
    last: int
    opening: Opening | None = None
    stirs: list[_Stir] = field(default_factory=list)
    settled_at: int = -1
    left: float = 0.0
    rests: defaultdict[str, deque[float]] = field(default_factory=lambda: defaultdict(_rests))


class Picker:
    """Turns scores into picks as frames pass.

    Parameters
    ----------
    laws : mapping of str to MaxLaw
        Each detector's score distribution under normal noise.
    false_alarms : float
        False events accepted per million frames, over all detectors.
    merge_gap_frames : int
        Departures with at most this many quiet frames between them are one event.
    watch : Watch, optional
        Told what becomes of the frames it asks for.
    """

    def __init__(
        self,
        laws: Mapping[str, MaxLaw],
        false_alarms: float,
        merge_gap_frames: int,
        look_back: LookBack | None = None,
        watch: Watch | None = None,
    ) -> None:
        chance = min(0.5, false_alarms / 1e6 / len(laws))
        self.channels = {name: Channel(law, chance) for name, law in laws.items()}
        self._gap = merge_gap_frames
        self._watch = watch
        self._look_back = look_back
        self._open: _Open | None = None
        self._free_from = 0
        self._first: int | None = None

    @property
    def is_open(self) -> bool:
        """True while an event goes on, or may be joined by the next."""
        return self._open is not None

    @property
    def open_onset(self) -> int | None:
        """Onset of the event that goes on, as far as it is known yet."""
        if self._open is None or not self._open.stirs:
            return None
        return self._open.stirs[0].onset

    @property
    def free_from(self) -> int:
        """First frame that no event has: the next one begins here at the earliest."""
        return self._free_from

    def push(
        self, index: int, scores: Mapping[str, Score], refreshed: bool = False
    ) -> Iterator[Pick]:
        """Take one frame's scores; yield the events that this closes."""
        if self._first is None:
            self._first = index
        if self._open is not None and index - self._open.last - 1 > self._gap:
            yield from self._close()
        hot, warm = self._judge(scores, refreshed)
        if self._open is not None and index - self._open.last > CLOSE_WITHIN:
            warm = hot
        last = self._open.last if self._open is not None else None
        if self._open is None and hot:
            opening = self._opening(index, scores, hot, refreshed)
            self._open = _Open(opened=index, last=index, opening=opening)
        if self._watch is not None:
            if index in self._watch:
                self._watch.add(self._ruling(index, scores, refreshed, hot, warm, last))
            self._watch.pass_by(index, departs=bool(warm))
        if self._open is not None and last is None:
            for channel in self.channels.values():
                channel.interrupt()
        if self._open is None or refreshed:  # a pulse is learned even where it opens an event
            self._learn(scores, refreshed)
        if self._open is None:
            return
        self._extend(self._open, index, scores, hot, warm, refreshed)
        for stir in self._open.stirs[-1:]:
            if index - stir.opened >= self._patience(stir):
                self._date(stir)

    def _learn(self, scores: Mapping[str, Score], refreshed: bool) -> None:
        """Let the channels take in a quiet frame; what an event left behind is none."""
        for name, score in scores.items():
            channel = self.channels[name]
            opens, keeps = channel.thresholds(refreshed, score.in_retrospect)
            if score.value <= opens or not self._remains(score, keeps):
                channel.learn(score.value, refreshed)

    def _patience(self, stir: _Stir) -> int:
        return FIRST_ONSET_FRAMES if self._is_early(stir) else ONSET_FRAMES

    def _is_early(self, stir: _Stir) -> bool:
        return stir.opened - (self._first or 0) < FIRST_FRAMES

    def _date(self, stir: _Stir) -> None:
        """Look for the onset in the frames, once; the frames so far must be remembered."""
        if stir.is_dated or self._look_back is None:
            return
        stir.is_dated = True
        found = self._look_back(stir.free_from, stir.onset, stir.extent or stir.around)
        # What was there from the first frame and then went did not begin when it went.
        latest = stir.last - 2 if self._is_early(stir) else max(stir.last, stir.opened)
        if found is not None and found <= latest:
            stir.onset = max(found, stir.free_from)

    def finish(self) -> Iterator[Pick]:
        """Close what is open at the take's end."""
        if self._open is not None:
            yield from self._close(at_end=True)

    def _judge(
        self, scores: Mapping[str, Score], refreshed: bool
    ) -> tuple[dict[str, float], dict[str, float]]:
        """Detectors above their opening and closing thresholds, with their excess."""
        hot, warm = {}, {}
        for name, score in scores.items():
            opening, closing = self.channels[name].thresholds(refreshed, score.in_retrospect)
            if score.value <= closing:  # most are, and closing is never above opening
                continue
            if score.until < self._free_from or self._remains(score, closing):
                continue  # evidence of an event that has been told already
            if score.value > opening:
                hot[name] = score.value / opening
            if score.value > closing:
                warm[name] = score.value / opening
        return hot, warm

    def _opening(
        self, index: int, scores: Mapping[str, Score], hot: Mapping[str, float], refreshed: bool
    ) -> Opening:
        name = max(hot, key=hot.__getitem__)
        threshold, _ = self.channels[name].thresholds(refreshed, scores[name].in_retrospect)
        return Opening(index, name, scores[name].value, threshold)

    def _ruling(
        self,
        index: int,
        scores: Mapping[str, Score],
        refreshed: bool,
        hot: Mapping[str, float],
        warm: Mapping[str, float],
        last: int | None,
    ) -> Ruling:
        """What this frame is taken for, before anything is learned from it."""
        standings = {}
        for name, score in scores.items():
            channel = self.channels[name]
            opening, closing = channel.thresholds(refreshed, score.in_retrospect)
            standings[name] = Standing(
                score=score,
                opening=opening,
                closing=closing,
                chance=channel.chance(score.value, refreshed),
                learned_from=channel.learned_from(refreshed),
                opens=name in hot,
                keeps_open=self._open is not None and name in warm,
                is_told=score.until < self._free_from or self._remains(score, closing),
            )
        return Ruling(
            index=index,
            refreshed=refreshed,
            standings=standings,
            opening=None if self._open is None else self._open.opening,
            departed_last=last,
        )

    def _remains(self, score: Score, closing: float) -> bool:
        """What an event that has been told left behind, and what does not move any more."""
        return (
            self._open is None
            and score.since < self._free_from
            and score.until > score.since
            and score.moving <= closing
        )

    def _extend(
        self,
        event: _Open,
        index: int,
        scores: Mapping[str, Score],
        hot: Mapping[str, float],
        warm: Mapping[str, float],
        refreshed: bool,
    ) -> None:
        for name in warm:
            event.last = max(event.last, scores[name].until)
        event.left = max(warm.values(), default=event.left)
        if not event.stirs:
            event.stirs.append(self._stir(index, scores[max(hot, key=hot.__getitem__)]))
        for name, excess in warm.items():
            score = scores[name]
            is_other = name in hot and self._is_elsewhere(event, score)
            stir = event.stirs[-1]
            begins = name in hot and stir.last < score.since == score.until
            step = max(score.moving, score.value) if begins else score.moving
            enough = self._enough(event, index, name, refreshed)
            moves = step > enough or excess > _RISE * stir.excess
            if not moves:
                event.rests[name].append(score.moving)
            if moves or is_other:
                self._stir_on(event, index, name, score, excess, name in hot, refreshed)
            if is_other:
                event.stirs[-1].is_other = True
        for name in scores.keys() - warm.keys():
            event.rests[name].append(scores[name].value)
        if any(score.settled for score in scores.values()):
            event.settled_at = index

    def _enough(self, event: _Open, index: int, name: str, refreshed: bool) -> float:
        """How far a frame must go from those before it to count as movement.

        What comes long after an event's last movement, while the scene has not come back, is an
        event of its own, and takes as much as any.  What the event has left may have another
        noise than the scene that the threshold was learned from: it is measured in how far that
        goes at rest.
        """
        channel = self.channels[name]
        opening, closing = channel.thresholds(refreshed)
        if index - event.stirs[-1].last - 1 <= self._gap:
            return closing
        rests = event.rests[name]
        if len(rests) < _RESTS_FROM or channel.usual <= 0.0:
            return opening
        return opening * max(1.0, median_low(rests) / channel.usual)

    def _is_elsewhere(self, event: _Open, score: Score) -> bool:
        """Whether this began after all that moved before, and apart from it.

        Something slow, beside what an event left behind: it need not move from one frame to
        the next to be another event.
        """
        if score.tile is None or score.since - event.stirs[-1].last - 1 <= self._gap:
            return False
        return not any(stir.is_near(score.tile) for stir in event.stirs)

    def _stir(self, index: int, score: Score) -> _Stir:
        onset = max(self._free_from, min(score.since, score.index))
        return _Stir(
            onset=onset, last=max(onset, score.until), opened=index, free_from=self._free_from
        )

    def _stir_on(
        self,
        event: _Open,
        index: int,
        name: str,
        score: Score,
        excess: float,
        is_hot: bool,
        refreshed: bool,
    ) -> None:
        """Add a moving frame to the present stretch, or begin the next one."""
        stir = event.stirs[-1]
        if index - stir.last - 1 > self._gap:
            self._date(stir)
            stir = _Stir(onset=index, last=index, opened=index, free_from=stir.last + 1)
            event.stirs.append(stir)
        stir.last = max(stir.last, score.until)
        opening, _ = self.channels[name].thresholds(refreshed, score.in_retrospect)
        stir.moved = max(stir.moved, score.moving / opening)
        if is_hot and index - event.opened <= ONSET_FRAMES:
            stir.onset = max(self._free_from, min(stir.onset, score.since))
        if is_hot:
            stir.extent = _joined(stir.extent, score.extent)
            stir.around = _joined(stir.around, score.around)
        if score.sign:
            stir.sign_sum += score.sign * score.value
            stir.sign_weight += score.value
        if excess > _RISE * stir.excess:
            stir.excess, stir.peak = excess, max(stir.onset, score.until)
            stir.detector, stir.strength = name, score.value
            stir.chance = self.channels[name].chance(score.value, refreshed)

    def _close(self, at_end: bool = False) -> Iterator[Pick]:
        """One event, or, where the scene settled, one for every stretch that moved before.

        A take that ends before the scene has come back or settled, and before it has rested
        for some time, keeps its last event to the last frame: nobody can say that it is over.
        """
        event, self._open = self._open, None
        assert event is not None
        self._date(event.stirs[-1])
        strong = [stir for stir in event.stirs if stir.detector]
        if not strong:
            return
        over = [stir for stir in strong if stir.last <= event.settled_at]
        rests = at_end and event.last - strong[-1].last >= REST_FRAMES
        if at_end or len(over) == len(strong):
            over, rest = strong, []
        else:
            rest = strong[len(over) :]
        picks = [
            stir.pick(stir.last, stays=stir.stays(event.left))
            for stir in over
            if stir is strong[0] or stir.moved > 1.0 or stir.is_other
        ]
        if at_end and not rests and strong[-1].last > event.settled_at:
            picks[-1] = replace(picks[-1], end=max(picks[-1].end, event.last), stays=False)
        if rest:  # and the scene came back from it
            for stir in rest[1:]:
                rest[0].absorb(stir)
            picks.append(rest[0].pick(event.last, stays=False))
        for pick in picks:
            self._free_from = pick.end + 1
            yield replace(pick, opening=event.opening)


def _joined(one: Extent | None, other: Extent | None) -> Extent | None:
    if one is None or other is None:
        return one or other
    tops, lefts, bottoms, rights = zip(one, other, strict=True)
    return min(tops), min(lefts), max(bottoms), max(rights)
