"""The formulas of the plan, each with its source.

Handbook values that they are held against are in the tests, with their sources beside them.
"""

from __future__ import annotations

import math

from flashpan.planner.quantities import Number
from flashpan.planner.rules import Rule, exact

_BY_DEFINITION = "by definition"
_THIN_LENS = "thin lens, textbook optics (from memory)"
_DEPTH = "depth of field of a thin lens, textbook optics, as in published calculators"
_MACHINE_VISION = "handbook formula of machine vision"
_PRACTICE = "common practice, no source"
_RIPPLE = "a lamp on the mains ripples at twice its frequency; textbook"


def _ceil(value: Number) -> Number:
    return exact(math.ceil(value))


def _floor(value: Number) -> Number:
    return exact(math.floor(value))


def _loss(ratio: Number) -> float:
    return math.log2(ratio)


MEMORY = (
    Rule(
        "stored_bits",
        ("bit_depth",),
        lambda depth: depth,
        "packed: no more bits than the depth",
        _PRACTICE,
        only_else=True,
    ),
    Rule(
        "frame_bytes",
        ("width", "height", "stored_bits"),
        lambda width, height, bits: _ceil(width * height * bits / 8),
        "width × height × bits stored / 8",
        _BY_DEFINITION,
    ),
    Rule(
        "frames",
        ("memory", "frame_bytes"),
        lambda memory, frame: _floor(memory / frame),
        "memory / bytes a frame, whole frames",
        _BY_DEFINITION,
    ),
    Rule(
        "frames",
        ("record_time", "capture_rate"),
        lambda time, rate: _ceil(time * rate),
        "record time × capture rate, whole frames",
        _BY_DEFINITION,
        only_else=True,
    ),
    Rule(
        "record_s",
        ("frames", "capture_rate"),
        lambda frames, rate: frames / rate,
        "frames / capture rate",
        _BY_DEFINITION,
    ),
    Rule(
        "take_bytes",
        ("frames", "frame_bytes"),
        lambda frames, frame: frames * frame,
        "frames × bytes a frame",
        _BY_DEFINITION,
    ),
    Rule(
        "memory_needed",
        ("record_time", "capture_rate", "frame_bytes"),
        lambda time, rate, frame: _ceil(time * rate) * frame,
        "record time × capture rate, whole frames, × bytes a frame",
        _BY_DEFINITION,
    ),
    Rule(
        "highest_rate",
        ("memory", "frame_bytes", "record_time"),
        lambda memory, frame, time: _floor(memory / frame) / time,
        "frames in memory / record time",
        _BY_DEFINITION,
    ),
    Rule(
        "data_rate",
        ("frame_bytes", "capture_rate"),
        lambda frame, rate: frame * rate,
        "bytes a frame × capture rate",
        _BY_DEFINITION,
    ),
    Rule(
        "save_s",
        ("take_bytes", "link"),
        lambda size, link: size / link,
        "bytes / speed of the link",
        _BY_DEFINITION,
    ),
)

PLAYBACK = (
    Rule(
        "stretch",
        ("capture_rate", "playback_rate"),
        lambda capture, playback: capture / playback,
        "capture rate / playback rate",
        _BY_DEFINITION,
    ),
    Rule(
        "playback_s",
        ("frames", "playback_rate"),
        lambda frames, rate: frames / rate,
        "frames / playback rate",
        _BY_DEFINITION,
    ),
    Rule(
        "event_screen_s",
        ("event", "stretch"),
        lambda event, stretch: event * stretch,
        "event × capture rate / playback rate",
        _BY_DEFINITION,
    ),
    Rule(
        "frames_in_event",
        ("event", "capture_rate"),
        lambda event, rate: _floor(event * rate),
        "event × capture rate: as many at least, whatever the phase",
        _BY_DEFINITION,
    ),
    Rule(
        "event_rate",
        ("event_frames", "event"),
        lambda frames, event: frames / event,
        "frames asked for / event",
        _BY_DEFINITION,
    ),
)

LIGHT = (
    Rule(
        "exposure",
        ("shutter_angle", "capture_rate"),
        lambda angle, rate: angle / 360 / rate,
        "shutter angle / 360° / capture rate",
        "definition of the shutter angle",
    ),
    Rule(
        "shutter_angle",
        ("exposure", "capture_rate"),
        lambda exposure, rate: 360 * exposure * rate,
        "360° × exposure × capture rate",
        "definition of the shutter angle",
    ),
    Rule(
        "exposure_loss",
        ("reference_exposure", "exposure"),
        lambda reference, exposure: _loss(reference / exposure),
        "log2(reference exposure / exposure)",
        "a stop is a factor of two",
    ),
    Rule(
        "aperture_loss",
        ("reference_aperture", "aperture"),
        lambda reference, aperture: 2 * _loss(aperture / reference),
        "2 × log2(f-number / reference f-number)",
        "light goes by the square of the f-number; textbook optics",
    ),
    Rule(
        "macro_loss",
        ("magnification",),
        lambda magnification: 2 * _loss(1 + magnification),
        "2 × log2(1 + magnification), for a lens that is symmetrical",
        _THIN_LENS,
    ),
)

MOTION = (
    Rule(
        "object_pixel",
        ("field_width", "width"),
        lambda field, width: field / width,
        "field width / pixels across",
        _BY_DEFINITION,
    ),
    Rule(
        "object_pixel",
        ("pixel_size", "magnification"),
        lambda pixel, magnification: pixel / magnification,
        "pixel on the sensor / magnification",
        "definition of the magnification",
    ),
    Rule(
        "field_width",
        ("object_pixel", "width"),
        lambda pixel, width: pixel * width,
        "what a pixel shows × pixels across",
        _BY_DEFINITION,
    ),
    Rule(
        "magnification",
        ("pixel_size", "object_pixel"),
        lambda pixel, shown: pixel / shown,
        "pixel on the sensor / what it shows",
        "definition of the magnification",
    ),
    Rule(
        "blur",
        ("speed", "exposure"),
        lambda speed, exposure: speed * exposure,
        "speed × exposure",
        _MACHINE_VISION,
    ),
    Rule(
        "blur_px",
        ("blur", "object_pixel"),
        lambda blur, pixel: blur / pixel,
        "blur / what a pixel shows",
        _MACHINE_VISION,
    ),
    Rule(
        "longest_exposure",
        ("max_blur", "object_pixel", "speed"),
        lambda blur, pixel, speed: blur * pixel / speed,
        "blur allowed × what a pixel shows / speed",
        _MACHINE_VISION,
    ),
    Rule(
        "step_px",
        ("speed", "capture_rate", "object_pixel"),
        lambda speed, rate, pixel: speed / rate / pixel,
        "speed / capture rate / what a pixel shows",
        _BY_DEFINITION,
    ),
    Rule(
        "crossing_frames",
        ("capture_rate", "field_width", "speed"),
        lambda rate, field, speed: _floor(rate * field / speed),
        "capture rate × field width / speed: as many at least",
        _BY_DEFINITION,
    ),
    Rule(
        "across_rate",
        ("frames_across", "speed", "field_width"),
        lambda frames, speed, field: frames * speed / field,
        "frames across × speed / field width",
        _BY_DEFINITION,
    ),
)

OPTICS = (
    Rule(
        "magnification",
        ("focal_length", "distance"),
        lambda focal, distance: focal / (distance - focal),
        "f / (s - f)",
        _THIN_LENS,
    ),
    Rule(
        "distance",
        ("focal_length", "magnification"),
        lambda focal, magnification: focal * (1 + 1 / magnification),
        "f × (1 + 1 / magnification)",
        _THIN_LENS,
    ),
    Rule(
        "circle",
        ("pixel_size",),
        lambda pixel: 2 * pixel,
        "two pixels on the sensor",
        _PRACTICE,
        only_else=True,
    ),
    Rule(
        "hyperfocal",
        ("focal_length", "aperture", "circle"),
        lambda focal, aperture, circle: focal**2 / (aperture * circle) + focal,
        "H = f² / (N c) + f",
        _DEPTH,
    ),
    Rule(
        "near",
        ("hyperfocal", "distance", "focal_length"),
        lambda far, distance, focal: distance * (far - focal) / (far + distance - 2 * focal),
        "s (H - f) / (H + s - 2 f)",
        _DEPTH,
    ),
    Rule(
        "far",
        ("hyperfocal", "distance", "focal_length"),
        lambda far, s, focal: s * (far - focal) / (far - s) if s < far else math.inf,
        "s (H - f) / (H - s); infinity from H on",
        _DEPTH,
    ),
    Rule("depth", ("near", "far"), lambda near, far: far - near, "far - near", _DEPTH),
    Rule(
        "depth",
        ("magnification", "aperture", "circle"),
        lambda m, aperture, circle: 2 * aperture * circle * (1 + m) / m**2,
        "2 N c (1 + m) / m², close up",
        _THIN_LENS,
        only_else=True,
    ),
)

TRIGGER = (
    Rule(
        "before_trigger_s",
        ("trigger", "record_s"),
        lambda share, time: share * time,
        "share before the trigger × record time",
        _BY_DEFINITION,
    ),
    Rule(
        "after_trigger_s",
        ("trigger", "record_s"),
        lambda share, time: (1 - share) * time,
        "share after the trigger × record time",
        _BY_DEFINITION,
    ),
    Rule(
        "least_before",
        ("uncertainty", "record_s"),
        lambda doubt, time: doubt / time,
        "uncertainty / record time: the event may begin so long before the trigger",
        _BY_DEFINITION,
    ),
    Rule(
        "most_before",
        ("uncertainty", "event", "record_s"),
        lambda doubt, event, time: 1 - (doubt + event) / time,
        "1 - (uncertainty + event) / record time: it may end so long after the trigger",
        _BY_DEFINITION,
    ),
    Rule(
        "best_before",
        ("least_before", "most_before"),
        lambda least, most: (least + most) / 2,
        "half way between least and most: as much to spare before as after",
        _BY_DEFINITION,
    ),
    Rule(
        "best_frames",
        ("best_before", "frames"),
        lambda share, frames: _floor(share * frames),
        "trigger split × frames, whole frames",
        _BY_DEFINITION,
    ),
)


def _alias(light: Number, rate: Number) -> Number:
    return abs(light - round(light / rate) * rate)


FLICKER = (
    Rule("light_rate", ("mains",), lambda mains: 2 * mains, "2 × mains frequency", _RIPPLE),
    Rule(
        "ripple_frames",
        ("capture_rate", "light_rate"),
        lambda rate, light: rate / light,
        "capture rate / ripple",
        _BY_DEFINITION,
    ),
    Rule(
        "ripple_seen",
        ("light_rate", "exposure"),
        lambda light, exposure: abs(_sinc(float(light * exposure))),
        "|sin(π f t) / (π f t)|: what an exposure t leaves of a ripple f",
        "mean of a sine over the exposure; textbook",
    ),
    Rule(
        "ripple_on_screen",
        ("light_rate", "capture_rate", "playback_rate"),
        lambda light, rate, playback: _alias(light, rate) / rate * playback,
        "the ripple as sampled by the capture rate, × playback rate / capture rate",
        "sampling theorem",
    ),
)


def _sinc(x: float) -> float:
    return math.sin(math.pi * x) / (math.pi * x) if x else 1.0


RULES = (*MEMORY, *PLAYBACK, *LIGHT, *MOTION, *OPTICS, *TRIGGER, *FLICKER)
"""Those that are tried until nothing new comes of them."""

LOSSES = ("exposure_loss", "aperture_loss", "macro_loss")


def total_loss(names: tuple[str, ...]) -> Rule:
    """The sum of those losses that are known."""
    return Rule(
        "light_loss",
        names,
        lambda *losses: sum(losses),
        " + ".join(name.replace("_", " ") for name in names),
        "stops add up",
    )
