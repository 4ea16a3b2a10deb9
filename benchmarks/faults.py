"""What is lost when things go wrong? A long campaign; a short one is in ``tests/faults``.

    python benchmarks/faults.py [--kills N] [--soak N] [--seed S] [--folder DIR] [--out DIR]

**Kills.** Three tiny takes go through find, trim, ingest, marks of a review, ranges cut again,
sealing and verifying, in one process that is killed (SIGKILL, as when power goes) at a random
moment; N times (200).  After each kill every rule of `faultlab.broken_rules` is checked, and that
no source has changed.  The next process goes on where it was; after one to six kills one is let
run to its end, and what is there must be what an undisturbed run leaves.

**Soak.** N tiny takes (6,000) go through one ``flashpan ingest`` with two workers, while takes
are cut short, damaged, forbidden, unreadable from some byte on, and taken away, and workers are
killed.  The memory of the coordinator is recorded all along, and its growth per thousand takes
fitted.  Then all that can be put right is, and the run is repeated: every take must be in the
catalog, as done with its log and clips, or as failed with a reason.

Written are ``faults.md``, and as CSV the kills and the memory.  The takes are invented.
"""

from __future__ import annotations

import argparse
import csv
import ctypes
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import imageio.v3 as iio
import numpy as np
import psutil  # type: ignore[import-untyped]
from brokendisk import broken_disk
from faultlab import QUICK, begun, broken_rules, commands, hashes, lasting, tiny_shots

from flashpan.night.record import NightRecord
from flashpan.night.reviewbook import ReviewBook
from flashpan.night.rows import CIRCLED, DONE, FAILED

MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]
_BRIEF = (*QUICK, "--detector", "brightness")
"""How well events are found is tested elsewhere."""
_MOST_IN_A_ROW = 6
_DROP_BOUND, _MAY_PASS_RIGHTS, _MAY_READ_ALL = 24, 1, 2
"""prctl(2) and capabilities(7): so that rights hold for an administrator, too."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what was asked for, write the report; 1 where a rule was broken."""
    asked = _arguments(arguments)
    out = Path(asked.out)
    out.mkdir(parents=True, exist_ok=True)
    parts, n_broken = [], 0
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        if asked.kills:
            killed = kill_campaign(Path(name, "kills"), asked.kills, asked.seed)
            parts.append(killed.text())
            _write_csv(out / "faults_kills.csv", killed.rows)
            n_broken += len(killed.broken)
        if asked.soak:
            soaked = soak(Path(name, "soak"), asked.soak, asked.seed, asked.workers)
            parts.append(soaked.text())
            _write_csv(out / "faults_memory.csv", soaked.memory)
            n_broken += len(soaked.broken)
    text = "\n".join(["# Faults", "", f"Seed {asked.seed}. " + __doc__.split("\n\n")[0], *parts])
    (out / "faults.md").write_text(text + "\n", encoding="utf-8")
    print(text)
    return 1 if n_broken else 0


# kills


@dataclass(slots=True)
class Killed:
    """What came of the kills."""

    took_s: float
    n_completed: int = 0
    rows: list[dict[str, Any]] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)

    def add(self, at_s: float, stage: str, broken: list[str]) -> None:
        """Note a kill."""
        self.broken += broken
        self.rows.append(
            {"kill": len(self.rows), "at_s": round(at_s, 3), "stage": stage, "broken": broken}
        )

    def text(self) -> str:
        """A chapter of the report."""
        stages = Counter(row["stage"] for row in self.rows)
        lines = [
            "",
            "## Kills",
            "",
            f"{len(self.rows)} kills in {self.n_completed} runs, each of which was completed"
            f" afterwards; an undisturbed one took {self.took_s:.1f} s.",
            "",
            "| got as far as | kills |",
            "| --- | --- |",
            *(f"| {stage} | {n} |" for stage, n in sorted(stages.items())),
            "",
            f"Rules broken: {len(self.broken)}.",
            *(f"- {text}" for text in self.broken[:50]),
        ]
        return "\n".join(lines)


def kill_campaign(folder: Path, n_kills: int, seed: int) -> Killed:
    """Kill runs so often, and see to what is left."""
    card, calm, dest = folder / "card", folder / "calm", folder / "dest"
    mixed_card(card)
    before = hashes(card)
    took_s = min(_whole_run(card, calm) for _ in range(2))
    wanted, draw, done = _all_of(calm), random.Random(seed), Killed(took_s)
    longest_s = took_s
    while len(done.rows) < n_kills:
        shutil.rmtree(dest, ignore_errors=True)
        for _ in range(min(draw.randint(1, _MOST_IN_A_ROW), n_kills - len(done.rows))):
            at_s, stage, was_killed = _kill_once(card, dest, draw.uniform(0, longest_s))
            # the machine may be quicker or slower than when the run was timed
            longest_s *= 1.02 if was_killed else 0.95
            if not was_killed:
                break
            broken = [f"after a kill: {text}" for text in _rules_of(dest)]
            if hashes(card) != before:
                broken.append("a source was changed")
            done.add(at_s, stage, broken)
        done.broken += _completes(card, dest, wanted, folder / "said.txt")
        done.n_completed += 1
        if hashes(card) != before:
            done.broken.append("a source was changed")
        _say(f"{len(done.rows)} kills, {len(done.broken)} rules broken")
    return done


def _kill_once(card: Path, dest: Path, at_s: float) -> tuple[float, str, bool]:
    """Go on with a run, and kill it; gives when, how far it was, and whether it was hit."""
    process = begun(chain, card, dest, said=dest.parent / "said.txt")
    time.sleep(at_s)
    process.kill()
    process.join()
    return at_s, _stage(dest), process.exitcode == -signal.SIGKILL


def mixed_card(card: Path) -> None:
    """Three tiny takes of several kinds."""
    card.mkdir(parents=True)
    np.save(card / "array.npy", tiny_shots(0))
    _write_video(card / "video.avi", tiny_shots(1))
    (card / "stills").mkdir()
    for frame, shot in enumerate(tiny_shots(2)):
        iio.imwrite(card / "stills" / f"shot_{frame:04}.tif", shot)


def _write_video(path: Path, shots: Any) -> None:
    size = (shots.shape[2], shots.shape[1])
    writer = cv2.VideoWriter(os.fspath(path), cv2.VideoWriter.fourcc(*"MJPG"), 25, size, False)
    for shot in shots:
        writer.write(shot)
    writer.release()


def chain(card: Path, dest: Path) -> None:
    """All that happens to takes, from the search to the seal; may be done again."""
    takes = sorted(os.fspath(path) for path in card.iterdir())
    night = os.fspath(dest / "night")
    ingest = ["ingest", os.fspath(card), "--to", night, "--engine", "inline", "--no-sheets"]
    commands(
        ["find", *takes, "--out", os.fspath(dest / "logs"), "--trace", "--overwrite", *_BRIEF],
        ["trim", *takes, "--out", os.fspath(dest / "clips"), *_BRIEF],
        [*ingest, *_BRIEF],
    )
    _review(Path(night))
    commands(["verify", night], ["handoff", night, "--out", os.fspath(dest / "edit")])


def _review(night: Path) -> None:
    """Marks, notes and other ranges; every second range is cut again, which seals the night."""
    from flashpan.review.recut import recut

    with ReviewBook.open(night) as book:
        takes = [take.id for take in book.takes()]
        ranges = {take: next(iter(book.ranges(take))) for take in takes}
        for take, kept in ranges.items():
            book.mark(take, 0, CIRCLED)
            book.note(take, 0, "a note")
            book.set_range(take, kept.number, kept.first - 2, kept.last + 1)
    for take in takes[::3]:
        recut(night, take, ranges[take].number)


def _whole_run(card: Path, dest: Path) -> float:
    shutil.rmtree(dest, ignore_errors=True)
    began = time.monotonic()
    process = begun(chain, card, dest, said=dest.parent / "said.txt")
    process.join()
    if process.exitcode:
        raise SystemExit((dest.parent / "said.txt").read_text())
    return time.monotonic() - began


def _completes(card: Path, dest: Path, wanted: dict[str, str], said: Path) -> Iterator[str]:
    """Run again to the end, and hold what is there against an undisturbed run."""
    process = begun(chain, card, dest, said=said)
    process.join()
    words = said.read_text(errors="replace")
    if process.exitcode or "Traceback" in words:
        yield f"the next run ended with {process.exitcode}: {words[-300:]!r}"
    yield from (f"after the next run: {text}" for text in _rules_of(dest))
    there = _all_of(dest)
    for name in sorted(wanted.keys() | there.keys()):
        if wanted.get(name) != there.get(name):
            yield f"{name}: differs from an undisturbed run's"
    yield from (f"{path}: left over" for path in dest.rglob(".flashpan-*"))


def _rules_of(dest: Path) -> list[str]:
    """Rules broken in all folders of a run."""
    names = ("logs", "clips", "night", "edit")
    return [text for name in names if (dest / name).is_dir() for text in broken_rules(dest / name)]


def _all_of(dest: Path) -> dict[str, str]:
    """All that lasts of a run, and what the catalog says."""
    there = lasting(dest)
    # cut list and shot log say when takes were cut; earlier clips depend on when a run was killed
    there = {
        name: text
        for name, text in there.items()
        if not name.startswith(("edit/", "night/night.", "night/ascmhl"))
        and "/earlier-clips/" not in name
    }
    return there | _judged(dest / "night")


def _judged(night: Path) -> dict[str, str]:
    with NightRecord.read(night) as record:
        return {
            f"catalog {take.place}": repr(
                (
                    take.state,
                    [
                        (event.onset, event.mark, event.note != "")
                        for event in record.events(take.id)
                    ],
                    [(edit.first, edit.last) for edit in record.range_edits(take.id).values()],
                    [(clip.first, clip.last, clip.sha256) for clip in record.clips(take.id)],
                )
            )
            for take in record.takes()
        }


def _stage(dest: Path) -> str:
    """How far a run had come."""
    marks = {
        "5 handing off": dest / "edit",
        "4 reviewing or sealing again": dest / "night" / "night.json",
        "3 ingesting": dest / "night",
        "2 trimming": dest / "clips",
        "1 finding": dest / "logs",
    }
    return next((stage for stage, path in marks.items() if path.exists()), "0 beginning")


# soak


@dataclass(slots=True)
class Soaked:
    """What came of the soak."""

    n_takes: int
    faults: Counter[str]
    states: Counter[str]
    first_errors: Counter[str]
    n_worker_kills: int
    took_s: float
    memory: list[dict[str, Any]]
    broken: list[str]

    def slope_kib(self) -> float:
        """Growth of the coordinator per thousand takes, after the first fifth."""
        takes = np.array([row["takes"] for row in self.memory], float)
        kib = np.array([row["rss_kib"] for row in self.memory], float)
        late = takes > self.n_takes / 5
        return float(np.polyfit(takes[late] / 1000, kib[late], 1)[0]) if late.sum() > 2 else 0.0

    def text(self) -> str:
        """A chapter of the report."""
        rss = [row["rss_kib"] / 1024 for row in self.memory]
        states = ", ".join(f"{n} {name}" for name, n in sorted(self.states.items()))
        lines = [
            "",
            "## Soak",
            "",
            f"{self.n_takes} takes in {self.took_s:.0f} s, {self.n_worker_kills} workers killed.",
            "",
            "| fault | takes |",
            "| --- | --- |",
            *(f"| {name} | {n} |" for name, n in sorted(self.faults.items())),
            "",
            "What the first run said of takes that failed, by its commonest words:",
            "",
            *(f"- {n} × {text}" for text, n in self.first_errors.most_common(12)),
            "",
            f"In the end: {states}.",
            "",
            f"Memory of the coordinator: {min(rss):.1f} to {max(rss):.1f} MiB,"
            f" {self.slope_kib():+.0f} KiB per thousand takes after the first fifth.",
            "",
            f"Rules broken: {len(self.broken)}.",
            *(f"- {text}" for text in self.broken[:50]),
        ]
        return "\n".join(lines)


FAULTS = ("cut short", "damaged", "empty", "forbidden", "unreadable from some byte on", "vanishing")
_CAN_BE_PUT_RIGHT = frozenset(FAULTS[3:])


def soak(folder: Path, n_takes: int, seed: int, n_workers: int) -> Soaked:
    """Ingest so many takes under faults, put right what can be, ingest again."""
    draw = random.Random(seed)
    card, dest = folder / "card", folder / "night"
    plan = _laid_out(folder, n_takes, draw)
    began = time.monotonic()
    with ExitStack() as mounted:
        broken_from = {path.name: 2000 for path, fault in plan.items() if fault == FAULTS[4]}
        with suppress(OSError):
            (card / "disk").mkdir()
            mounted.enter_context(broken_disk(folder / "behind", card / "disk", broken_from))
        before = _sources(plan, folder)
        memory, n_kills = _disturbed(card, dest, plan, draw, n_workers, folder)
        first = _errors(dest)
        broken_from.clear()
        for path, fault in plan.items():
            _put_right(path, fault)
        ended = _ingest(card, dest, n_workers, folder / "second.txt")
        ended.wait()
        broken = [*_lost(dest, plan), *_said_badly(folder)]
        after = _sources(plan, folder)
        broken += [
            f"{name}: a source was changed" for name in before if before[name] != after[name]
        ]
    broken += broken_rules(dest)
    return Soaked(
        n_takes=n_takes,
        faults=Counter(fault for fault in plan.values() if fault),
        states=_states(dest),
        first_errors=first,
        n_worker_kills=n_kills,
        took_s=time.monotonic() - began,
        memory=memory,
        broken=broken,
    )


def _laid_out(folder: Path, n_takes: int, draw: random.Random) -> dict[Path, str]:
    """Write the takes; gives where each is to be seen, and its fault."""
    plan: dict[Path, str] = {}
    (folder / "behind").mkdir(parents=True)
    for number in range(n_takes):
        fault = draw.choice(FAULTS) if draw.random() < 0.12 else ""
        place = folder / "card" / f"roll{number // 500:02}"
        place.mkdir(parents=True, exist_ok=True)
        path = place / f"take{number:05}.npy"
        if fault == FAULTS[4]:
            path = folder / "behind" / path.name
        np.save(path, tiny_shots(number))
        _spoil(path, fault)
        plan[folder / "card" / "disk" / path.name if fault == FAULTS[4] else path] = fault
    return plan


def _spoil(path: Path, fault: str) -> None:
    if fault == "cut short":
        os.truncate(path, 20_000)
    elif fault == "damaged":
        path.write_bytes(os.urandom(5000))
    elif fault == "empty":
        path.write_bytes(b"")
    elif fault == "forbidden":
        path.chmod(0)


def _put_right(path: Path, fault: str) -> None:
    if fault == "forbidden":
        path.chmod(0o644)
    if fault == "vanishing":
        with suppress(OSError):
            _away(path).rename(path)


def _away(path: Path) -> Path:
    return path.parents[2] / "away" / path.name


def _sources(plan: Iterable[Path], folder: Path) -> dict[str, int]:
    """Sizes and times of writing; nobody may have touched them."""
    found = {}
    for path in plan:
        real = folder / "behind" / path.name if path.parent.name == "disk" else path
        status = real.stat()
        found[path.name] = hash((status.st_size, status.st_mtime_ns))
    return found


def _ingest(card: Path, dest: Path, n_workers: int, said: Path) -> subprocess.Popen[bytes]:
    words = [*MAIN, "ingest", os.fspath(card), "--to", os.fspath(dest), "--no-sheets", *_BRIEF]
    with said.open("wb") as file:
        return subprocess.Popen(
            [*words, "--workers", str(n_workers)],
            stdout=file,
            stderr=file,
            preexec_fn=_without_rights,
        )


def _without_rights() -> None:
    """An administrator may read what is forbidden: give that up."""
    libc = ctypes.CDLL(None)
    for right in (_MAY_PASS_RIGHTS, _MAY_READ_ALL):
        libc.prctl(_DROP_BOUND, right, 0, 0, 0)


def _disturbed(
    card: Path,
    dest: Path,
    plan: dict[Path, str],
    draw: random.Random,
    n_workers: int,
    folder: Path,
) -> tuple[list[dict[str, Any]], int]:
    """The first run: takes go, workers are killed; gives its memory over time, and kills."""
    vanishing = [path for path, fault in plan.items() if fault == "vanishing"]
    draw.shuffle(vanishing)
    (folder / "away").mkdir()
    memory: list[dict[str, Any]] = []
    process, n_kills, began = (
        _ingest(card, dest, n_workers, folder / "first.txt"),
        0,
        time.monotonic(),
    )
    while process.poll() is None:
        time.sleep(1.0)
        n_done = _n_done(dest)
        with suppress(psutil.Error):
            rss = psutil.Process(process.pid).memory_info().rss // 1024
            if rss:  # it has not ended meanwhile
                memory.append(
                    {"s": round(time.monotonic() - began, 1), "takes": n_done, "rss_kib": rss}
                )
        while vanishing and n_done > 20 and len(vanishing) > (1 - n_done / len(plan)) * 100:
            path = vanishing.pop()
            with suppress(OSError):
                path.rename(_away(path))
        if n_done > 50 and draw.random() < 0.05:
            n_kills += _kill_one(process.pid, draw)
        if len(memory) % 30 == 0:
            _say(f"soak: {n_done} of {len(plan)}, {n_kills} workers killed")
    return memory, n_kills


def _kill_one(parent: int, draw: random.Random) -> bool:
    with suppress(psutil.Error, IndexError):
        children = psutil.Process(parent).children(recursive=True)
        workers = [child for child in children if "spawn_main" in " ".join(child.cmdline())]
        draw.choice(workers).send_signal(signal.SIGKILL)
        return True
    return False


def _n_done(dest: Path) -> int:
    with suppress(Exception), NightRecord.read(dest) as record:
        return sum(1 for take in record.takes() if take.state in (DONE, FAILED))
    return 0


def _errors(dest: Path) -> Counter[str]:
    with NightRecord.read(dest) as record:
        failed = [take.error for take in record.takes(state=FAILED)]
        failed += [problem.text for problem in record.problems()]
    return Counter(text.partition(": ")[2][:80] for text in failed)


def _states(dest: Path) -> Counter[str]:
    with NightRecord.read(dest) as record:
        states = Counter(take.state for take in record.takes())
        return states + Counter({"not to be read": len(record.problems())})


def _lost(dest: Path, plan: dict[Path, str]) -> Iterator[str]:
    """Takes that are nowhere, and takes that should be done and are not."""
    with NightRecord.read(dest) as record:
        takes = {take.path: take for take in record.takes()}
        problems = {problem.path: problem.text for problem in record.problems()}
        for path, fault in plan.items():
            take, problem = takes.get(os.fspath(path)), problems.get(os.fspath(path), "")
            if take is None and not problem:
                yield f"{path.name} ({fault}): is lost"
            elif fault in ("", *_CAN_BE_PUT_RIGHT):
                if take is None or take.state != DONE:
                    yield f"{path.name} ({fault}): is not done ({problem or (take and take.error)})"
                elif not list(record.events(take.id)) or not list(record.clips(take.id)):
                    yield f"{path.name} ({fault}): has no event, or no clip"
            elif take is not None and take.state == FAILED and not take.error:
                yield f"{path.name} ({fault}): failed for no reason"


def _said_badly(folder: Path) -> Iterator[str]:
    for name in ("first.txt", "second.txt"):
        words = (folder / name).read_text(errors="replace")
        if "Traceback" in words or "Exception ignored" in words:
            yield f"{name}: a traceback: {words[words.index('Trace') :][:300]!r}"


def _write_csv(path: Path, rows: list[dict[str, Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]) if rows else ["nothing"])
        writer.writeheader()
        writer.writerows(rows)


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--soak", type=int, default=6000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", help="where takes and nights go meanwhile")
    parser.add_argument("--out", default=Path(__file__).parent / "results")
    return parser.parse_args(arguments)


if __name__ == "__main__":
    sys.exit(main())
