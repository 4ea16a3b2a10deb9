"""Are the events of a sampled take those of a full scan?

    python benchmarks/sampled.py [--takes N] [--only noise-8,lamp] [--frames N] [--shortest N]

The scenes and conditions that accuracy is measured on, in pictures of 96 × 72 and in takes long
enough to be sampled, with events that last for ``--shortest`` frames or longer.  Every take is
searched whole and with ``--shortest-event``; onset, end, kind, box and trim ranges are compared.
Printed: each take, then how many are the same, and by how much the others differ.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from conditions import BY_FRAME, CONDITIONS, SCENES, SEEDS, Condition, Scene
from invented_reader import InventedReader

from flashpan import find
from flashpan.model import Event, EventLog, Frame
from flashpan.units import Duration
from sample_generators import SampleError, Take, TakeSettings, make_take

ROWS, COLS = 72, 96


class TakeReader(InventedReader):
    """An invented take, any frame of which is rendered when it is asked for."""

    def frames(self) -> Iterator[Frame]:
        """Every frame in order."""
        return map(self._frame, range(self.info.n_frames or 0))

    def in_parts(self) -> Callable[[int], Frame | None]:
        """Any frame."""
        return self._frame

    def _frame(self, index: int) -> Frame:
        luma = self._take.frame(index)
        self.bytes_read += luma.nbytes
        return Frame(index=index, luma=luma)


def fitting(only: frozenset[str]) -> Iterator[tuple[Condition, Scene]]:
    """Conditions whose events can be made long, each with another scene in turn."""
    scenes = [scene for scene in SCENES if scene.scenario in BY_FRAME]
    scenes = [scene for scene in scenes if not only or scene.scenario in only] or scenes
    names = {condition.name for condition in CONDITIONS}
    number = 0
    for condition in CONDITIONS:
        wanted = not only & names or condition.name in only
        if not wanted or condition.form or condition.scene or not condition.has_quiet:
            continue
        yield condition, scenes[number % len(scenes)]
        number += 1


def make(condition: Condition, scene: Scene, n_frames: int, length: int, seed: int) -> Take:
    """The take, with events of a length."""
    settings = TakeSettings(
        rows=ROWS,
        cols=COLS,
        n_frames=n_frames,
        capture_rate=Fraction(scene.capture_rate),
        n_events=scene.n_events,
        bit_depth=condition.bit_depth,
        seed=seed,
        disturbances=condition.disturbances,
        event_length=length,
    )
    return make_take(scene.scenario, replace(settings, **condition.changes))


def seen(event: Event) -> tuple[object, ...]:
    """What must be the same."""
    return event.onset, event.end, event.kind, event.box


def difference(one: EventLog, other: EventLog) -> str:
    """In words; empty where there is none."""
    if [(seen(event)) for event in one.events] == [seen(event) for event in other.events]:
        return "" if one.ranges == other.ranges else "ranges differ"
    if len(one.events) != len(other.events):
        return f"{len(one.events)} events, {len(other.events)} by sampling"
    pairs = list(zip(one.events, other.events, strict=True))
    onset = max(abs(a.onset - b.onset) for a, b in pairs)
    end = max(abs(a.end - b.end) for a, b in pairs)
    return f"onsets differ by {onset}, ends by {end} frames at most"


def arguments(words: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--takes", type=int, default=1, metavar="N", help="of each condition")
    parser.add_argument("--only", default="", metavar="NAMES", help="conditions and scenes")
    parser.add_argument("--frames", type=int, default=8000, metavar="N")
    parser.add_argument("--shortest", type=int, default=64, metavar="N")
    return parser.parse_args(words)


def main(words: Sequence[str] | None = None) -> int:
    args = arguments(words)
    n_same = n_parts = n_takes = n_events = 0
    for condition, scene in fitting(frozenset(filter(None, args.only.split(",")))):
        for k in range(args.takes):
            seed = SEEDS["reporting"] + k
            try:
                take = make(condition, scene, args.frames, args.shortest + 16, seed)
            except SampleError as error:
                print(f"{condition.name:22} {scene.scenario:10} cannot be made: {error}")
                continue
            wanted = replace(scene.settings(), **condition.search)
            short = replace(wanted, shortest_event=Duration.of_frames(args.shortest))
            whole, sampled = find(TakeReader(take), wanted), find(TakeReader(take), short)
            differs = difference(whole, sampled)
            share = sampled.totals.bytes_read / whole.totals.bytes_read
            notes = "; ".join(note for note in sampled.warnings if "every frame" in note)
            n_takes, n_same = n_takes + 1, n_same + (not differs)
            n_parts, n_events = n_parts + (not notes), n_events + len(whole.events)
            print(
                f"{condition.name:22} {scene.scenario:10} {len(whole.events)} events,"
                f" {share:5.0%} read: {differs or 'the same'}  {notes}",
                flush=True,
            )
    print(f"{n_same} of {n_takes} takes the same, {n_events} events; {n_parts} were sampled")
    return 0


if __name__ == "__main__":
    sys.exit(main())
