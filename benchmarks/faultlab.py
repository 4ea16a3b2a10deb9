"""Faults on demand, and what must be true of a folder whatever went wrong.

`Injected` makes one file operation of a process fail, or the process die in front of it.  It
counts what Python does below one folder: files opened to write or to read, folders made, renames,
links, removals, forced writes, and statements of the catalog.  So every point at which power may
go or a disk may fill up can be tried, one after the other.  What C libraries write by themselves
(containers, SQLite's pages) it does not see; small disks that fill up do that, see
``tests/faults``.

`broken_rules` looks at what is left: sources as they were, nothing half under a final name, every
event of the catalog with its log.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import signal
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from importlib import import_module
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from pathlib import Path
from pkgutil import walk_packages
from typing import Any

import numpy as np

import flashpan
from flashpan.cli import main
from flashpan.cut.sidecar import digest, read_sidecar
from flashpan.errors import CatalogError
from flashpan.eventlog import EXTENSION, read_log
from flashpan.night.checksums import checksum
from flashpan.night.database import Database
from flashpan.night.discovery import CATALOG_NAME
from flashpan.night.record import NightRecord

QUICK = ("--pre-roll", "4", "--post-roll", "5", "--merge-gap", "3")
DIE = -1
"""In place of an error's number: SIGKILL, as when power goes."""

_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC
_CHANGES = (
    "os.mkdir",
    "os.rename",
    "os.link",
    "os.symlink",
    "os.remove",
    "os.rmdir",
    "os.truncate",
)
TAKE_NO_SPACE = frozenset({"os.remove", "os.rmdir", "os.rename", "os.truncate"})
_SIDECAR = ".clip.json"
_LOADED_LATE = ("scipy.ndimage", "scipy.optimize", "scipy.signal", "scipy.stats", "tqdm")
_server = get_context("forkserver")


@dataclass(slots=True)
class Injected:
    """Lets the operation of one number fail, and where ``lasts`` is true all after it.

    Parameters
    ----------
    folder : str
        Operations below it count.
    at : int
        Number of the first that fails, from 0; negative for none.
    error : int
        What it fails with; `DIE` kills the process.
    reads : bool
        Count files opened to read, instead of all that changes anything.
    lasts : bool
        Whether later ones fail, too; a full disk lets files be removed.
    """

    folder: str
    at: int = -1
    error: int = errno.ENOSPC
    reads: bool = False
    lasts: bool = False
    seen: list[str] = field(default_factory=list)

    def install(self) -> None:
        """Begin to count; for the rest of the process, since audit hooks stay."""
        self.folder = os.path.abspath(self.folder) + os.sep
        sys.addaudithook(self._heard)
        if not self.reads:
            self._wrap_sync()
            self._wrap_catalog()

    def _heard(self, event: str, arguments: tuple[Any, ...]) -> None:
        if event == "open":
            path, _, flags = arguments
            is_write = isinstance(flags, int) and bool(flags & _WRITES)
            if is_write != self.reads:
                self._count("open", path)
        elif event in _CHANGES and not self.reads:
            self._count(event, arguments[0])

    def _wrap_sync(self) -> None:
        sync = os.fsync

        def fsync(descriptor: int) -> None:
            self._count("fsync", os.readlink(f"/proc/self/fd/{descriptor}"))
            sync(descriptor)

        os.fsync = fsync  # type: ignore[assignment]

    def _wrap_catalog(self) -> None:
        run = Database.run

        def counted(database: Database, sql: str, *values: Any) -> sqlite3.Cursor:
            if sql.split()[0] in ("BEGIN", "COMMIT"):
                self._count("catalog", os.path.abspath(database.path))
            return run(database, sql, *values)

        Database.run = counted  # type: ignore[method-assign,assignment]

    def _count(self, what: str, path: Any) -> None:
        if not isinstance(path, str | bytes | os.PathLike):
            return
        name = os.path.abspath(os.fsdecode(path))
        if not (name + os.sep).startswith(self.folder):
            return
        number = len(self.seen)
        self.seen.append(f"{what} {name.removeprefix(self.folder)}")
        if self._hits(number, what):
            self._fail(what, name)

    def _hits(self, number: int, what: str) -> bool:
        if self.at < 0 or number < self.at or (number > self.at and not self.lasts):
            return False
        return self.error != errno.ENOSPC or what not in TAKE_NO_SPACE

    def _fail(self, what: str, name: str) -> None:
        if self.error == DIE:
            os.kill(os.getpid(), signal.SIGKILL)
        if what == "catalog":
            raise CatalogError(f"{name}: database or disk is full; free some space and run again")
        raise OSError(self.error, os.strerror(self.error), name)


def begun(work: Callable[..., object], *arguments: Any, said: Path) -> BaseProcess:
    """Begin ``work(*arguments)`` in a process that has everything loaded.

    A new Python spends most of a short command's time on imports; a kill would hit those.

    Parameters
    ----------
    work : callable
        It and its arguments must pickle.
    said : Path
        Gets what the process says on stdout and stderr.
    """
    ours = [module.name for module in walk_packages(flashpan.__path__, "flashpan.")]
    _server.set_forkserver_preload([*ours, *_LOADED_LATE, "warmed"])
    process = _server.Process(target=_aside, args=(work, arguments, str(said)))
    with _found_from_here():
        process.start()
    return process


@contextmanager
def _found_from_here() -> Iterator[None]:
    """Let a new Python, which gets no path from its parent, find the modules beside this one."""
    before = os.environ.get("PYTHONPATH", "")
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, (str(Path(__file__).parent), before)))
    try:
        yield
    finally:
        os.environ["PYTHONPATH"] = before


def command(words: list[str]) -> None:
    """What the program does; it ends by `SystemExit`."""
    main(words)


def commands(*several: list[str]) -> None:
    """One command after the other; stops at the first that fails."""
    for words in several:
        try:
            main(words)
        except SystemExit as left:
            if left.code:
                raise


def injected(words: list[str], fault: Injected, watched: Path) -> None:
    """A command with a fault in it; what it did goes to a file, a line each."""
    fault.install()
    try:
        main(words)
    finally:
        watched.write_text("\n".join(fault.seen), encoding="utf-8")


def crammed(words: list[str]) -> None:
    """A command that finds room enough before it writes: others fill the disk meanwhile."""
    for name in ("flashpan.trim", "flashpan.offload.copy"):
        vars(import_module(name))["require_space"] = lambda *_: "room enough, or so it seems"
    main(words)


def _aside(work: Callable[..., object], arguments: tuple[Any, ...], said: str) -> None:
    elsewhere = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    for stream in (sys.stdout, sys.stderr):
        os.dup2(elsewhere, stream.fileno())
    work(*arguments)


def tiny_shots(seed: int, n_frames: int = 60, onset: int = 40) -> np.ndarray:
    """Invented: grey noise, uint8 (n_frames, 24, 32), with a square that lights up."""
    shots = np.random.default_rng(seed).normal(40, 2, (n_frames, 24, 32))
    shots[onset : onset + 4, 8:16, 8:16] += 80
    return np.clip(shots, 0, 255).astype(np.uint8)


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file below a folder, with its rights and its time of writing."""
    return {
        str(path.relative_to(folder)): (
            f"{checksum(path)} {path.lstat().st_mode:o} {path.lstat().st_mtime_ns}"
        )
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def broken_rules(dest: Path) -> list[str]:
    """What is not as it must be in a folder of clips or a night, one line each."""
    rules: tuple[Callable[[Path], Iterator[str]], ...] = (
        _half_logs,
        _half_clips,
        _half_files,
        _catalog_without_files,
    )
    return [text for rule in rules for text in rule(dest)]


def _half_logs(dest: Path) -> Iterator[str]:
    for path in dest.rglob(f"*{EXTENSION}"):
        try:
            read_log(path)
        except Exception as error:
            yield f"half a log: {error}"


def _half_clips(dest: Path) -> Iterator[str]:
    """Clips are written before their names; a sidecar may be there without its clip."""
    for path in dest.rglob(f"*{_SIDECAR}"):
        clip = path.with_name(path.name.removesuffix(_SIDECAR))
        said = read_sidecar(clip)
        if not said:
            yield f"{path}: half a sidecar"
        elif clip.exists() and not _is_whole(clip, said):
            yield f"{clip}: is not what its sidecar says"


def _is_whole(clip: Path, said: dict[str, Any]) -> bool:
    if clip.is_dir():
        n_bytes = sum(file.stat().st_size for file in clip.iterdir() if file.is_file())
    else:
        n_bytes = clip.stat().st_size
    return bool(
        said["bytes"] == n_bytes
        and said["verified"] in (True, None)
        and said["digest_sha256"] in (None, digest(tuple(said["frame_hashes"])))
        and _decodes(clip, said["frames"])
    )


def _decodes(clip: Path, n_frames: int) -> bool:
    from flashpan.readers.open import open_take

    if clip.suffix not in (".mov", ".mkv", ".npy", ".avi", ".mp4", ".y4m"):
        return True
    with open_take(clip) as reader:
        return sum(1 for _ in reader.frames()) == n_frames


def _half_files(dest: Path) -> Iterator[str]:
    """Files of other kinds that open, or do not."""
    from PIL import Image

    for path in dest.rglob("*"):
        if not path.is_file() or path.name.startswith((".", "night.lock")):
            continue
        try:
            if path.suffix == ".json":
                json.loads(path.read_text(encoding="utf-8"))
            elif path.suffix in (".png", ".jpg"):
                with Image.open(path) as picture:
                    picture.load()
            elif path.suffix == ".npz":
                np.load(path, allow_pickle=False).close()
            elif path.suffix in (".sha256", ".mhl", ".pdf") and not path.stat().st_size:
                yield f"{path}: is empty"
        except Exception as error:
            yield f"{path}: half a file ({error})"


def _catalog_without_files(dest: Path) -> Iterator[str]:
    """Every event that the catalog has, some log has; every clip is there, and is that clip."""
    if not _is_begun(dest / CATALOG_NAME):
        return
    with NightRecord.read(dest) as record:
        yield from record.faults()
        for take in record.takes():
            events = list(record.events(take.id))
            if events:
                yield from _log_differs(dest / take.folder / take.log_name, len(events))
            for clip in record.clips(take.id):
                path = dest / take.folder / clip.name
                if not path.exists():
                    yield f"{path}: is in the catalog and not there"
                elif checksum(path) != clip.sha256:
                    yield f"{path}: differs from the catalog"


def _is_begun(path: Path) -> bool:
    """Whether there is a catalog, and it has its tables: the first thing that a run does."""
    if not path.is_file():
        return False
    with closing(sqlite3.connect(path)) as connection:
        return bool(connection.execute("PRAGMA user_version").fetchone()[0])


def _log_differs(path: Path, n_events: int) -> Iterator[str]:
    try:
        log = read_log(path)
    except Exception as error:
        yield f"{path}: events in the catalog, and no log ({error})"
        return
    if len(log.events) != n_events:
        yield f"{path}: {len(log.events)} events, {n_events} in the catalog"


def lasting(dest: Path) -> dict[str, str]:
    """What a night or a folder of clips holds, but for times and what says when it was written."""
    return {
        str(path.relative_to(dest)): _lasting(path, dest)
        for path in sorted(dest.rglob("*"))
        if path.is_file() and not _is_of_the_moment(path, dest)
    }


def _is_of_the_moment(path: Path, dest: Path) -> bool:
    parts = path.relative_to(dest).parts
    return parts[0].startswith(("night.", "ascmhl"))


def _lasting(path: Path, dest: Path) -> str:
    if path.name.endswith(EXTENSION):  # that of a copy says where the copy is
        text = path.read_text(encoding="utf-8").replace(f"{dest}{os.sep}", "")
        return re.sub(r'"seconds": [-+.0-9e]+', "", text)
    if path.suffix == ".sha256":  # has the log's, which holds its seconds
        lines = path.read_text(encoding="utf-8").splitlines()
        return "\n".join(line for line in lines if EXTENSION not in line)
    if path.suffix == ".npz":  # is an archive, which says when it was made
        with np.load(path, allow_pickle=False) as arrays:
            return hashlib.sha256(b"".join(arrays[name].tobytes() for name in arrays)).hexdigest()
    if path.suffix == ".pdf":
        return "pdf"
    return checksum(path)
