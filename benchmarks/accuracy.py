"""Are the events found, to the frame, and nothing else?

    python benchmarks/accuracy.py --quick
    python benchmarks/accuracy.py --only storm,h264-crf28 --seeds tuning
    python benchmarks/accuracy.py --seeds reporting --baseline --out results

Invented takes with known truth (`sample_generators`, 240 × 320 pixels), each seen through
every condition of `conditions.py`: sensor noise, lighting, slow changes, moving backgrounds,
what is burnt in, codecs (through real files in a temporary folder), events of every size and
speed, rolling shutters, and some of them together.  Plain sensor noise is measured on every
scene, every other condition on four scenes in rotation.  A third of the takes have their
scenario's usual contrast, a third are weakened to a visibility of about 15, a third to about
5.  Quiet takes give false events; 20,000 frames of them at each bit depth.

One row per scenario and condition, then their sums:

recall, and by visibility (see `sample_generators.truth.TrueEvent`)
    found / true events; the rules of matching are in `matching.py`.
onset error; to band; within ±1
    Median / 95 % quantile, in frames, of |found - true onset|; the same with onsets between
    the first trace and the first visible frame counted as exact; and the share of found
    events that are at most one frame outside that band.
swallowed, extra, false, false/100k
    Missed events whose frames another found event holds; pieces of true events; events
    where nothing happens, also per 100,000 frames.
kept/ideal
    Frames in the trim ranges, against those that the true events would give.
left by codec
    With ``--baseline``, for lossy codecs: the visibility that is left after coding (`coded.py`).
plain …, scdet …, freezedetect …
    With ``--baseline``: the same for a script of twenty lines (`plain_script.py`) and for
    FFmpeg's scene-change and freeze filters (`ffmpeg_filters.py`), on the same frames in the
    same pass; "not installed" where there is no `ffmpeg` command.

Above the rows stand the goals, met or not, the methods side by side, and every condition that
falls short with the commonest reason (`summary.py`).

Most takes are shorter than the default merge gap at their capture rate; `conditions.SCENES`
says where gap and rolls are given explicitly.  Seeds for tuning and for reporting are
different sets.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

import cv2
from conditions import SEEDS, Job, plan_jobs
from measured import Measured, measure
from summary import goal_rows, method_rows, short_rows
from table import as_markdown, make_rows, write_csv
from tqdm import tqdm

RESULTS = Path(__file__).parent / "results"


def make_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").splitlines()[0],
        epilog="example: python benchmarks/accuracy.py --quick --only release,flicker-20%",
    )
    parser.add_argument("--quick", action="store_true", help="fewer takes; under 3 minutes")
    parser.add_argument("--seeds", choices=tuple(SEEDS), default="tuning")
    parser.add_argument("--only", default="", metavar="NAMES", help="scenarios, conditions")
    parser.add_argument("--out", type=Path, default=RESULTS, metavar="DIR")
    parser.add_argument("--jobs", type=int, choices=(1, 2), default=1, help="processes")
    parser.add_argument(
        "--baseline",
        action="store_true",
        help="the plain script's and FFmpeg's filters' columns too",
    )
    return parser


def run_jobs(jobs: Sequence[Job], n_processes: int) -> Iterator[Measured]:
    """Measure takes, in any order."""
    cv2.setNumThreads(1)
    if n_processes == 1:
        yield from map(measure, jobs)
        return
    with ProcessPoolExecutor(n_processes, mp_context=get_context("spawn")) as pool:
        for done in as_completed([pool.submit(measure, job) for job in jobs]):
            yield done.result()


def in_order(results: Iterable[Measured], jobs: Sequence[Job]) -> list[Measured]:
    order = {(job.scene.scenario, job.condition.name, job.seed): n for n, job in enumerate(jobs)}
    return sorted(results, key=lambda r: order[(r.scenario, r.condition, r.seed)])


def notes(results: Iterable[Measured]) -> list[str]:
    return [f"{r.scenario} {r.condition} seed {r.seed}: {n.text}" for r in results for n in r.notes]


def report(results: list[Measured], baseline: bool, heading: str) -> str:
    """Return the whole report as Markdown."""
    parts = [f"# {heading}", "## Goals", as_markdown(goal_rows(results))]
    if baseline:
        parts += ["## Methods on the same takes", as_markdown(method_rows(results))]
    short = short_rows(results)
    parts += ["## Conditions that fall short", as_markdown(short) if short else "None."]
    parts += ["## All rows", as_markdown(make_rows(results, baseline))]
    faults = "\n".join(f"- {note}" for note in notes(results)) or "None."
    parts += ["## Missed, displaced, extra and false events", faults]
    return "\n\n".join(parts)


def write_report(text: str, results: list[Measured], baseline: bool, folder: Path) -> None:
    """Write ``accuracy.md``, and as CSV the rows, the goals and what falls short of them."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "accuracy.md").write_text(text + "\n", encoding="utf-8")
    write_csv(make_rows(results, baseline), folder / "accuracy.csv")
    write_csv(goal_rows(results), folder / "accuracy_goals.csv")
    write_csv(short_rows(results), folder / "accuracy_short.csv")
    if baseline:
        write_csv(method_rows(results), folder / "accuracy_methods.csv")


def main(words: Sequence[str] | None = None) -> int:
    parser = make_parser()
    args = parser.parse_args(words)
    try:
        only = frozenset(filter(None, args.only.split(",")))
        jobs = plan_jobs(args.seeds, quick=args.quick, only=only, compares=args.baseline)
    except ValueError as error:
        parser.error(f"--only {error}")
    began = time.monotonic()
    done = tqdm(run_jobs(jobs, args.jobs), total=len(jobs), unit="take", disable=None)
    results = in_order(done, jobs)
    seconds = time.monotonic() - began
    heading = f"Accuracy on {len(jobs)} invented takes, {args.seeds} seeds, {seconds:.0f} s"
    text = report(results, args.baseline, heading)
    write_report(text, results, args.baseline, args.out)
    print(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
