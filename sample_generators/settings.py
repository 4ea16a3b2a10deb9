"""What a take is asked to be: the options that all scenarios share."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from sample_generators.disturb import Disturbance
from sample_generators.errors import SampleError
from sample_generators.sensor import Sensor

BACKGROUNDS = ("dark", "lit", "textured")
PLAYBACK_RATE = Fraction(25)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeSettings:
    """Options of a take; ``None`` leaves the choice to the scenario.

    Attributes
    ----------
    rows, cols : int
        Picture size in pixels, at least 48 by 64.
    n_frames : int
        Length of the take.
    capture_rate : Fraction or None
        Frames per second of real time.
    exposure_s : float or None
        Exposure per frame in seconds; ``None`` is the whole frame interval.
    bit_depth : int
        8, 10, 12 or 16; ``sensor`` wins where given.
    seed : int
        Everything drawn at random follows from it.
    event_frames : tuple of int or None
        Frames at which the events start (`impact`: the contact); ``None`` draws
        ``n_events`` frames from the seed.
    contrast : float
        Factor on the usual brightness or contrast of the event.
    background : {"dark", "lit", "textured"} or None
        The still picture behind the event.
    level : float or None
        Mean level of that picture as a fraction of full scale.
    size_px : float or None
        Across the thing that happens, in scenarios whose thing has no size of its own.
    event_length : int or None
        Frames that an event lasts, in scenarios where that is free; 0 is to the take's end.
    sensor : Sensor or None
        The noise; ``None`` is `Sensor.usual`.
    exact_noise : bool
        Draw Poisson noise instead of the normal approximation.
    disturbances : tuple of Disturbance
        What disturbs the take, each alone or combined.
    """

    rows: int = 240
    cols: int = 320
    n_frames: int = 2000
    capture_rate: Fraction | None = None
    exposure_s: float | None = None
    bit_depth: int = 8
    seed: int = 0
    event_frames: tuple[int, ...] | None = None
    n_events: int = 1
    contrast: float = 1.0
    background: str | None = None
    level: float | None = None
    size_px: float | None = None
    event_length: int | None = None
    sensor: Sensor | None = None
    exact_noise: bool = False
    disturbances: tuple[Disturbance, ...] = ()

    def __post_init__(self) -> None:
        if self.rows < 48 or self.cols < 64:
            raise SampleError(f"size {self.cols}x{self.rows}: at least 64x48 pixels are needed")
        if self.n_frames < 1:
            raise SampleError(f"{self.n_frames} frames: a take has at least 1")
        if self.capture_rate is not None and self.capture_rate <= 0:
            raise SampleError(f"capture rate {self.capture_rate}: must be above 0")
        if self.background is not None and self.background not in BACKGROUNDS:
            choices = ", ".join(BACKGROUNDS)
            raise SampleError(f"background {self.background!r}: choose one of {choices}")
        self._check_events()

    def _check_events(self) -> None:
        for frame in self.event_frames or ():
            if not 0 <= frame < self.n_frames:
                raise SampleError(f"event frame {frame}: give 0 to {self.n_frames - 1}")
        if self.n_events < 0:
            raise SampleError(f"{self.n_events} events: give 0 or more")
        if self.size_px is not None and self.size_px <= 0:
            raise SampleError(f"size {self.size_px}: must be above 0 pixels")
        if self.event_length is not None and self.event_length < 0:
            raise SampleError(f"event length {self.event_length}: give 0 frames or more")

    def make_sensor(self) -> Sensor:
        """Return the sensor given, or the usual one at this bit depth."""
        return self.sensor or Sensor.usual(self.bit_depth, exact=self.exact_noise)
