"""Invented takes with known truth, rendered from physics.

Nothing in them is real.  A take is a stream of frames that follows from its seed:

>>> from sample_generators import TakeSettings, make_take
>>> take = make_take("release", TakeSettings(n_frames=200, event_frames=(50,), seed=7))
>>> take.frame(60).shape
(240, 320)
>>> take.truth.events[0].onset
50
"""

from sample_generators import disturb
from sample_generators.errors import SampleError
from sample_generators.night import demo_night, demo_take, write_night
from sample_generators.scenarios import NAMES, Scenario
from sample_generators.sensor import Sensor
from sample_generators.settings import TakeSettings
from sample_generators.take import Take, make_take
from sample_generators.truth import TrueEvent, TruePart, Truth
from sample_generators.write import FORMATS, Quality, write_take

__all__ = [
    "FORMATS",
    "NAMES",
    "Quality",
    "SampleError",
    "Scenario",
    "Sensor",
    "Take",
    "TakeSettings",
    "TrueEvent",
    "TruePart",
    "Truth",
    "demo_night",
    "demo_take",
    "disturb",
    "make_take",
    "write_night",
    "write_take",
]
