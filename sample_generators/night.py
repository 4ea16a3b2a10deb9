"""A night of mixed takes, and the one small take for a first try."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from sample_generators.disturb import (
    BlinkingPixels,
    Counter,
    Disturbance,
    Dusk,
    FixedPattern,
    Flicker,
    Foliage,
    HotPixels,
    Rain,
    RowNoise,
    Sway,
)
from sample_generators.errors import SampleError
from sample_generators.scenarios import NAMES, find_subject, storm
from sample_generators.scenarios.storm import Stroke, draw_strokes
from sample_generators.sensor import BIT_DEPTHS
from sample_generators.settings import TakeSettings
from sample_generators.take import Take, make_take
from sample_generators.truth import Truth
from sample_generators.write import SUFFIXES, Quality, write_take

NIGHT_FORMATS = ("ffv1", "h264", "mjpeg", "ffv1", "npy", "ffv1")


def _disturbances(rng: np.random.Generator, rate: float) -> tuple[Disturbance, ...]:
    """Draw up to three disturbances of a kind that one night may bring together."""
    choices: list[Disturbance] = [
        Flicker(frequency=float(rng.choice([100, 120])), depth=float(rng.uniform(0.02, 0.2))),
        Sway(float(rng.uniform(0.1, 1.0))),
        Rain(int(rng.integers(4, 20))),
        Foliage(),
        RowNoise(),
        FixedPattern(),
        HotPixels(),
        BlinkingPixels(dwell_frames=max(20.0, 0.02 * rate)),
        Dusk(float(rng.uniform(-0.3, 0.2))),
        Counter(),
    ]
    chosen = rng.choice(len(choices), int(rng.integers(0, 4)), replace=False)
    return tuple(choices[i] for i in sorted(chosen))


def night_takes(count: int, seed: int, settings: TakeSettings) -> Iterator[tuple[Take, str]]:
    """Yield mixed takes, each with the format to write it in.

    ``settings`` gives size and length; scenario, depth, events and disturbances are drawn.
    """
    if count < 1:
        raise SampleError(f"a night of {count} takes: give at least 1")
    rng = np.random.default_rng([seed, *b"night"])
    order = list(NAMES)
    for number in range(count):
        if number % len(order) == 0:
            rng.shuffle(order)
        name = order[number % len(order)]
        rate = float(find_subject(name).usual_rate)
        drawn = replace(
            settings,
            seed=int(rng.integers(2**31)),
            bit_depth=int(rng.choice(BIT_DEPTHS)),
            disturbances=_disturbances(rng, rate),
        )
        yield make_take(name, drawn), NIGHT_FORMATS[number % len(NIGHT_FORMATS)]


def write_night(
    folder: str | Path,
    count: int = 6,
    seed: int = 0,
    settings: TakeSettings | None = None,
    quality: Quality | None = None,
) -> Iterator[tuple[Path, Take]]:
    """Write mixed takes into a folder, yielding each as it is done."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    takes = night_takes(count, seed, settings or TakeSettings())
    for number, (take, form) in enumerate(takes, start=1):
        path = folder / f"take_{number:03d}{SUFFIXES[form]}"
        write_take(take, path, form=form, quality=quality)
        yield path, take


DEMO_RATE = Fraction(4_000)
DEMO_FRAMES = 2_080
DEMO_STARTS = (160, 1_840)
DEMO_STROKES = 3
DEMO_FIRST_S = 0.100
"""The first flash takes no longer, so that more than 300 ms of darkness follow it."""
DEMO_SECOND_S = 0.055


def _short_flash(rng: np.random.Generator, strokes: int, longest_s: float) -> tuple[Stroke, ...]:
    """Draw flashes until one is short enough for so short a take."""
    while True:
        drawn = draw_strokes(rng, strokes)
        if max(stroke.stop_s for stroke in drawn) <= longest_s:
            return drawn


def demo(seed: int = 0) -> Take:
    """Return a small night storm: a flash of three strokes, then one of a single stroke."""
    settings = TakeSettings(
        n_frames=DEMO_FRAMES,
        capture_rate=DEMO_RATE,
        bit_depth=12,
        event_frames=DEMO_STARTS,
        seed=seed,
    )
    subject = find_subject("storm")
    plan = subject.plan(settings)
    flashes = [
        _short_flash(plan.rng, DEMO_STROKES, DEMO_FIRST_S),
        _short_flash(plan.rng, 1, DEMO_SECOND_S),
    ]
    return Take(subject, settings, storm.build(plan, flashes), plan)


def demo_take(path: str | Path, seed: int = 0) -> Truth:
    """Write the demo take, 12-bit lossless, and return what happens in it.

    Parameters
    ----------
    path : str or Path
        A new ``.mkv`` file; the truth goes beside it.
    seed : int
        The same seed gives the same take.
    """
    take = demo(seed)
    write_take(take, path, form="ffv1")
    return take.truth


DEMO_NIGHT = (
    ("storm", "ffv1", 12, 320, 50),
    ("pane", "h264", 8, 240, 120),
    ("drop", "mjpeg", 8, 240, 100),
)
"""Scenario, format, bit depth, frames and event of the takes of a small night."""
DEMO_NIGHT_RATE = Fraction(5_000)
DEMO_NIGHT_SHAPE = (96, 128)


def demo_night(folder: str | Path, seed: int = 0) -> list[Path]:
    """Write a card of three short takes, small and quick to search; return their paths.

    Parameters
    ----------
    folder : str or Path
        Made if need be; may not hold such takes yet.
    seed : int
        The same seed gives the same takes.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    rows, cols = DEMO_NIGHT_SHAPE
    for number, (name, form, depth, n_frames, onset) in enumerate(DEMO_NIGHT):
        settings = TakeSettings(
            n_frames=n_frames,
            rows=rows,
            cols=cols,
            bit_depth=depth,
            capture_rate=DEMO_NIGHT_RATE,
            event_frames=(onset,),
            seed=seed + number,
        )
        paths.append(folder / f"invented-{name}{SUFFIXES[form]}")
        write_take(make_take(name, settings), paths[-1], form=form)
    return paths
