"""``flashpan plan``: the numbers before the shot."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from flashpan.cli.output import Results

_HELP = """Say what follows from what is known of a shot: give any of it, get the rest.

Record time, frames, bytes and time to save; playback length and how long the event is on screen;
motion blur, and the exposure and capture rate that keep it small; light lost; depth of field;
where to put the trigger so that the event surely lies inside; whether lamps on the mains will
flicker. What cannot be together is refused, and the values that clash are named.

Units have to be said: 20us, 1/48s, 50mm, 300m/s, 72GiB, 10Gbit/s, 50Hz, 30%. Rates are frames per
second. Record time, event and uncertainty may be bare numbers: frames at the capture rate.

\b
Examples:
  flashpan plan --size 1280x800 --bit-depth 12 --memory 72GiB --capture-rate 7500 --playback-rate 25
  flashpan plan --speed 300m/s --field-width 2m --size 1280x800 --max-blur 1px --why
  flashpan plan --event 3ms --event-frames 20 --capture-rate 10000 --mains 50Hz --exposure 50us
  flashpan plan --focal-length 50mm --aperture f/8 --circle 30um --distance 3m
  flashpan plan --capture-rate 1000 --record-time 8s --event 200ms --uncertainty 1s
"""

_OPTIONS = {
    "bit_depth": ("BITS", "Bits a pixel."),
    "stored_bits": ("BITS", "Bits a pixel takes in memory [default: the bit depth, packed]."),
    "memory": ("BYTES", "Memory of the camera: 72GiB, 288GB."),
    "capture_rate": ("RATE", "Frames per second as shot."),
    "playback_rate": ("RATE", "Frames per second as watched."),
    "exposure": ("TIME", "Exposure of a frame: 20us, 1/2000s."),
    "shutter_angle": ("DEGREES", "Exposure as a part of the frame's time: 180."),
    "record_time": ("TIME", "Record time that is needed."),
    "link": ("RATE", "Speed that takes are saved at: 1.1GB/s, 10Gbit/s."),
    "trigger": ("PERCENT", "Part of the record before the trigger: 30%."),
    "uncertainty": ("TIME", "The trigger comes so long before or after the onset, at most."),
    "event": ("TIME", "How long the event lasts."),
    "event_frames": ("NUMBER", "Show the event in so many frames."),
    "speed": ("SPEED", "How fast the subject moves across: 300m/s, 50km/h."),
    "field_width": ("LENGTH", "How wide the picture is, at the subject."),
    "frames_across": ("NUMBER", "Show the subject in so many frames while it crosses."),
    "max_blur": ("PIXELS", "Motion blur that may be: 1px."),
    "magnification": ("RATIO", "Size on the sensor over size: 0.5."),
    "pixel_size": ("LENGTH", "Distance of pixels on the sensor: 10um."),
    "focal_length": ("LENGTH", "Of the lens: 50mm."),
    "aperture": ("NUMBER", "f-number: f/2.8."),
    "circle": ("LENGTH", "Circle of confusion [default: two pixels on the sensor]."),
    "distance": ("LENGTH", "From the lens to the subject."),
    "reference_exposure": ("TIME", "Exposure that light is compared with: 1/48s."),
    "reference_aperture": ("NUMBER", "f-number that light is compared with."),
    "mains": ("FREQUENCY", "Of the lamps' mains: 50Hz, 60Hz."),
}


def _quantities(command: Callable[..., Any]) -> Callable[..., Any]:
    for name, (metavar, text) in reversed(_OPTIONS.items()):
        option = "--" + name.replace("_", "-")
        command = click.option(option, metavar=metavar, help=text)(command)
    return command


@click.command("plan", help=_HELP, short_help="Work out a shot before it is shot.")
@click.option("--size", metavar="WxH", help="Pixels across and down: 1280x800.")
@_quantities
@click.option(
    "--subject",
    metavar="NAME",
    help="bullet, lightning, burst, spark, laser, drop, face or animal: what is known of it.",
)
@click.option("--why", is_flag=True, help="Show formulas, their numbers and their sources.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON, in base units.")
def command(
    size: str | None, subject: str | None, why: bool, as_json: bool, **options: str | None
) -> None:
    """Read the options, compute, print."""
    from flashpan.plan import plan
    from flashpan.planner.table import format_plan, plan_json

    given = {name: text for name, text in options.items() if text is not None}
    planned = plan(size=size or "", subject=subject or "", **given)
    text = plan_json(planned) if as_json else format_plan(planned, why=why)
    Results(go_on=False).write(text)
