"""What can be known of a shot that is being planned: names, units, how they are read and shown.

Inside, everything is in SI base units (metres, seconds, bytes, pixels, degrees), as exact
fractions where it was given or is plain arithmetic.  Units have to be said: ``20us`` and
``20ms`` are a thousandfold apart.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

from flashpan.errors import SettingsError, quoted
from flashpan.units import DECIMAL

Number = Fraction | float

_TIME = {
    "s": Fraction(1),
    "ms": Fraction(1, 10**3),
    "us": Fraction(1, 10**6),
    "ns": Fraction(1, 10**9),
    "min": Fraction(60),
    "h": Fraction(3600),
}
# The inch is 25.4 mm exactly, the foot twelve, the mile 5280 feet (international yard and pound).
_INCH = Fraction(254, 10**4)
_LENGTH = {
    "m": Fraction(1),
    "km": Fraction(10**3),
    "cm": Fraction(1, 10**2),
    "mm": Fraction(1, 10**3),
    "um": Fraction(1, 10**6),
    "nm": Fraction(1, 10**9),
    "in": _INCH,
    "ft": 12 * _INCH,
}
_SPEED = {
    **{f"{length}/s": size for length, size in _LENGTH.items()},
    "km/h": Fraction(10**3, 3600),
    "mph": 5280 * 12 * _INCH / 3600,
}
_DECIMAL_PREFIXES = {"": 0, "k": 1, "m": 2, "g": 3, "t": 4}
_BYTES = {
    **{f"{prefix}b": Fraction(10 ** (3 * power)) for prefix, power in _DECIMAL_PREFIXES.items()},
    **{f"{p}ib": Fraction(2 ** (10 * power)) for p, power in _DECIMAL_PREFIXES.items() if p},
}
_BYTE_RATES = {
    **{f"{unit}/s": size for unit, size in _BYTES.items()},
    **{f"{p}bit/s": Fraction(10 ** (3 * power), 8) for p, power in _DECIMAL_PREFIXES.items()},
}


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of quantity.

    Attributes
    ----------
    name : str
        For error texts: ``a time``.
    units : mapping of str to Fraction
        Size of each unit in the base unit, in small letters.  Where there is the unit ``""``,
        a bare number is taken.
    example : str
        How it may be written.
    """

    name: str
    units: Mapping[str, Fraction]
    example: str


def _kind(name: str, units: Mapping[str, Fraction], example: str) -> Kind:
    return Kind(name, MappingProxyType(dict(units)), example)


_BARE = {"": Fraction(1)}
TIME = _kind("a time", _TIME, "20us, 5ms, 1/48s")
LENGTH = _kind("a length", _LENGTH, "50mm, 1.2m, 20um")
SPEED = _kind("a speed", _SPEED, "800m/s, 50km/h, 500mm/s")
BYTES = _kind("an amount of memory", _BYTES, "72GiB, 288GB")
BYTE_RATE = _kind("a speed of copying", _BYTE_RATES, "1.1GB/s, 10Gbit/s")
RATE = _kind("a rate", {**_BARE, "fps": Fraction(1)}, "100000, 29.97")
FREQUENCY = _kind("a mains frequency", {"hz": Fraction(1)}, "50Hz, 60Hz")
ANGLE = _kind("an angle", {**_BARE, "deg": Fraction(1), "°": Fraction(1)}, "180, 172.8deg")
SHARE = _kind("a share", {"%": Fraction(1, 100)}, "30%")
RATIO = _kind("a ratio", {**_BARE, "x": Fraction(1)}, "0.5, 2x")
APERTURE = _kind("an f-number", _BARE, "8, f/2.8")
COUNT = _kind("a number", _BARE, "20")
PIXELS = _kind("a number of pixels", {**_BARE, "px": Fraction(1)}, "1px, 0.5")
BITS = _kind("a bit depth", {**_BARE, "bit": Fraction(1)}, "8, 12")

_WRITTEN = re.compile(
    rf"({DECIMAL})(?:\s*/\s*({DECIMAL}))?\s*([a-z°%µμ]*(?:/[a-z]+)?)", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that may be known of a shot.

    Attributes
    ----------
    name : str
        As in Python and JSON.
    kind : Kind
    title : str
        In the table.
    """

    name: str
    kind: Kind
    title: str

    @property
    def option(self) -> str:
        """As on the command line."""
        return "--" + self.name.replace("_", "-")


GIVEN = {
    one.name: one
    for one in (
        Quantity("width", COUNT, "width"),
        Quantity("height", COUNT, "height"),
        Quantity("bit_depth", BITS, "bits a pixel"),
        Quantity("stored_bits", BITS, "bits stored a pixel"),
        Quantity("memory", BYTES, "memory"),
        Quantity("capture_rate", RATE, "capture rate"),
        Quantity("playback_rate", RATE, "playback rate"),
        Quantity("exposure", TIME, "exposure"),
        Quantity("shutter_angle", ANGLE, "shutter angle"),
        Quantity("record_time", TIME, "record time"),
        Quantity("link", BYTE_RATE, "link"),
        Quantity("trigger", SHARE, "before the trigger"),
        Quantity("uncertainty", TIME, "uncertainty"),
        Quantity("event", TIME, "event"),
        Quantity("event_frames", COUNT, "frames of the event"),
        Quantity("speed", SPEED, "speed"),
        Quantity("field_width", LENGTH, "field width"),
        Quantity("frames_across", COUNT, "frames across"),
        Quantity("max_blur", PIXELS, "blur allowed"),
        Quantity("magnification", RATIO, "magnification"),
        Quantity("pixel_size", LENGTH, "pixel on the sensor"),
        Quantity("focal_length", LENGTH, "focal length"),
        Quantity("aperture", APERTURE, "aperture"),
        Quantity("circle", LENGTH, "circle of confusion"),
        Quantity("distance", LENGTH, "distance"),
        Quantity("reference_exposure", TIME, "reference exposure"),
        Quantity("reference_aperture", APERTURE, "reference aperture"),
        Quantity("mains", FREQUENCY, "mains"),
    )
}
"""Everything that can be given, by name."""

DERIVED = {
    one.name: one
    for one in (
        Quantity("frame_bytes", BYTES, "bytes a frame"),
        Quantity("frames", COUNT, "frames"),
        Quantity("record_s", TIME, "record time"),
        Quantity("take_bytes", BYTES, "bytes"),
        Quantity("memory_needed", BYTES, "memory needed"),
        Quantity("highest_rate", RATE, "highest rate"),
        Quantity("data_rate", BYTE_RATE, "data rate"),
        Quantity("save_s", TIME, "time to save"),
        Quantity("stretch", RATIO, "slower by"),
        Quantity("playback_s", TIME, "playback length"),
        Quantity("event_screen_s", TIME, "event on screen"),
        Quantity("frames_in_event", COUNT, "frames of the event"),
        Quantity("event_rate", RATE, "lowest rate"),
        Quantity("object_pixel", LENGTH, "one pixel shows"),
        Quantity("blur", LENGTH, "motion blur"),
        Quantity("blur_px", PIXELS, "motion blur"),
        Quantity("longest_exposure", TIME, "longest exposure"),
        Quantity("step_px", PIXELS, "step from frame to frame"),
        Quantity("crossing_frames", COUNT, "frames while it crosses"),
        Quantity("across_rate", RATE, "lowest rate"),
        Quantity("exposure_loss", COUNT, "loss by exposure"),
        Quantity("aperture_loss", COUNT, "loss by aperture"),
        Quantity("macro_loss", COUNT, "loss by magnification"),
        Quantity("light_loss", COUNT, "light lost"),
        Quantity("hyperfocal", LENGTH, "hyperfocal distance"),
        Quantity("near", LENGTH, "sharp from"),
        Quantity("far", LENGTH, "sharp to"),
        Quantity("depth", LENGTH, "depth of field"),
        Quantity("before_trigger_s", TIME, "before the trigger"),
        Quantity("after_trigger_s", TIME, "after the trigger"),
        Quantity("least_before", SHARE, "least before"),
        Quantity("most_before", SHARE, "most before"),
        Quantity("best_before", SHARE, "trigger split"),
        Quantity("best_frames", COUNT, "frames before it"),
        Quantity("light_rate", FREQUENCY, "light ripples at"),
        Quantity("ripple_frames", COUNT, "frames per ripple"),
        Quantity("ripple_seen", SHARE, "ripple seen"),
        Quantity("ripple_on_screen", FREQUENCY, "ripple on screen"),
    )
}
"""Everything that formulas give beside those, by name."""

ALL = GIVEN | DERIVED

_MAY_BE_ZERO = frozenset({"trigger", "uncertainty"})


def read_quantity(quantity: Quantity, text: str) -> Fraction:
    """Read what somebody wrote for a quantity; exact.

    Raises
    ------
    SettingsError
        No number, no unit or a wrong one, not above zero.
    """
    written = text.strip()
    if quantity.kind is APERTURE:
        written = re.sub(r"^[fF]\s*/?\s*", "", written)
    match = _WRITTEN.fullmatch(written)
    unit = match[3].casefold().replace("μ", "u") if match else ""
    size = quantity.kind.units.get(unit)
    if match is None or size is None or (match[2] and not Fraction(match[2])):
        said = f"{quantity.option} {quoted(text)} is no {quantity.kind.name.partition(' ')[2]}"
        raise SettingsError(f"{said}; write it as {quantity.kind.example}")
    value = Fraction(match[1]) / Fraction(match[2] or 1) * size
    if not value and quantity.name not in _MAY_BE_ZERO:
        raise SettingsError(f"{quantity.option} {text!r} must be above zero")
    return value
