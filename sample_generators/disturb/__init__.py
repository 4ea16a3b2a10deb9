"""Disturbances of a take, one idea per module; see `Disturbance`."""

from sample_generators.disturb.base import Disturbance, Run, Stage, TakeFacts
from sample_generators.disturb.counter import Counter
from sample_generators.disturb.electronics import BlinkingPixels, FixedPattern, HotPixels, RowNoise
from sample_generators.disturb.light import Cloud, Dusk, Flicker
from sample_generators.disturb.movement import Foliage, Rain, Sway
from sample_generators.disturb.shutter import RollingShutter

__all__ = [
    "BlinkingPixels",
    "Cloud",
    "Counter",
    "Disturbance",
    "Dusk",
    "FixedPattern",
    "Flicker",
    "Foliage",
    "HotPixels",
    "Rain",
    "RollingShutter",
    "RowNoise",
    "Run",
    "Stage",
    "Sway",
    "TakeFacts",
]
