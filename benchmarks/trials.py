"""Damaged takes through the program, each in a process that may die of it.

One process after the other is forked from this one, which has everything loaded; each tries some
tens of inputs and says before every one which it is, so that a crash, a hang or memory without end
is put down to the input that did it, and the next process goes on behind it.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import resource
import select
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any

import cv2

from flashpan.cli import main
from flashpan.errors import FlashpanError
from flashpan.eventlog import to_json
from flashpan.find import find
from flashpan.logfaults import faults, parsed
from flashpan.readers.open import open_take
from flashpan.table import format_table
from sample_generators.damage import Mutant, Specimen

CLEAN, REFUSED = "clean", "refused"
FAULTS = ("traceback", "reader fault", "hang", "memory", "signal", "source changed", "words")
"""What an input must not come to; each failure is of one of these classes."""

_BATCH = 40
_CLEAR_PEAK = "5"
_PARTS = (7, 0, 3, 11, 1_000_000)
"""Frames that are fetched by themselves, out of order; not all are there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What came of one input.

    Attributes
    ----------
    number : int
        Of the input in its campaign.
    format, how : str
        What it was, and what was done to it.
    command : str
        ``find`` through the library, or the words of a command line.
    outcome : str
        ``clean``, ``refused`` (one line that names what is refused), or one of `FAULTS`.
    text : str
        The line, or what went wrong.
    seconds : float
        Of processor time where the process lived, else of waiting.
    rss_bytes, asked_bytes : int
        Memory used, and addresses asked for, beyond what the process had before.
    """

    number: int
    format: str
    how: str
    command: str
    outcome: str
    text: str = ""
    seconds: float = 0.0
    rss_bytes: int = 0
    asked_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Limits:
    """How long an input may take, and how much memory beyond what the process has."""

    seconds: float = 20.0
    memory_bytes: int = 2 << 30


@dataclass(frozen=True, slots=True)
class _Laid:
    """An input on disk."""

    number: int
    mutant: Mutant
    command: str
    folder: Path
    before: dict[str, bytes]

    @property
    def specimen(self) -> Specimen:
        return self.mutant.specimen

    @property
    def take(self) -> Path:
        made = self.folder / self.specimen.name
        return self.folder if self.specimen.others else made

    def trial(self, outcome: str, **more: Any) -> Trial:
        return Trial(
            number=self.number,
            format=self.specimen.format,
            how=self.mutant.how,
            command=self.command,
            outcome=outcome,
            **more,
        )

    def is_as_it_was(self) -> bool:
        """Whether every source file still holds what it held, and nothing has come beside it."""
        names = sorted(path.name for path in self.folder.iterdir())
        return names == sorted(self.before) and all(
            (self.folder / name).read_bytes() == data for name, data in self.before.items()
        )


Inputs = Iterable[tuple[int, Mutant, str]]
"""Number, damaged take, and the command to give it to."""


def tried(inputs: Inputs, limits: Limits | None = None) -> Iterator[Trial]:
    """Try inputs in order; whatever they do, this goes on.

    Parameters
    ----------
    inputs : iterable of (int, Mutant, str)
        Number, damaged take, and ``find`` or the words of a command line in which ``TAKE`` stands
        for the take and ``OUT`` for an empty folder.
    limits : Limits, optional
    """
    waiting = iter(inputs)
    limits = limits or Limits()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as place:
        while batch := [_laid(Path(place), *one) for one in islice(waiting, _BATCH)]:
            yield from _batch(batch, limits)


def _laid(place: Path, number: int, mutant: Mutant, command: str) -> _Laid:
    folder = place / f"take{number}"
    folder.mkdir()
    before = {**mutant.specimen.others, mutant.specimen.name: mutant.specimen.data}
    for name, data in before.items():
        (folder / name).write_bytes(data)
    return _Laid(number, mutant, command, folder, before)


def _batch(batch: list[_Laid], limits: Limits) -> Iterator[Trial]:
    left = batch
    while left:
        done = 0
        for trial in _in_child(left, limits):
            laid, done = left[done], done + 1
            changed = not laid.is_as_it_was()
            yield replace(trial, outcome="source changed") if changed else trial
        left = left[done:]
    for laid in batch:
        shutil.rmtree(laid.folder)


def _in_child(batch: list[_Laid], limits: Limits) -> Iterator[Trial]:
    """Try inputs in a forked process, up to and including the one that it dies of."""
    reads, writes = os.pipe()
    child = os.fork()
    if not child:
        os.close(reads)
        _try_all(batch, limits, writes)
        os._exit(0)
    os.close(writes)
    lines = _Lines(reads)
    try:
        for laid in batch:
            line = lines.next(limits.seconds)
            if line is None:
                text = f"no answer within {limits.seconds:g} s"
                yield laid.trial("hang", text=text, seconds=limits.seconds)
                return
            if not line:
                yield laid.trial("signal", text=_ended(os.waitpid(child, 0)[1]))
                child = 0
                return
            yield Trial(**json.loads(line))
    finally:
        os.close(reads)
        if child:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)


class _Lines:
    """Lines out of a pipe, each waited for so long and no longer."""

    def __init__(self, pipe: int) -> None:
        self._pipe, self._rest = pipe, b""

    def next(self, most_s: float) -> bytes | None:
        """The next line; empty at the end, None where none comes in time."""
        until = time.monotonic() + most_s
        while b"\n" not in self._rest:
            ready, _, _ = select.select([self._pipe], [], [], max(until - time.monotonic(), 0))
            if not ready:
                return None
            got = os.read(self._pipe, 1 << 16)
            if not got:
                return b""
            self._rest += got
        line, _, self._rest = self._rest.partition(b"\n")
        return line


def _ended(status: int) -> str:
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        return f"signal {number} ({signal.strsignal(number)})"
    return f"ended with status {os.WEXITSTATUS(status)}"


def _try_all(batch: list[_Laid], limits: Limits, answers: int) -> None:
    """What the forked process does: each input, and a line on it."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)
    most = _status_bytes("VmSize") + limits.memory_bytes
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    for laid in batch:
        os.write(answers, json.dumps(asdict(_tried(laid, most))).encode() + b"\n")


def _status_bytes(name: str) -> int:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1]) << 10
    return 0


def _tried(laid: _Laid, most_bytes: int) -> Trial:
    Path("/proc/self/clear_refs").write_text(_CLEAR_PEAK)
    rss, size, peak = (_status_bytes(name) for name in ("VmRSS", "VmSize", "VmPeak"))
    began = time.process_time()
    # what libraries print on their own goes nowhere; what the program prints is looked at
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        outcome, text = _outcome(laid)
    asked = _status_bytes("VmPeak")
    if "MemoryError" in text or "Unable to allocate" in text:
        outcome = "memory"
    return laid.trial(
        outcome,
        text=text[:400],
        seconds=round(time.process_time() - began, 4),
        rss_bytes=max(_status_bytes("VmHWM") - rss, 0),
        asked_bytes=asked - size if asked > peak else 0,  # the system keeps one peak
    )


def _outcome(laid: _Laid) -> tuple[str, str]:
    try:
        return _found(laid) if laid.command == "find" else _commanded(laid)
    except FlashpanError as error:
        return _judged(laid, str(error))
    except Exception as error:
        return "traceback", _where(error)


def _where(error: BaseException) -> str:
    """The error, and the innermost place of the program that it came through."""
    place, trace = "", error.__traceback__
    while trace is not None:
        file = trace.tb_frame.f_code.co_filename
        if "flashpan" in file or not place:
            place = f"{Path(file).name}:{trace.tb_lineno}"
        trace = trace.tb_next
    return f"{type(error).__name__}: {error} at {place}"


def _judged(laid: _Laid, text: str) -> tuple[str, str]:
    """Whether a refusal is one line that says what is refused, and no fault in disguise."""
    said = [str(laid.take), laid.specimen.name, laid.specimen.raw or "\0"]
    said += ["-: ", " of -"] if laid.specimen.piped else []
    if "\n" in text or not any(one in text for one in said):
        return "words", text
    if " failed: " in text or "a fault of" in text:
        return "reader fault", text
    return REFUSED, text


def _source(laid: _Laid) -> str:
    """What to open; a pipe's bytes are put where standard input is."""
    if not laid.specimen.piped:
        return str(laid.take)
    file = os.open(laid.take, os.O_RDONLY)
    os.dup2(file, 0)
    os.close(file)
    sys.stdin = open(0, closefd=False)  # noqa: SIM115  # stays open for the reader
    return "-"


def _found(laid: _Laid) -> tuple[str, str]:
    """The library: open, fetch single frames, search, and write down what was found."""
    if not laid.specimen.piped:
        with open_take(laid.take, raw=laid.specimen.raw) as reader:
            fetch = reader.in_parts()
            if fetch is not None:
                for index in _PARTS:
                    fetch(index)
            reader.part_sizes()
    with open_take(_source(laid), raw=laid.specimen.raw, capture_rate=20_000) as reader:
        log = find(reader)
    format_table(log)
    strange = [warning for warning in log.warnings if "\n" in warning]
    strange += faults(parsed(to_json(log)), None)  # what is written can be read again
    return ("words", strange[0]) if strange else (CLEAN, f"{log.totals.frames} frames")


def _commanded(laid: _Laid) -> tuple[str, str]:
    """The command line, in this process: what it prints, and how it ends."""
    errors = io.StringIO()
    with tempfile.TemporaryDirectory() as out, contextlib.redirect_stderr(errors):
        named = {"TAKE": _source(laid), "OUT": out}
        words = [named.get(word, word) for word in laid.command.split()]
        words += ["--raw", laid.specimen.raw] if laid.specimen.raw is not None else []
        try:
            main(words)
        except SystemExit as left:
            status = left.code
    return _spoken(laid, status, errors.getvalue().splitlines())


def _spoken(laid: _Laid, status: object, said: list[str]) -> tuple[str, str]:
    """Whether every line on stderr is a message, and failure has one that names the take."""
    lines = [line for line in said if not line.startswith("flashpan: wrote ")]
    strange = [line for line in lines if not line.startswith("flashpan: ")]
    if strange or status not in (0, 2, 3):
        return "words", f"status {status}: {strange[:1] or lines}"
    if not status:
        return CLEAN, ""
    return _judged(laid, lines[0]) if lines else ("words", f"status {status} and not a word")
