"""``flashpan demo``: the main job on an invented take."""

from __future__ import annotations

import tempfile
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from flashpan.cli.output import Results, note
from flashpan.cli.progress import progress
from flashpan.errors import TakeError

if TYPE_CHECKING:
    from sample_generators import Truth

_HELP = """Make a sample take and run the main job on it.

The take is invented: computed, not shot. What was planted in it is known, so that what is found
can be held against it frame by frame. Exit status 0 only where what was planted was found, else
3.

\b
Examples:
  flashpan demo
  flashpan demo --keep samples --seed 7
  flashpan demo --night try
"""


@click.command("demo", help=_HELP, short_help="Make a sample take and run the main job on it.")
@click.option("--keep", metavar="DIR", help="Keep the take there [default: a temporary folder].")
@click.option(
    "--night",
    metavar="DIR",
    help="Make instead a card of three short takes there, and a night of it, to be reviewed.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed, another take.")
@click.pass_context
def command(ctx: click.Context, /, keep: str | None, night: str | None, seed: int) -> None:
    """Make, search, compare, say."""
    from flashpan.demo import CAUTION, make_demo_take

    results = Results(go_on=False)
    if night is not None:
        if keep is not None:
            raise click.UsageError("--night keeps its takes; give it without --keep")
        _night(night, seed, results)
        return
    with _folder(keep) as folder:
        results.write("This take is INVENTED: computed, not shot; nothing in it is real.\n")
        path, truth = make_demo_take(folder, seed)
        is_right = _run(path, truth, results)
        if keep is not None:
            note(f"kept {path}")
    results.write("\n" + textwrap.fill(f"Caution: {CAUTION}", 100))
    ctx.exit(0 if is_right else TakeError.exit_code)


def _night(directory: str, seed: int, results: Results) -> None:
    from flashpan.demo import CAUTION, make_demo_night
    from flashpan.night.record import NightRecord
    from flashpan.night.report import night_report
    from flashpan.night.reporttable import format_report

    results.write("These takes are INVENTED: computed, not shot; nothing in them is real.\n")
    dest = make_demo_night(directory, seed)
    with NightRecord.read(dest) as record:
        results.write(format_report(night_report(record)))
    results.write(f"\nLook at it: flashpan review {dest}")
    results.write("\n" + textwrap.fill(f"Caution: {CAUTION}", 100))


def _run(path: Path, truth: Truth, results: Results) -> bool:
    from flashpan.demo import compare, format_comparison
    from flashpan.find import find
    from flashpan.readers.open import open_take
    from flashpan.table import format_table

    # files carry the playback rate; what was shot at, the operator knows
    with (
        open_take(path, capture_rate=truth.capture_rate) as reader,
        progress(reader.info) as on_frame,
    ):
        log = find(reader, on_frame=on_frame)
    comparison = compare(truth.events, log)
    results.write(f"{format_table(log)}\n\n{format_comparison(comparison)}")
    return comparison.is_right


@contextmanager
def _folder(keep: str | None) -> Iterator[Path]:
    if keep is None:
        with tempfile.TemporaryDirectory(prefix="flashpan-demo-") as name:
            yield Path(name)
        return
    from flashpan.atomic import make_folder

    yield make_folder(keep)
