"""Command-line words into settings."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from sample_generators.disturb import (
    BlinkingPixels,
    Bystander,
    Clock,
    Cloud,
    Counter,
    Disturbance,
    Drops,
    Dusk,
    FixedPattern,
    Flicker,
    Foliage,
    HotPixels,
    Letterbox,
    Logo,
    PixelNoise,
    Rain,
    Repeats,
    RollingShutter,
    RowNoise,
    Smoke,
    Snow,
    Sway,
    Vibration,
    Warming,
    Water,
)
from sample_generators.errors import SampleError
from sample_generators.settings import BACKGROUNDS, TakeSettings
from sample_generators.write import FORMATS, Quality


def _flicker(text: str) -> Flicker:
    """Read ``HZ:DEPTH`` or ``HZ:DEPTH:two``."""
    words = text.split(":")
    if len(words) not in (2, 3) or words[2:] not in ([], ["two"]):
        raise ValueError
    return Flicker(frequency=float(words[0]), depth=float(words[1]), two_phases=len(words) == 3)


MakeDisturbance = Callable[[str], Disturbance]

WITH_VALUE: dict[str, tuple[str, MakeDisturbance, str]] = {
    "flicker": ("HZ:DEPTH[:two]", _flicker, "lamps on the mains, e.g. 100:0.2; two: two phases"),
    "dusk": ("CHANGE", lambda word: Dusk(float(word)), "slow change of light, e.g. -0.3"),
    "cloud": ("DEPTH", lambda word: Cloud(depth=float(word)), "a slow shadow, e.g. 0.25"),
    "sway": ("PIXELS", lambda word: Sway(float(word)), "a swaying camera, e.g. 0.5"),
    "rain": ("DROPS", lambda word: Rain(int(word)), "falling drops, e.g. 12"),
    "snow": ("FLAKES", lambda word: Snow(flakes=int(word)), "falling flakes, e.g. 30"),
    "vibration": (
        "PIXELS",
        lambda word: Vibration(amplitude_px=float(word)),
        "the camera rings after every event, e.g. 1",
    ),
    "warming": (
        "DEFICIT",
        lambda word: Warming(deficit=float(word)),
        "a lamp that lacks so much at first, e.g. 0.2",
    ),
    "smoke": ("OPACITY", lambda word: Smoke(opacity=float(word)), "hangs after events, e.g. 0.25"),
    "repeats": (
        "FRAMES",
        lambda word: Repeats(mean_frames=float(word)),
        "a frame is the one before, on average every so many, e.g. 200",
    ),
    "drops": (
        "FRAMES",
        lambda word: Drops(mean_frames=float(word)),
        "frames are missing, on average every so many, e.g. 400",
    ),
    "heavy-noise": (
        "FREEDOM",
        lambda word: PixelNoise(freedom=float(word)),
        "pixel noise by Student's law, e.g. 3",
    ),
    "row-noise": ("ELECTRONS", lambda word: RowNoise(float(word)), "noise per row, e.g. 8"),
    "fixed-pattern": (
        "SPREAD",
        lambda word: FixedPattern(float(word)),
        "pixels that respond unequally, e.g. 0.01",
    ),
    "hot": ("COUNT", lambda word: HotPixels(int(word)), "hot pixels, e.g. 20"),
    "blink": ("COUNT", lambda word: BlinkingPixels(int(word)), "blinking pixels, e.g. 10"),
    "rolling-shutter": (
        "PART",
        lambda word: RollingShutter(float(word)),
        "part of a frame interval that the readout takes, e.g. 0.5",
    ),
}
SWITCHES: dict[str, tuple[Callable[[], Disturbance], str]] = {
    "foliage": (Foliage, "a branch waving in the wind"),
    "water": (Water, "rippling water along the lower border"),
    "bystander": (Bystander, "a figure walking to and fro in the left fifth"),
    "letterbox": (Letterbox, "black bars above and below"),
    "counter": (Counter, "a frame counter burnt into the picture"),
    "clock": (Clock, "the time of day burnt into the picture"),
    "logo": (Logo, "a small spinning mark burnt into the picture"),
}


def _typed(read: MakeDisturbance, form: str) -> MakeDisturbance:
    """Turn a reader's errors into what argparse prints."""

    def parse(text: str) -> Disturbance:
        try:
            return read(text)
        except SampleError as error:
            raise argparse.ArgumentTypeError(str(error)) from error
        except ValueError as error:
            raise argparse.ArgumentTypeError(f"{text!r}: give {form}") from error

    return parse


def _size(text: str) -> tuple[int, int]:
    try:
        cols, rows = (int(word) for word in text.lower().split("x"))
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r}: give WIDTHxHEIGHT, e.g. 320x240") from error
    return cols, rows


def _rate(text: str) -> Fraction:
    try:
        return Fraction(text)
    except (ValueError, ZeroDivisionError) as error:
        raise argparse.ArgumentTypeError(f"{text!r}: give frames per second") from error


def add_take_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of one take."""
    parser.add_argument("--bit-depth", type=int, default=8, choices=(8, 10, 12, 16))
    parser.add_argument("--capture-rate", type=_rate, metavar="FPS", help="frames per second")
    parser.add_argument("--exposure", type=float, metavar="S", help="seconds per frame")
    parser.add_argument(
        "--event-at", type=int, action="append", metavar="FRAME", help="where an event starts"
    )
    parser.add_argument("--events", type=int, default=1, metavar="N", help="or how many to draw")
    parser.add_argument(
        "--event-length", type=int, metavar="N", help="frames of pellet, lamp, dimming; 0: stays"
    )
    parser.add_argument("--event-size", type=float, metavar="PX", help="of pellet, appear")
    parser.add_argument("--contrast", type=float, default=1.0, metavar="X", help="of the event")
    parser.add_argument("--background", choices=BACKGROUNDS)
    parser.add_argument("--level", type=float, metavar="PART", help="mean of the background")
    parser.add_argument("--exact-noise", action="store_true", help="Poisson noise; slower")
    parser.add_argument("--format", choices=FORMATS, help="where the suffix does not tell")
    group = parser.add_argument_group("disturbances")
    for name, (form, read, what) in WITH_VALUE.items():
        group.add_argument(f"--{name}", type=_typed(read, form), metavar=form, help=what)
    for name, (make, what) in SWITCHES.items():
        group.add_argument(f"--{name}", action="store_const", const=make(), help=what)


def add_common_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that a take and a night share."""
    parser.add_argument("--seed", type=int, default=0, help="what is drawn follows from it")
    parser.add_argument("--frames", type=int, default=2000, metavar="N", help="length of a take")
    parser.add_argument("--size", type=_size, default=(320, 240), metavar="WIDTHxHEIGHT")
    parser.add_argument("--crf", type=int, default=18, help="rate factor of H.264 and HEVC")
    parser.add_argument("--gop", type=int, default=30, help="greatest distance of keyframes")


def _disturbances(args: argparse.Namespace) -> tuple[Disturbance, ...]:
    given = [getattr(args, name.replace("-", "_")) for name in (*WITH_VALUE, *SWITCHES)]
    found = [disturbance for disturbance in given if disturbance is not None]
    shutter = next((d for d in found if isinstance(d, RollingShutter)), None)
    if shutter is not None:
        # Rows that are read later also see the lamps later.
        late = shutter.readout
        found = [replace(d, line_delay=late) if isinstance(d, Flicker) else d for d in found]
    return tuple(found)


def common_settings(args: argparse.Namespace) -> TakeSettings:
    """Return the settings of `add_common_options`."""
    cols, rows = args.size
    return TakeSettings(rows=rows, cols=cols, n_frames=args.frames, seed=args.seed)


def take_settings(args: argparse.Namespace) -> TakeSettings:
    """Return the settings of one take."""
    return replace(
        common_settings(args),
        bit_depth=args.bit_depth,
        capture_rate=args.capture_rate,
        exposure_s=args.exposure,
        event_frames=tuple(args.event_at) if args.event_at else None,
        n_events=args.events,
        contrast=args.contrast,
        size_px=args.event_size,
        event_length=args.event_length,
        background=args.background,
        level=args.level,
        exact_noise=args.exact_noise,
        disturbances=_disturbances(args),
    )


def quality(args: argparse.Namespace) -> Quality:
    """Return what a lossy codec may lose."""
    return Quality(crf=args.crf, gop=args.gop)
