"""Disturbances of a take, one idea per module; see `Disturbance`."""

from sample_generators.disturb.base import Disturbance, Run, Stage, TakeFacts
from sample_generators.disturb.counter import Clock, Counter
from sample_generators.disturb.electronics import BlinkingPixels, FixedPattern, HotPixels, RowNoise
from sample_generators.disturb.light import Cloud, Dusk, Flicker, Warming
from sample_generators.disturb.movement import Foliage, Rain, Sway
from sample_generators.disturb.noise import PixelNoise
from sample_generators.disturb.overlay import Letterbox, Logo, Overlay
from sample_generators.disturb.passer import Bystander
from sample_generators.disturb.shock import Smoke, Vibration
from sample_generators.disturb.shutter import RollingShutter
from sample_generators.disturb.transport import Drops, Order, Repeats, Transport
from sample_generators.disturb.weather import Snow, Water

__all__ = [
    "BlinkingPixels",
    "Bystander",
    "Clock",
    "Cloud",
    "Counter",
    "Disturbance",
    "Drops",
    "Dusk",
    "FixedPattern",
    "Flicker",
    "Foliage",
    "HotPixels",
    "Letterbox",
    "Logo",
    "Order",
    "Overlay",
    "PixelNoise",
    "Rain",
    "Repeats",
    "RollingShutter",
    "RowNoise",
    "Run",
    "Smoke",
    "Snow",
    "Stage",
    "Sway",
    "TakeFacts",
    "Transport",
    "Vibration",
    "Warming",
    "Water",
]
