"""A take: the frames of a scenario, seen by a sensor, with its disturbances.

Frame ``t`` depends on the settings and on ``t`` alone, so that frames may be asked for in
any order, in any process; nothing grows with the length of the take.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from functools import cached_property

import numpy as np

from sample_generators.disturb import (
    Disturbance,
    Order,
    Overlay,
    PixelNoise,
    RollingShutter,
    RowNoise,
    Run,
    Stage,
    TakeFacts,
)
from sample_generators.errors import SampleError
from sample_generators.scenarios import Scenario, Subject, find_subject
from sample_generators.scenarios.base import Plan
from sample_generators.sensor import Picture, Pixels, Sensor
from sample_generators.settings import TakeSettings
from sample_generators.truth import Truth, measure_events, renumbered


class Take:
    """An invented take; iterate over it for its frames.

    Attributes
    ----------
    settings : TakeSettings
        As asked for.
    subject : Subject
        The kind of scenario.
    capture_rate : Fraction
        Frames per second of real time.
    sensor : Sensor
        The noise.
    scenario : Scenario
        The scene without noise or disturbances.
    """

    def __init__(
        self, subject: Subject, settings: TakeSettings, scenario: Scenario, plan: Plan
    ) -> None:
        self.subject = subject
        self.settings = settings
        self.scenario = scenario
        self.sensor: Sensor = settings.make_sensor()
        self.capture_rate: Fraction = plan.capture_rate
        self._starts = plan.starts
        rows, cols = self.shape
        facts = TakeFacts(
            shape=(rows, cols),
            n_frames=settings.n_frames,
            capture_rate=float(plan.capture_rate),
            exposure_s=plan.exposure_s,
            full_well_e=self.sensor.full_well_e,
            full_scale_dn=self.sensor.full_scale,
            seed=settings.seed,
            starts=plan.starts,
        )
        self._order = Order(settings.disturbances, facts)
        overlays = [d for d in settings.disturbances if isinstance(d, Overlay)]
        self._covered = [w for overlay in overlays for w in overlay.covered((rows, cols))]
        self._noise_stream = int(facts.rng("noise").integers(2**62))
        self._shutter = _shutter(settings.disturbances)
        self._runs = {stage: _started(settings.disturbances, stage, facts) for stage in Stage}

    @property
    def name(self) -> str:
        """The scenario's name."""
        return self.subject.name

    @property
    def shape(self) -> tuple[int, int]:
        """``(rows, cols)``."""
        return self.settings.rows, self.settings.cols

    @property
    def bit_depth(self) -> int:
        """Significant bits per pixel."""
        return self.sensor.bit_depth

    def __len__(self) -> int:
        return self.settings.n_frames

    def __iter__(self) -> Iterator[Pixels]:
        return (self.frame(t) for t in range(len(self)))

    def picture(self, t: int, without: int | None = None) -> Picture:
        """Return the noiseless, undisturbed picture of the camera's frame ``t``.

        That is the take's frame ``t`` as long as no frame got lost before it.  ``without`` is
        the number of a happening to leave out.  Not to be changed.
        """
        this = self.scenario.render(t, without)
        if self._shutter is None:
            return this
        return self._shutter.rolled(this, self.scenario.render(t + 1, without))

    def frame(self, t: int) -> Pixels:
        """Return frame ``t``: shape (rows, cols), uint8 up to 8 bits, else uint16."""
        if not 0 <= t < len(self):
            raise SampleError(f"frame {t}: the take has frames 0 to {len(self) - 1}")
        t = self._order.source(t)
        electrons = self._disturbed(t, None) * np.float32(self.sensor.full_well_e)
        for run in self._runs[Stage.ELECTRONS]:
            electrons = run(electrons, t)
        rng = np.random.Generator(np.random.SFC64([self._noise_stream, t]))
        pixels = self.sensor.expose(electrons, rng)
        for run in self._runs[Stage.BURN]:
            pixels = run(pixels, t)
        return pixels

    def seen(self, t: int, without: int | None = None) -> Picture:
        """Return `picture` in the light and through the weather of the camera's frame ``t``,
        0 where something is burnt in: what an event can be seen by, but for the noise.
        """
        picture = self._disturbed(t, without)
        if self._covered and not picture.flags.writeable:
            picture = picture.copy()
        for window in self._covered:
            picture[window] = 0
        return picture

    def _disturbed(self, t: int, without: int | None) -> Picture:
        picture = self.picture(t, without)
        if self._runs[Stage.PICTURE]:
            picture = picture.copy()
        for run in self._runs[Stage.PICTURE]:
            picture = run(picture, t)
        return picture

    def variance_dn2(self, picture: Picture) -> Picture:
        """Return the temporal noise of a noiseless picture, row and pixel noise included."""
        noisy = (RowNoise, PixelNoise)
        sigmas = [d.sigma_e for d in self.settings.disturbances if isinstance(d, noisy)]
        added = sum((self.sensor.gain * sigma_e) ** 2 for sigma_e in sigmas)
        return self.sensor.variance_dn2(picture) + np.float32(added)

    @cached_property
    def truth(self) -> Truth:
        """What truly happens; measured when first asked for, without noise.

        When it happens is measured on the undisturbed pictures, how visible it is on those
        `seen`.
        """
        order = self._order
        events = measure_events(
            self.scenario,
            self.picture,
            self.seen,
            order.source(len(self) - 1) + 1,
            float(self.capture_rate),
            self.variance_dn2,
            self.sensor.gain * self.sensor.full_well_e,
        )
        events = renumbered(events, order, len(self))
        rows, cols = self.shape
        # The contact that fires the lamp is what such a camera calls time zero.
        trigger = int(self._starts[0]) if self.name == "impact" and self._starts else None
        if trigger is not None:
            trigger = order.first_at(trigger, len(self) - 1)
        return Truth(
            scenario=self.name,
            seed=self.settings.seed,
            n_frames=len(self),
            rows=rows,
            cols=cols,
            bit_depth=self.bit_depth,
            capture_rate=self.capture_rate,
            trigger_frame=trigger,
            disturbances=tuple(repr(d) for d in self.settings.disturbances),
            events=events,
            copies=tuple(int(t) for t in order.copies),
        )


def _shutter(disturbances: tuple[Disturbance, ...]) -> RollingShutter | None:
    found = [d for d in disturbances if isinstance(d, RollingShutter)]
    if len(found) > 1:
        raise SampleError("a take has one rolling shutter; give it once")
    return found[0] if found else None


def _started(
    disturbances: tuple[Disturbance, ...], stage: Stage, facts: TakeFacts
) -> tuple[Run, ...]:
    chosen = (d for d in disturbances if d.stage is stage and not isinstance(d, RollingShutter))
    return tuple(disturbance.start(facts) for disturbance in chosen)


def make_take(scenario: str, settings: TakeSettings | None = None) -> Take:
    """Return an invented take.

    Parameters
    ----------
    scenario : str
        A name from `sample_generators.NAMES`.
    settings : TakeSettings, optional
        Size, length, noise, events and disturbances.

    Raises
    ------
    SampleError
        The settings cannot be met; one line with the cure.
    """
    settings = settings or TakeSettings()
    subject = find_subject(scenario)
    plan = subject.plan(settings)
    return Take(subject, settings, subject.build(plan), plan)
