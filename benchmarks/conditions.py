"""What accuracy is measured on: scenes, conditions, and which seeds are for what.

Add a condition by adding a row to `CONDITIONS`; a scene by adding a row to `SCENES`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

from flashpan.settings import Settings
from flashpan.units import Duration
from sample_generators import Quality, Take, TakeSettings, disturb, make_take
from sample_generators.disturb import Disturbance

ROWS, COLS = 240, 320

SEEDS = {"tuning": 1_000, "reporting": 500_000}
"""First seed of each set; take ``k`` has the seed ``first + k``.  Settings are chosen on the
first set alone, and results are claimed from the second alone."""

TARGETS: tuple[float | None, ...] = (None, 15.0, 5.0)
"""Visibility that take ``k`` is made to have, by its contrast: ``TARGETS[k % 3]``; None leaves
the scenario's usual contrast, which is far above 30."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A scenario as it is measured.

    Attributes
    ----------
    scenario : str
        Of `sample_generators`.
    n_frames : int
        Length of a take; short, so that many takes fit the time.
    capture_rate : int
        Frames per second.
    n_events : int
        Events in a take.
    gap, pre_roll, post_roll : int or None
        Merge gap and rolls in frames.  None is flashpan's default, from the capture rate;
        where that is longer than the whole take, it is given here instead.
    """

    scenario: str
    n_frames: int
    capture_rate: int
    n_events: int = 1
    gap: int | None = None
    pre_roll: int | None = None
    post_roll: int | None = None

    def settings(self) -> Settings:
        """What flashpan is asked for; false alarms stay at the default of 1 per million."""
        return Settings(
            capture_rate=Fraction(self.capture_rate),
            merge_gap=_frames(self.gap),
            pre_roll=_frames(self.pre_roll),
            post_roll=_frames(self.post_roll),
        )


def _frames(count: int | None) -> Duration | None:
    return None if count is None else Duration.of_frames(count)


_SHORT: dict[str, Any] = {"gap": 100, "pre_roll": 30, "post_roll": 50}
# storm and impact have flashpan's default gap and rolls: 600, 60, 100 and 300, 30, 50 frames.
SCENES = (
    Scene(scenario="storm", n_frames=1500, capture_rate=2_000),
    Scene(scenario="pane", n_frames=900, capture_rate=50_000, **_SHORT),
    Scene(scenario="balloon", n_frames=1000, capture_rate=10_000, **_SHORT),
    Scene(scenario="drop", n_frames=1400, capture_rate=5_000, **_SHORT),
    Scene(scenario="spark", n_frames=900, capture_rate=20_000, **_SHORT),
    Scene(scenario="impact", n_frames=800, capture_rate=1_000),
    Scene(scenario="release", n_frames=1200, capture_rate=1_000, n_events=3, gap=30),
    Scene(scenario="quiet", n_frames=2000, capture_rate=5_000),
)
QUIET_FRAMES = 20_000
"""Length of the quiet takes of plain sensor noise, one take per bit depth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """What a take is seen through.

    Attributes
    ----------
    name : str
        For tables and ``--only``.
    bit_depth : int
        Of the sensor.
    disturbances : tuple of Disturbance
        See `sample_generators.disturb`.
    form : str or None
        File format to go through; None hands the frames over in memory.
    quality : Quality
        What a lossy codec may lose.
    changes : mapping
        Other `TakeSettings` to change.
    """

    name: str
    bit_depth: int = 8
    disturbances: tuple[Disturbance, ...] = ()
    form: str | None = None
    quality: Quality = field(default_factory=Quality)
    changes: Mapping[str, Any] = field(default_factory=dict)

    @property
    def is_plain(self) -> bool:
        """True for nothing but sensor noise."""
        return not (self.disturbances or self.form or self.changes)


def _flicker(hz: float, depth: float, *, two_phases: bool = False) -> disturb.Flicker:
    return disturb.Flicker(frequency=hz, depth=depth, harmonics=(1.0, 0.2), two_phases=two_phases)


CONDITIONS = (
    Condition(name="noise-8"),
    Condition(name="noise-10", bit_depth=10),
    Condition(name="noise-12", bit_depth=12),
    Condition(name="ffv1-12", bit_depth=12, form="ffv1"),
    Condition(name="h264-crf18", form="h264", quality=Quality(crf=18, gop=250)),
    Condition(name="h264-crf28", form="h264", quality=Quality(crf=28, gop=250)),
    Condition(name="hevc-10", bit_depth=10, form="hevc", quality=Quality(crf=22, gop=250)),
    Condition(name="mjpeg", form="mjpeg"),
    Condition(name="early", changes={"event_frames": (5,), "n_events": 1}),
    Condition(name="flicker-2%", disturbances=(_flicker(100, 0.02),)),
    Condition(name="flicker-20%", disturbances=(_flicker(100, 0.2),)),
    Condition(name="flicker-2-phase", disturbances=(_flicker(120, 0.1, two_phases=True),)),
    Condition(name="sway-0.5px", disturbances=(disturb.Sway(0.5),)),
    Condition(name="sway-2px", disturbances=(disturb.Sway(2.0),)),
    Condition(name="rain", disturbances=(disturb.Rain(12),)),
    Condition(name="foliage", disturbances=(disturb.Foliage(),)),
    Condition(name="counter", disturbances=(disturb.Counter(),)),
    Condition(name="row-noise", disturbances=(disturb.RowNoise(8.0),)),
    Condition(name="fixed-pattern", disturbances=(disturb.FixedPattern(), disturb.HotPixels(20))),
    Condition(name="blink", disturbances=(disturb.BlinkingPixels(10),)),
    Condition(name="dusk", disturbances=(disturb.Dusk(-0.3),)),
    Condition(name="cloud", disturbances=(disturb.Cloud(depth=0.25),)),
    Condition(name="rolling", disturbances=(disturb.RollingShutter(0.5),)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One take to be measured; ``target`` is the visibility that it should have."""

    scene: Scene
    condition: Condition
    seed: int
    target: float | None

    def take(self) -> Take:
        """Return the take."""
        settings = TakeSettings(
            rows=ROWS,
            cols=COLS,
            n_frames=self.scene.n_frames,
            capture_rate=Fraction(self.scene.capture_rate),
            n_events=self.scene.n_events,
            bit_depth=self.condition.bit_depth,
            seed=self.seed,
            disturbances=self.condition.disturbances,
        )
        return self._at_target(replace(settings, **self.condition.changes))

    def _at_target(self, settings: TakeSettings) -> Take:
        """Weaken the events; visibility is near enough proportional to contrast for this."""
        take = make_take(self.scene.scenario, settings)
        for _ in range(2):
            if self.target is None or not take.truth.events:
                break
            # The first one: the lamp of an impact is as bright whatever the contrast.
            ratio = self.target / max(take.truth.events[0].visibility, 1e-6)
            settings = replace(settings, contrast=min(1.0, settings.contrast * ratio))
            take = make_take(self.scene.scenario, settings)
        return take


def plan_jobs(seeds: str, *, quick: bool, only: frozenset[str] = frozenset()) -> list[Job]:
    """Return the takes of a run.

    Parameters
    ----------
    seeds : {"tuning", "reporting"}
        See `SEEDS`.
    quick : bool
        Fewer takes, and of every condition but the first only some scenes, in rotation.
    only : frozenset of str
        Scenarios, conditions, or both, that are wanted; where one kind is not named, all of it.

    Raises
    ------
    ValueError
        A name in ``only`` is neither.
    """
    scenarios = frozenset(scene.scenario for scene in SCENES)
    conditions = frozenset(condition.name for condition in CONDITIONS)
    if only - scenarios - conditions:
        known = ", ".join([*sorted(scenarios), *sorted(conditions)])
        raise ValueError(f"{', '.join(sorted(only - scenarios - conditions))}: choose from {known}")
    rotate = quick and not only
    return [
        Job(scene=sized, condition=condition, seed=SEEDS[seeds] + k, target=TARGETS[k % 3])
        for number, condition in enumerate(CONDITIONS)
        for place, scene in enumerate(SCENES)
        if condition.name in (only & conditions or conditions)
        and scene.scenario in (only & scenarios or scenarios)
        and (sized := _sized(scene, condition, quick))
        for k in _take_numbers(number, place, sized, condition, rotate=rotate)
    ]


def _sized(scene: Scene, condition: Condition, quick: bool) -> Scene:
    if scene.scenario != "quiet":
        return scene
    if condition.is_plain:
        return replace(scene, n_frames=2000 if quick else QUIET_FRAMES)
    return replace(scene, n_frames=600) if quick else scene


def _take_numbers(
    number: int, place: int, scene: Scene, condition: Condition, *, rotate: bool
) -> range:
    """Numbers of the takes of a scene in a condition; their targets are in rotation."""
    if scene.scenario == "quiet":
        return range(int("event_frames" not in condition.changes))
    first = (number + place) % 3
    if not rotate and not condition.disturbances:
        return range(6 if number == 0 else 3)
    if not rotate:
        return range(first, first + 2)
    if number == 0:
        return range(place % 3, place % 3 + 1)
    turns = (0,) if condition.disturbances or condition.changes else (0, 3)
    return range(first, first + int((number + place) % (len(SCENES) - 1) in turns))
