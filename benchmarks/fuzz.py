"""Does anything that a damaged take can hold stop the program, hang it, or make it use memory?

    python benchmarks/fuzz.py [--inputs 20000] [--seed 1] [--jobs 1] [--report FILE] [--formats …]

Tiny takes of every format are damaged (bits flipped, cut off, spliced, headers that lie) and given
to the library and, one in twenty, to a command line; see ``trials.py`` for what counts as a
failure.  Every input follows from seed and number: ``--first N --inputs 1`` tries one again.
Results are added to ``FILE.csv`` as they come in, so that a campaign that was stopped goes on where
it was; the Markdown table at the end is of all that stands there.
"""

from __future__ import annotations

import argparse
import csv
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, fields
from functools import partial
from itertools import chain
from multiprocessing import get_context
from pathlib import Path

from tqdm import tqdm
from trials import CLEAN, FAULTS, REFUSED, Inputs, Limits, Trial, tried

from sample_generators.damage import FORMATS, Specimen, make_corpus, mutant

_COMMAND_EVERY = 20
_COMMANDS = (
    "find TAKE --json --out OUT",
    "trim TAKE --out OUT --pre-roll 2 --post-roll 2",
    "slate TAKE",
    "find TAKE --explain 3",
    "trim TAKE --out OUT --how exact --also png8 --also view",
    "flag TAKE --offload-rate 100MB/s",
    "sheet TAKE --out OUT",
)
_PART = 400
_NAMES = [field.name for field in fields(Trial)]


def corpus_of(formats: tuple[str, ...] = ()) -> list[Specimen]:
    """Whole takes to damage; encoders say nothing."""
    os.environ.setdefault("SVT_LOG", "0")
    with tempfile.TemporaryDirectory() as folder:
        return make_corpus(Path(folder), formats)


def inputs_of(corpus: Sequence[Specimen], seed: int, numbers: range, every: int) -> Inputs:
    """The inputs of these numbers, one in ``every`` for a command line."""
    for number in numbers:
        turn = number // len(corpus) + number % len(corpus)
        command = "find"
        if turn % every == 0:
            command = _COMMANDS[turn // every % len(_COMMANDS)]
        yield number, mutant(corpus, seed, number), command


def _part(
    formats: tuple[str, ...], seed: int, every: int, limits: Limits, numbers: range
) -> list[Trial]:
    os.environ["FLASHPAN_DECODER_THREADS"] = "1"
    return [*tried(inputs_of(corpus_of(formats), seed, numbers, every), limits)]


def parts(numbers: range) -> Iterator[range]:
    """Numbers in stretches that one process does at a time."""
    for start in range(numbers.start, numbers.stop, _PART):
        yield range(start, min(start + _PART, numbers.stop))


def _campaign(said: argparse.Namespace, numbers: range) -> Iterator[Trial]:
    work = partial(
        _part, tuple(said.formats), said.seed, said.commands_every, Limits(seconds=said.seconds)
    )
    with get_context("spawn").Pool(said.jobs, maxtasksperchild=4) as processes:
        yield from chain.from_iterable(processes.imap(work, parts(numbers)))


def report(trials: Sequence[Trial]) -> str:
    """A table by format, what failed, and what took longest and most."""
    by_format: dict[str, list[Trial]] = {}
    for trial in trials:
        by_format.setdefault(trial.format, []).append(trial)
    head = ("format", "inputs", CLEAN, REFUSED, *FAULTS, "slowest, s", "most memory, MB")
    lines = [_row(head), _row("---" for _ in head)]
    lines += [_line(name, some) for name, some in by_format.items()]
    lines += [_line("**all**", trials), "", *_failures(trials), "", *_extremes(trials)]
    return "\n".join(lines)


def _row(cells: Iterator[str] | Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _line(name: str, trials: Sequence[Trial]) -> str:
    counts = Counter(trial.outcome for trial in trials)
    figures = [f"{counts[kind]:,}" for kind in (CLEAN, REFUSED, *FAULTS)]
    slowest = max(trial.seconds for trial in trials)
    most = max(trial.rss_bytes for trial in trials) / 1e6
    return _row([name, f"{len(trials):,}", *figures, f"{slowest:.2f}", f"{most:.0f}"])


def _failures(trials: Sequence[Trial]) -> Iterator[str]:
    failed = [trial for trial in trials if trial.outcome in FAULTS]
    yield f"{len(failed)} of {len(trials):,} failed."
    for trial in failed:
        yield (
            f"- input {trial.number}, {trial.format} ({trial.how}), `{trial.command}`: "
            f"{trial.outcome}: {trial.text}"
        )


def _extremes(trials: Sequence[Trial]) -> Iterator[str]:
    yield "Slowest and largest:"
    slow = sorted(trials, key=lambda trial: -trial.seconds)[:8]
    large = sorted(trials, key=lambda trial: -trial.rss_bytes)[:8]
    for trial in dict.fromkeys([*slow, *large]):
        yield (
            f"- input {trial.number}, {trial.format} ({trial.how}), `{trial.command}`: "
            f"{trial.seconds:.2f} s, {trial.rss_bytes / 1e6:.0f} MB used, "
            f"{trial.asked_bytes / 1e6:.0f} MB asked for"
        )


def _read(path: Path) -> list[Trial]:
    if not path.exists():
        return []
    whole = {"number": int, "seconds": float, "rss_bytes": int, "asked_bytes": int}
    with path.open(newline="") as file:
        return [
            Trial(**{name: whole.get(name, str)(text) for name, text in row.items()})
            for row in csv.DictReader(file)
        ]


def _said() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=_Plain)
    parser.add_argument("--inputs", type=int, default=20_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first input")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument(
        "--commands-every", type=int, default=_COMMAND_EVERY, help="one input in so many"
    )
    parser.add_argument("--seconds", type=float, default=20.0, help="a hang is longer")
    parser.add_argument("--report", type=Path, help="FILE.md and FILE.csv are written")
    parser.add_argument("--formats", nargs="*", default=[], choices=sorted(FORMATS))
    return parser.parse_args()


_Plain = argparse.RawDescriptionHelpFormatter


def _main() -> int:
    said = _said()
    table = said.report.with_suffix(".csv") if said.report else None
    trials = _read(table) if table else []
    start = max([said.first, *(trial.number + 1 for trial in trials)])
    numbers = range(start, said.first + said.inputs)
    with open(table or os.devnull, "a", newline="") as file:
        writer = csv.DictWriter(file, _NAMES)
        if not trials:
            writer.writeheader()
        for trial in tqdm(_campaign(said, numbers), total=len(numbers)):
            writer.writerow(asdict(trial))
            file.flush()
            trials.append(trial)
            if trial.outcome in FAULTS:
                tqdm.write(f"{trial.number} {trial.format} {trial.outcome}: {trial.text}")
    text = report(trials)
    print(text)
    if said.report:
        said.report.with_suffix(".md").write_text(text + "\n")
    return int(any(trial.outcome in FAULTS for trial in trials))


if __name__ == "__main__":
    sys.exit(_main())
