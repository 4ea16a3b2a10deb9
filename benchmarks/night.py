"""How much sooner is a night done with two workers than with one?

    python benchmarks/night.py [--takes N] [--frames N] [--rounds N] [--long-frames N]

A night of mixed invented takes (8) is ingested by two workers and by one, in turn, in one run of
this program; printed is how often the time of two goes into that of one, in every round and as
the median: beside one worker that has a single thread, as each of the two has, and beside one
that has all cores for decoding.  The same for one long take (H.264 and an array), done whole by
one worker and in pieces by two.  Start of the workers is in all of the times.

Other work on the machine takes from two workers what one would not miss.  So the same ratio is
printed of processor time, too: that of one worker against that of the busier of two.  (Not of the
long takes: there a third process decides.)
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from statistics import median

import psutil  # type: ignore[import-untyped]

from flashpan.night.engines import Workers
from flashpan.night.ingest import ingest
from flashpan.threads import usable_cores
from sample_generators import TakeSettings, make_take, write_night, write_take

N_WORKERS = 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print."""
    asked = _arguments(arguments)
    print(f"{usable_cores()} cores; {asked.rounds} rounds")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        size = TakeSettings(rows=asked.rows, cols=asked.cols, n_frames=asked.frames)
        for _ in write_night(folder / "card", asked.takes, seed=3, settings=size):
            pass
        text = f"{asked.takes} takes of {asked.frames} frames, {asked.cols}x{asked.rows}"
        compare(text, folder / "card", asked.rounds, None)
        for form, suffix in (("h264", "mp4"), ("npy", "npy")):
            card = folder / form
            card.mkdir()
            settings = replace(size, n_frames=asked.long_frames, bit_depth=8)
            write_take(make_take("storm", settings), card / f"long.{suffix}", form=form)
            text = f"one take of {asked.long_frames} frames, {form}, in pieces"
            compare(text, card, asked.rounds, 0)
    return 0


def compare(text: str, card: Path, n_rounds: int, split_above: int | None) -> None:
    """Print the ratios of one night."""
    ways = {
        "one worker, one thread": (1, 1),
        "one worker, all cores": (1, None),
        "two workers": (N_WORKERS, 1),
    }
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in ways}
    for _ in range(n_rounds):
        for name, (n_workers, n_threads) in ways.items():
            times[name].append(_times(card, n_workers, n_threads, split_above))
    print(f"\n{text}")
    two = times.pop("two workers")
    print(f"  two workers: {median(wall for wall, _ in two):.1f} s")
    for name, ones in times.items():
        print(f"  {name}: {median(wall for wall, _ in ones):.1f} s")
        # who decides a split take has ended by then, and its time is not known
        known = ("by the clock", "by processor time") if split_above is None else ("by the clock",)
        for place, what in enumerate(known):
            ratios = [one[place] / both[place] for one, both in zip(ones, two, strict=True)]
            each = " ".join(f"{ratio:.2f}" for ratio in ratios)
            print(f"    {what}, {median(ratios):.2f} times as long ({each})")


def _times(
    card: Path, n_workers: int, n_threads: int | None, split_above: int | None
) -> tuple[float, float]:
    """Seconds that a night takes, and processor seconds of the busiest worker."""
    engine = Workers(n_workers, n_threads)
    with tempfile.TemporaryDirectory() as dest:
        began = time.perf_counter()
        night = ingest(card, dest, engine=engine, split_above=split_above)
        busiest = max(sum(child.cpu_times()[:2]) for child in psutil.Process().children())
        engine.close()
        seconds = time.perf_counter() - began
    if night.errors:
        raise SystemExit(night.errors[0])
    return seconds, busiest


def _arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=8)
    parser.add_argument("--frames", type=int, default=1500)
    parser.add_argument("--long-frames", type=int, default=4000)
    parser.add_argument("--rows", type=int, default=240)
    parser.add_argument("--cols", type=int, default=320)
    parser.add_argument("--rounds", type=int, default=3)
    return parser.parse_args(arguments)


if __name__ == "__main__":
    sys.exit(main())
