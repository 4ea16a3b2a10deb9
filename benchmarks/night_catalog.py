"""How long does a night of very many takes keep an operator waiting?

    python benchmarks/night_catalog.py [--takes N] [--events N]

Synthetic rows, no pixels: a catalog of so many takes (100,000) with so many events and clips each
(3).  Printed is the time for opening it, for asking of every take whether it is done (with
what a run asks: known as it lies there, noted, done with these settings), for the report and its
three forms, for looking the whole file through, and for opening it after a run that was killed.
Seconds by the clock and of the processor, and these in units of reading every row of the takes
once, in the same run.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from flashpan.night.catalog import Catalog
from flashpan.night.discovery import CATALOG_NAME
from flashpan.night.found import Found
from flashpan.night.identity import Identity
from flashpan.night.job import Report
from flashpan.night.record import NightRecord
from flashpan.night.report import night_report
from flashpan.night.reporttable import format_report, report_csv, report_json
from flashpan.night.rows import ClipReport

N_TAKES, N_EVENTS = 100_000, 3
_EVENING_NS = 1_700_000_000_000_000_000
_APART_NS = 300_000_000
_FRAMES = 100_000
_KEY = "as asked"


def found(number: int) -> Found:
    """A take that is not there."""
    place = f"day_{number // 1000:03d}/take_{number:06d}.mov"
    return Found(
        path=f"/card/{place}",
        place=place,
        name=f"take_{number:06d}",
        kind="video",
        bytes=1_000_000_000 + number,
        mtime_ns=_EVENING_NS + number * _APART_NS,
    )


def identity(one: Found) -> Identity:
    """Its identity."""
    return Identity(
        bytes=one.bytes, n_files=one.n_files, mtime_ns=one.mtime_ns, digest=f"{one.bytes:064x}"
    )


def report(n_events: int) -> Report:
    """What no worker said: so many events, each in a clip of its own."""
    onsets = [1000 * (number + 1) for number in range(n_events)]
    spans = [(onset - 50, onset + 49) for onset in onsets]
    return Report(
        take="",
        folder="",
        log={
            "take": {"capture_rate": 10_000, "playback_rate": 25},
            "totals": {"frames": _FRAMES},
            "events": [_event(onset) for onset in onsets],
            "ranges": [
                {"first": first, "last": last, "events": [number]}
                for number, (first, last) in enumerate(spans)
            ],
        },
        log_name="take.events.json",
        clips=tuple(_clip(number, *span) for number, span in enumerate(spans)),
        seconds=10.0,
        bytes_read=1_000_000_000,
    )


def _clip(number: int, first: int, last: int) -> ClipReport:
    return ClipReport(
        number=number,
        form="clip",
        name="clip.mov",
        first=first,
        last=last,
        frames=last - first + 1,
        bytes=10_000_000,
        way="copy",
        proof="bit for bit",
        sha256="0" * 64,
    )


def _event(onset: int) -> dict[str, Any]:
    return {
        "onset": onset,
        "peak": onset + 3,
        "end": onset + 9,
        "kind": "flash",
        "detector": "brightness",
        "strength": 20.0,
        "chance": 0.001,
        "box": [0, 0, 64, 48],
        "onset_s": onset / 10_000,
    }


def fill(dest: Path, n_takes: int, n_events: int) -> None:
    """Make the catalog."""
    with Catalog.open(dest) as catalog, catalog.together():
        result = report(n_events)
        for number in range(n_takes):
            one = found(number)
            take_id = catalog.add(one, identity(one))
            catalog.begin(take_id, {}, _KEY, one.place)
            catalog.finish(take_id, result)


def check_all(catalog: Catalog, n_takes: int) -> int:
    """Ask of every take what a run asks, and return how many need not be done."""
    done = catalog.done_as_they_lie()
    every = map(found, range(n_takes))
    return sum(done[one.path].is_as(one, _KEY) for one in every)


class Spent(NamedTuple):
    """Seconds by the clock, and of the processor: others may be at work on the machine."""

    clock: float
    processor: float


def timed(work: Callable[[], Any]) -> tuple[Spent, Any]:
    """What it took, and what came of it."""
    clock, processor = time.perf_counter(), time.process_time()
    result = work()
    return Spent(time.perf_counter() - clock, time.process_time() - processor), result


def measure(dest: Path, n_takes: int) -> dict[str, Spent]:
    """Seconds of each part."""
    seconds: dict[str, Spent] = {}
    seconds["open to write"], catalog = timed(lambda: Catalog.open(dest))
    seconds["read all takes once"], _ = timed(lambda: sum(1 for _ in catalog.takes()))
    seconds["resume check"], n_done = timed(lambda: check_all(catalog, n_takes))
    assert n_done == n_takes
    seconds["look through, whole"], faults = timed(catalog.faults)
    assert not faults
    catalog.close()  # without leaving the block: as if it had been killed
    seconds["open after a kill"], catalog = timed(lambda: Catalog.open(dest))
    with catalog:
        pass
    with NightRecord.read(dest) as record:
        seconds["sum up"], summed = timed(lambda: night_report(record))
        seconds["report as text"], _ = timed(lambda: format_report(summed))
        seconds["report as CSV"], _ = timed(lambda: report_csv(summed))
        seconds["report as JSON"], _ = timed(lambda: report_json(summed))
    return seconds


def main(args: Sequence[str] | None = None) -> None:
    """Fill, measure, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--takes", type=int, default=N_TAKES)
    parser.add_argument("--events", type=int, default=N_EVENTS, help="events of each take")
    asked = parser.parse_args(args)
    with tempfile.TemporaryDirectory(prefix="flashpan-catalog-") as folder:
        dest = Path(folder)
        filling, _ = timed(lambda: fill(dest, asked.takes, asked.events))
        size = (dest / CATALOG_NAME).stat().st_size / 1e6
        print(f"{asked.takes:,} takes, {asked.takes * asked.events:,} events; {size:.0f} MB")
        seconds = measure(dest, asked.takes)
    unit = seconds["read all takes once"].processor
    print(f"{'':22}{'clock':>9}{'processor':>11}{'ratio':>8}")
    for name, spent in {"fill, as one change": filling, **seconds}.items():
        ratio = spent.processor / unit
        print(f"{name:22}{spent.clock:8.2f}s{spent.processor:10.2f}s{ratio:8.1f}")


if __name__ == "__main__":
    main(sys.argv[1:])
