"""Copying what was flagged, and no more: verified, atomic, and again only what is missing.

Raw pixels, ``.npy`` and Y4M become one file of the frames kept; stills are copied under their
names; packets become a clip for each range, by the machinery of `flashpan.trim`.  Beside every
copy but the clips lies its event log, ``<name>.copied.events.json`` (see `record`).
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from flashpan.atomic import make_folder, new_file, remove_left_over, write_text
from flashpan.cut.base import How
from flashpan.cut.engine import Cutter
from flashpan.cut.names import inside, safe_name, take_stem
from flashpan.cut.plan import Plan, TrimSettings
from flashpan.cut.report import Trimmed
from flashpan.cut.space import Need, require_space
from flashpan.cut.steady import leave_to_disk
from flashpan.errors import ClipDiffers, CutRefused, FlashpanError, TakeError, UnreadableTake
from flashpan.eventlog import EXTENSION, from_dict, write_log
from flashpan.fingerprint import fingerprint_of
from flashpan.jsontext import loads
from flashpan.model import EventLog, TakeInfo
from flashpan.offload.kept import ByteSpan, Copied, FlaggedTake, Form, bytes_of
from flashpan.offload.record import copy_log
from flashpan.settings import Settings
from flashpan.trim import Say, TrimRun, was_made_so

COPIED = ".copied" + EXTENSION
HASHED = "read back, SHA-256"
_BLOCK_BYTES = 4 << 20


class Offload:
    """A folder that what is kept of takes is copied to.

    Parameters
    ----------
    dest : path-like
        Made if need be.
    root : str
        The folder that takes have their places in.
    takes : sequence of str
        All takes of the source, so that no two get the same names.
    overwrite : bool
        Replace what is in the way.
    say : callable
        Takes lines for people.
    """

    def __init__(
        self,
        dest: str | os.PathLike[str],
        root: str,
        takes: Sequence[str],
        overwrite: bool,
        say: Say,
    ) -> None:
        self._dest, self._root, self._takes = Path(dest), root, takes
        self._overwrite, self._say = overwrite, say

    def log_there(self, take: TakeInfo, place: str, settings: Settings) -> EventLog | None:
        """The log that an earlier run left of this very take with the same settings."""
        if self._overwrite:
            return None
        take = replace(take, fingerprint=fingerprint_of(take.path))
        for path in (self._record(place), self._clip_log(take, place)):
            data = _read(path)
            logged = _offload_of(data).get("log", data)
            if not was_made_so(logged, settings.resolved(take).as_log()):
                continue
            with suppress(KeyError, TypeError, ValueError, AttributeError):
                log = from_dict(logged)
                if log.take.fingerprint == take.fingerprint is not None:
                    self._say(f"{path}: serves again (same take, same settings)")
                    return replace(log, take=replace(log.take, path=take.path, name=take.name))
        return None

    def copied(self, one: FlaggedTake) -> FlaggedTake:
        """Copy what is kept of a take; what is there already, and whole, is left as it is.

        Raises
        ------
        TakeError
            The take has changed since it was searched, there is no room, something else is in
            the way, or a copy does not hold what was read.
        """
        if one.log.take.fingerprint != fingerprint_of(one.found.path):
            raise TakeError(f"{one.found.path}: has changed since it was searched; run again")
        folder = self._target(one.place).parent
        for made in (folder, *self._folder_of_stills(one)):
            make_folder(made)
            remove_left_over(made)
        if one.form is Form.FILES:
            return self._files(one)
        if one.form in (Form.PACKETS, Form.PAGES):
            try:
                return self._clips(one, folder)
            except CutRefused as refused:
                note = f"was copied whole: {_reason(refused, one)}"
                return replace(self._whole(one), copy_notes=(note,))
        if one.form is Form.NOTHING:
            self._write_record(one, {}, 0)
            return one
        return self._whole(one) if one.form is Form.WHOLE else self._bytes(one)

    def _bytes(self, one: FlaggedTake) -> FlaggedTake:
        spans = (*one.laid.around, *(span for part in one.parts for span in part.spans))
        return self._one_file(one, one.laid.header, spans)

    def _whole(self, one: FlaggedTake) -> FlaggedTake:
        return self._one_file(one, b"", (ByteSpan(0, one.found.bytes),))

    def _one_file(self, one: FlaggedTake, header: bytes, spans: Sequence[ByteSpan]) -> FlaggedTake:
        target = self._target(one.place)
        n_bytes = len(header) + bytes_of(spans)
        known = self._files_there(one).get(target.name)
        if known is not None and target.is_file() and _sha256(target) == known:
            there = Copied(path=target, n_bytes=n_bytes, proof=HASHED, was_there=True)
            return replace(one, copied=(there,))
        require_space(target.parent, [Need(n_bytes, 1, "the bytes to copy")])
        with new_file(target, overwrite=self._overwrite) as part:
            digest = _copy(one.found.path, header, spans, part)
            _set_time(one.found.path, part)
            _prove(part, digest, one.found.path)
            self._write_record(one, {target.name: digest}, n_bytes, part)
        return replace(one, copied=(Copied(path=target, n_bytes=n_bytes, proof=HASHED),))

    def _files(self, one: FlaggedTake) -> FlaggedTake:
        names = [name for part in one.parts for name in part.files]
        require_space(self._dest, [Need(one.n_bytes, len(names), "the sizes of its files")])
        known = self._files_there(one)
        digests, made = {}, []
        for name in names:
            copy, digests[os.path.basename(name)] = self._file(name, known)
            made.append(copy)
        copied = Copied(
            path=self._target(names[0]).parent,
            n_bytes=sum(copy.n_bytes for copy in made),
            proof=f"{len(made)} files {HASHED}",
            was_there=all(copy.was_there for copy in made),
        )
        if digests != known or not self._record(one.place).exists():
            self._write_record(one, digests, copied.n_bytes)
        return replace(one, copied=(copied,))

    def _folder_of_stills(self, one: FlaggedTake) -> list[Path]:
        names = [name for part in one.parts for name in part.files]
        return [self._target(names[0]).parent] if names else []

    def _file(self, name: str, known: dict[str, str]) -> tuple[Copied, str]:
        """One still; one that is there must be what the record, or else the source, has."""
        source, target = os.path.join(self._root, name), self._target(name)
        if target.is_file() and not self._overwrite:
            wanted = known.get(target.name) or _sha256(Path(source))
            if _sha256(target) == wanted:
                size = target.stat().st_size
                return Copied(path=target, n_bytes=size, proof=HASHED, was_there=True), wanted
        with new_file(target, overwrite=self._overwrite) as part, _readable(source):
            size = os.stat(source).st_size
            digest = _copy(source, b"", (ByteSpan(0, size),), part)
            _set_time(source, part)
            _prove(part, digest, source)
        return Copied(path=target, n_bytes=size, proof=HASHED), digest

    def _clips(self, one: FlaggedTake, folder: Path) -> FlaggedTake:
        """A clip for each range, as `flashpan trim --how copy` writes it."""
        wanted = TrimSettings(how=How.COPY, overwrite=self._overwrite)
        run = TrimRun([one.found.path], folder, wanted, say=self._say)
        stem = take_stem(one.take, folder, self._takes_beside(one.found.path))
        path = inside(folder, f"{stem}{EXTENSION}")
        if not _is_log(path, one.log):
            write_log(one.log, folder, self._overwrite, stem=stem)
        plan = Plan(
            log=one.log,
            log_path=path,
            take=one.take,
            raw=one.raw,
            stem=stem,
            wanted=wanted,
            kept=tuple(range(len(one.log.ranges))),
            cutter=Cutter(one.index),
        )
        done = run.write(plan)
        if done.failed:
            raise done.failed[0].error
        return replace(one, copied=tuple(_clips_of(done)), copy_notes=tuple(_clip_notes(done)))

    def _takes_beside(self, path: str) -> list[str]:
        folder = os.path.dirname(path)
        return [take for take in self._takes if os.path.dirname(take) == folder]

    def _target(self, place: str) -> Path:
        """Where a file or folder of the source goes; no link may lead out of the destination."""
        path = self._dest
        for name in place.split(os.sep):
            path = inside(path, name)
        return path

    def _record(self, place: str) -> Path:
        folder, name = os.path.split(place)
        return self._dest / folder / f"{safe_name(name)}{COPIED}"

    def _clip_log(self, take: TakeInfo, place: str) -> Path:
        folder = self._dest / os.path.dirname(place)
        return folder / f"{take_stem(take, folder, self._takes_beside(take.path))}{EXTENSION}"

    def _files_there(self, one: FlaggedTake) -> dict[str, str]:
        """SHA-256 of each file that an earlier run copied of the same frames of this take."""
        said = _offload_of(_read(self._record(one.place)))
        with suppress(KeyError, TypeError, ValueError, AttributeError):
            logged = from_dict(said["log"])
            if (logged.take.fingerprint, logged.ranges) == (
                one.log.take.fingerprint,
                one.log.ranges,
            ):
                return {file["name"]: file["sha256"] for file in said["files"]}
        return {}

    def _write_record(
        self, one: FlaggedTake, digests: dict[str, str], n_bytes: int, part: Path | None = None
    ) -> None:
        """Write the log of a copy; one without its copy is what a killed run left."""
        target, path = self._target(one.place), self._record(one.place)
        # a folder of stills may be the source itself
        copy = part or self._dest / os.path.relpath(one.found.path, self._root)
        content = copy_log(one, target, digests, fingerprint_of(copy) if digests else None)
        text = json.dumps(content, indent=1, allow_nan=False) + "\n"
        if not (path.exists() and _read(path) == json.loads(text)):
            may = self._overwrite or not target.exists() or one.form is Form.FILES
            write_text(path, text, overwrite=may)


def _copy(source: str, header: bytes, spans: Iterable[ByteSpan], part: Path) -> str:
    """Write a header and bytes of the source; gives the SHA-256 of all that was written."""
    digest = hashlib.sha256(header)
    with open(source, "rb", buffering=0) as taken, part.open("wb") as made:
        made.write(header)
        for span in spans:
            for block in _blocks(taken.fileno(), span, source):
                made.write(block)
                digest.update(block)
    return digest.hexdigest()


def _blocks(descriptor: int, span: ByteSpan, source: str) -> Iterator[bytes]:
    at, stop = span.first, span.first + span.n_bytes
    while at < stop:
        block = os.pread(descriptor, min(_BLOCK_BYTES, stop - at), at)
        if not block:
            raise UnreadableTake(f"{source}: ends at byte {at:,}, before {stop:,}; run again")
        at += len(block)
        yield block


def _prove(part: Path, digest: str, source: str) -> None:
    """Read a copy back from the disk."""
    leave_to_disk(part)
    if _sha256(part) != digest:
        raise ClipDiffers(f"{source}: what was written is not what was read; check the disk")


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _set_time(source: str, part: Path) -> None:
    """Give a copy the time of its source, by which a night knows when a take was shot."""
    with suppress(OSError):
        status = os.stat(source)
        os.utime(part, ns=(status.st_atime_ns, status.st_mtime_ns))


@contextmanager
def _readable(source: str) -> Iterator[None]:
    """Tell a still that cannot be read from a destination that cannot be written."""
    try:
        os.close(os.open(source, os.O_RDONLY))
    except OSError as error:
        raise UnreadableTake(f"{source}: {error.strerror}; check the file and its rights") from None
    yield


def _read(path: Path) -> dict[str, Any]:
    try:
        data = loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return data if isinstance(data, dict) else {}


def _offload_of(data: dict[str, Any]) -> dict[str, Any]:
    said = data.get("offload")
    return said if isinstance(said, dict) else {}


def _is_log(path: Path, log: EventLog) -> bool:
    """Whether a log that is there has the same ranges of the same take."""
    with suppress(KeyError, TypeError, ValueError, AttributeError):
        there = from_dict(_read(path))
        same_take = there.take.fingerprint == log.take.fingerprint
        return same_take and there.ranges == log.ranges and there.settings == log.settings
    return False


def _reason(error: FlashpanError, one: FlaggedTake) -> str:
    return str(error).removeprefix(f"{one.found.path}: ")


def _clips_of(done: Trimmed) -> Iterator[Copied]:
    for output in done.outputs:
        yield Copied(
            path=output.path,
            n_bytes=output.n_bytes,
            proof=output.proof,
            was_there=output.was_there,
        )


def _clip_notes(done: Trimmed) -> Iterator[str]:
    yield from dict.fromkeys(warning for clip in done.clips for warning in clip.warnings)
