"""What accuracy is measured on: scenes, conditions, and which seeds are for what.

Add a condition by adding a row to `CONDITIONS`; a scene by adding a row to `SCENES`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

from flashpan.settings import Settings
from flashpan.units import Duration, parse_region
from sample_generators import Quality, Sensor, Take, TakeSettings, disturb, make_take
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
_TWO: dict[str, Any] = {"n_events": 2, "gap": 30, "pre_roll": 30, "post_roll": 50}
# storm and impact have flashpan's default gap and rolls: 600, 60, 100 and 300, 30, 50 frames.
SCENES = (
    Scene(scenario="storm", n_frames=1500, capture_rate=2_000),
    Scene(scenario="pane", n_frames=900, capture_rate=50_000, **_SHORT),
    Scene(scenario="balloon", n_frames=1000, capture_rate=10_000, **_SHORT),
    Scene(scenario="drop", n_frames=1400, capture_rate=5_000, **_SHORT),
    Scene(scenario="spark", n_frames=900, capture_rate=20_000, **_SHORT),
    Scene(scenario="impact", n_frames=800, capture_rate=1_000),
    Scene(scenario="release", n_frames=1200, capture_rate=1_000, n_events=3, gap=30),
    Scene(scenario="pellet", n_frames=900, capture_rate=10_000, **_TWO),
    Scene(scenario="lamp", n_frames=900, capture_rate=5_000, **_TWO),
    Scene(scenario="dimming", n_frames=900, capture_rate=2_000, **_TWO),
    Scene(scenario="appear", n_frames=900, capture_rate=5_000, **_TWO),
    Scene(scenario="quiet", n_frames=1500, capture_rate=5_000),
)
BY_FRAME = ("pellet", "lamp", "dimming", "appear")
"""Scenarios whose events are as long in frames at any capture rate."""
QUICK_FRAMES = 400
"""Length of their takes in a quick run."""
QUIET_FRAMES = 20_000
"""Length of the quiet takes of plain sensor noise, one take per bit depth."""
SCENES_EACH = 4
"""Scenes with events that a condition is measured on, in rotation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """What a take is seen through.

    Attributes
    ----------
    name : str
        For tables and ``--only``.
    moves : bool
        Its background moves, so that more false events are accepted.
    bit_depth : int
        Of the sensor.
    disturbances : tuple of Disturbance
        See `sample_generators.disturb`.
    form : str or None
        File format to go through; None hands the frames over in memory.
    quality : Quality
        What a lossy codec may lose.
    changes : mapping
        Other `TakeSettings` to change; event frames below 0 count from the take's end.
    scene : mapping
        What to change of a `Scene`.
    search : mapping
        Other settings that the search is given.
    scenarios : tuple of str
        Scenes in which it means something; empty is all of them.
    n_takes : int
        Takes with events, where not each scene is measured.
    """

    name: str
    moves: bool = False
    bit_depth: int = 8
    disturbances: tuple[Disturbance, ...] = ()
    form: str | None = None
    quality: Quality = field(default_factory=Quality)
    changes: Mapping[str, Any] = field(default_factory=dict)
    scene: Mapping[str, Any] = field(default_factory=dict)
    search: Mapping[str, Any] = field(default_factory=dict)
    scenarios: tuple[str, ...] = ()
    n_takes: int = SCENES_EACH

    @property
    def is_plain(self) -> bool:
        """True for nothing but the usual sensor noise."""
        return not (self.disturbances or self.form or self.changes or self.scene)

    @property
    def is_lossy(self) -> bool:
        """True where a codec changes the pixels."""
        return self.form not in (None, "ffv1")

    @property
    def has_quiet(self) -> bool:
        """True where a take in which nothing happens tells something."""
        return not {"event_frames", "event_length", "size_px", "n_events"} & set(self.changes)


def _flicker(hz: float, depth: float, **other: Any) -> disturb.Flicker:
    return disturb.Flicker(frequency=hz, depth=depth, harmonics=(1.0, 0.2), **other)


def _moving(name: str, *disturbances: Disturbance, **other: Any) -> Condition:
    return Condition(name=name, moves=True, disturbances=disturbances, **other)


def _periodic(name: str, hz: int, rate: int, **other: Any) -> Condition:
    """Flicker of ``rate / hz`` frames a period, in scenes that are the same at any rate."""
    scene = {"capture_rate": rate, **_TWO, **other.pop("scene", {})}
    lamps = (_flicker(hz, 0.2),)
    return Condition(name=name, disturbances=lamps, scene=scene, scenarios=BY_FRAME, **other)


def _frames_at(name: str, *frames: int, **other: Any) -> Condition:
    changes = {"event_frames": frames, **other.pop("changes", {})}
    return Condition(name=name, changes=changes, **other)


_BEYOND = (*BY_FRAME, "spark")
_BYSTANDER = {"ignore": (parse_region("0,0,20%,100%", "--ignore"),)}
_APART: dict[str, Any] = {"gap": 2, "pre_roll": 2, "post_roll": 2}

NOISE = (
    Condition(name="noise-8"),
    Condition(name="noise-10", bit_depth=10),
    Condition(name="noise-12", bit_depth=12),
    Condition(name="noise-16", bit_depth=16),
    Condition(name="clean-8", changes={"sensor": Sensor.clean(8)}),
    Condition(name="high-gain-8", changes={"sensor": Sensor.high_gain(8)}),
    Condition(name="high-gain-12", bit_depth=12, changes={"sensor": Sensor.high_gain(12)}),
    Condition(name="row-noise", disturbances=(disturb.RowNoise(8.0),)),
    Condition(name="fixed-pattern", disturbances=(disturb.FixedPattern(), disturb.HotPixels(20))),
    Condition(name="blink", disturbances=(disturb.BlinkingPixels(10),)),
    Condition(name="heavy-tails", disturbances=(disturb.PixelNoise(freedom=3.0),)),
    Condition(name="noise-remembers", disturbances=(disturb.PixelNoise(memory_frames=4),)),
)
FLICKER = (
    Condition(name="flicker-2%", disturbances=(_flicker(100, 0.02),)),
    Condition(name="flicker-20%", disturbances=(_flicker(100, 0.2),)),
    Condition(name="flicker-100%", disturbances=(_flicker(100, 1.0),)),
    Condition(name="flicker-2-phase", disturbances=(_flicker(120, 0.1, two_phases=True),)),
    Condition(name="flicker-100%-2-phase", disturbances=(_flicker(120, 1.0, two_phases=True),)),
    Condition(
        name="flicker-drifts",
        disturbances=(_flicker(100, 0.3, depth_drift=-0.3, frequency_drift=0.001),),
    ),
    _periodic("flicker-5f", 100, 500),
    _periodic("flicker-8.33f", 120, 1_000),
    _periodic("flicker-50f", 100, 5_000),
    _periodic("flicker-500f", 100, 50_000, scene={"n_frames": 1500}, n_takes=3),
    _periodic("flicker-2000f", 100, 200_000, scene={"n_frames": 4400}, n_takes=2),
)
SLOW = (
    Condition(name="dusk", disturbances=(disturb.Dusk(-0.3),)),
    Condition(name="cloud", disturbances=(disturb.Cloud(depth=0.25),)),
    Condition(name="warming", disturbances=(disturb.Warming(),)),
    Condition(name="smoke", disturbances=(disturb.Smoke(),)),
)
MOVING = (
    _moving("rain", disturb.Rain(12)),
    _moving("snow", disturb.Snow()),
    _moving("foliage", disturb.Foliage()),
    _moving("water", disturb.Water()),
    _moving("sway-0.2px", disturb.Sway(0.2)),
    _moving("sway-0.5px", disturb.Sway(0.5)),
    _moving("sway-2px", disturb.Sway(2.0)),
    _moving("sway-3px", disturb.Sway(3.0)),
    _moving("vibration-1px", disturb.Vibration(amplitude_px=1.0)),
    _moving("vibration-3px", disturb.Vibration(amplitude_px=3.0)),
    _moving("bystander", disturb.Bystander(), search=_BYSTANDER),
)
OVERLAYS = (
    Condition(name="counter", disturbances=(disturb.Counter(),)),
    Condition(name="counter-24px", disturbances=(disturb.Counter(digit_rows=24),)),
    Condition(name="clock", disturbances=(disturb.Clock(),)),
    Condition(name="logo", disturbances=(disturb.Logo(),)),
    Condition(name="letterbox", disturbances=(disturb.Letterbox(),)),
)
CODECS = (
    Condition(name="ffv1-12", bit_depth=12, form="ffv1"),
    Condition(name="h264-crf18", form="h264", quality=Quality(crf=18, gop=250)),
    Condition(name="h264-crf28", form="h264", quality=Quality(crf=28, gop=250)),
    Condition(name="h264-crf34-b", form="h264", quality=Quality(crf=34, gop=50, b_frames=3)),
    Condition(name="hevc-10", bit_depth=10, form="hevc", quality=Quality(crf=22, gop=250)),
    Condition(name="hevc-crf32", bit_depth=10, form="hevc", quality=Quality(crf=32, gop=120)),
    Condition(name="mpeg4-b", form="mpeg4", quality=Quality(quantiser=8, gop=12, b_frames=2)),
    Condition(name="mpeg4-long", form="mpeg4", quality=Quality(quantiser=10, gop=250)),
    Condition(name="mjpeg", form="mjpeg"),
    Condition(name="repeats", disturbances=(disturb.Repeats(),)),
    Condition(name="drops", disturbances=(disturb.Drops(),)),
)
EVENTS = (
    _frames_at("early", 5, changes={"n_events": 1}),
    # What stays from frame 0 on never changes: there is nothing to find.
    _frames_at("first-frame", 0, changes={"event_length": 3}, scenarios=_BEYOND),
    _frames_at("last-frame", -1, scenarios=_BEYOND),
    _frames_at(
        "back-to-back",
        *(300, 307, 316, 331),
        changes={"event_length": 2},
        scene=_APART,
        scenarios=("lamp", "dimming"),
        n_takes=3,
    ),
    _frames_at("at-once", 300, 300, 301, scenarios=("pellet", "appear", "release"), n_takes=3),
    Condition(name="one-frame", changes={"event_length": 1}, scenarios=BY_FRAME),
    Condition(name="stays", changes={"event_length": 0}, scenarios=BY_FRAME),
    Condition(name="one-pixel", changes={"size_px": 1.0}, scenarios=("pellet",), n_takes=3),
)
SHUTTER = (
    Condition(name="rolling", disturbances=(disturb.RollingShutter(0.5),)),
    Condition(
        name="rolling-band",
        disturbances=(disturb.RollingShutter(0.5, edge=0.6),),
        scenarios=("lamp", "spark", "dimming"),
        n_takes=3,
    ),
)
TOGETHER = (
    _moving(
        "flicker+rain+counter+h264",
        _flicker(100, 0.2),
        disturb.Rain(12),
        disturb.Counter(),
        form="h264",
        quality=Quality(crf=23, gop=250),
    ),
    _moving("sway+dusk-12", disturb.Sway(0.5), disturb.Dusk(-0.3), bit_depth=12),
    _moving(
        "flicker+sway+row-noise-10",
        _flicker(120, 1.0, two_phases=True),
        disturb.Sway(0.2),
        disturb.RowNoise(),
        bit_depth=10,
    ),
    _moving(
        "snow+clock+letterbox+hevc",
        disturb.Snow(),
        disturb.Letterbox(),
        disturb.Clock(),
        bit_depth=10,
        form="hevc",
        quality=Quality(crf=26, gop=250),
    ),
    _moving(
        "water+foliage+blink-16",
        disturb.Water(),
        disturb.Foliage(),
        disturb.BlinkingPixels(),
        bit_depth=16,
    ),
    _moving(
        "vibration+smoke+heavy-tails",
        disturb.Vibration(amplitude_px=2.0),
        disturb.Smoke(),
        disturb.PixelNoise(freedom=3.0),
    ),
    Condition(
        name="flicker+cloud+repeats+logo",
        disturbances=(
            _flicker(100, 0.1),
            disturb.Cloud(depth=0.25),
            disturb.Repeats(),
            disturb.Logo(),
        ),
    ),
)
CONDITIONS = (
    *NOISE,
    *FLICKER,
    *SLOW,
    *MOVING,
    *OVERLAYS,
    *CODECS,
    *EVENTS,
    *SHUTTER,
    *TOGETHER,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One take to be measured; ``target`` is the visibility that it should have.

    ``compares`` is False where other methods and the coded twin are left out.
    """

    scene: Scene
    condition: Condition
    seed: int
    target: float | None
    compares: bool = False

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
        changes = dict(self.condition.changes)
        if "event_frames" in changes:
            changes["event_frames"] = tuple(f % settings.n_frames for f in changes["event_frames"])
        return self._at_target(replace(settings, **changes))

    def settings(self) -> Settings:
        """Return what flashpan is asked for."""
        return replace(self.scene.settings(), **self.condition.search)

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


def plan_jobs(
    seeds: str, *, quick: bool, only: frozenset[str] = frozenset(), compares: bool = False
) -> list[Job]:
    """Return the takes of a run.

    Parameters
    ----------
    seeds : {"tuning", "reporting"}
        See `SEEDS`.
    quick : bool
        Fewer and shorter takes.
    only : frozenset of str
        Scenarios, conditions, or both, that are wanted; where one kind is not named, all of it.
    compares : bool
        Other methods are run on the same frames, and lossy takes coded a second time.

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
    wanted = only & scenarios
    return [
        Job(
            scene=scene,
            condition=condition,
            seed=SEEDS[seeds] + k,
            target=TARGETS[k % 3],
            compares=compares,
        )
        for number, condition in enumerate(CONDITIONS)
        if condition.name in (only & conditions or conditions)
        for scene, k in _takes(number, condition, wanted, quick=quick)
    ]


def _takes(
    number: int, condition: Condition, wanted: frozenset[str], *, quick: bool
) -> Iterator[tuple[Scene, int]]:
    """Yield a condition's scenes and the numbers of their takes."""
    fitting = condition.scenarios or tuple(scene.scenario for scene in SCENES)
    scenes = [replace(scene, **condition.scene) for scene in SCENES if scene.scenario in fitting]
    eventful = [scene for scene in scenes if scene.scenario != "quiet"]
    if wanted:
        named = [scene for scene in eventful if scene.scenario in wanted]
        sized = [_shortened(scene, condition) if quick else scene for scene in named]
        yield from ((scene, k) for scene in sized for k in range(3))
    elif quick:
        yield from _quick_takes(number, condition, eventful)
    elif condition.is_plain:
        takes = range(3 if number == 0 else 1)
        yield from (
            (scene, (number + p + k) % 6) for p, scene in enumerate(eventful) for k in takes
        )
    else:
        yield from _in_rotation(number, eventful, condition.n_takes)
    if condition.has_quiet and (not wanted or "quiet" in wanted):
        yield from ((scene, 0) for scene in _quiet(condition, quick=quick))


def _in_rotation(number: int, scenes: list[Scene], count: int) -> Iterator[tuple[Scene, int]]:
    """Give every condition other scenes, other seeds and all three targets in turn."""
    first = number * SCENES_EACH
    for place in range(first, first + count):
        yield scenes[place % len(scenes)], (place // len(scenes) + place) % 6


def _quick_takes(
    number: int, condition: Condition, scenes: list[Scene]
) -> Iterator[tuple[Scene, int]]:
    """Yield a single short take; of the first condition one of every scene."""
    if number == 0:
        yield from ((scene, place) for place, scene in enumerate(scenes))
        return
    short = [scene for scene in scenes if scene.scenario in BY_FRAME] or scenes
    yield _shortened(short[number % len(short)], condition), number % 3


def _shortened(scene: Scene, condition: Condition) -> Scene:
    """Cut a scene whose events come as early as is asked; others need their whole length."""
    if scene.scenario not in BY_FRAME or "n_frames" in condition.scene:
        return scene
    return replace(scene, n_frames=min(scene.n_frames, QUICK_FRAMES))


def _quiet(condition: Condition, *, quick: bool) -> Iterator[Scene]:
    (scene,) = (scene for scene in SCENES if scene.scenario == "quiet")
    scene = replace(scene, **{**condition.scene, "n_events": 1})
    if quick:
        if condition.is_plain:
            yield replace(scene, n_frames=QUICK_FRAMES)
    elif condition.is_plain:
        yield replace(scene, n_frames=QUIET_FRAMES)
    else:
        yield scene
