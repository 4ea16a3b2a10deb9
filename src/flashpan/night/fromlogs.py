"""What a take's own files say of it: its event log, and the sidecars of its clips.

They hold all that was found and cut.  What the operator made of it, and with what settings it was
asked for, is in the catalog alone.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flashpan.cut.report import CLIP
from flashpan.cut.sidecar import read_sidecar
from flashpan.errors import FlashpanError
from flashpan.eventlog import EXTENSION, read_log, to_dict
from flashpan.fingerprint import fingerprint_of
from flashpan.model import EventLog
from flashpan.night.checksums import checksum
from flashpan.night.clock import shot_at
from flashpan.night.found import STILLS, Found, stamp
from flashpan.night.identity import UNKNOWN_TIME_NS, Identity
from flashpan.night.job import Report
from flashpan.night.rows import ClipReport

_SIDECAR = ".clip.json"
_NOT_THE_NIGHTS = ("night.", "ascmhl", ".flashpan-")
_EARLIER = (".earlier-", "earlier-clips")


@dataclass(frozen=True, slots=True, kw_only=True)
class Logged:
    """A take as its files tell of it.

    Attributes
    ----------
    folder : str
        Of its results, below the night, with ``/``.
    found : Found
        The take, as far as its log says.
    identity : Identity
        Its time is `UNKNOWN_TIME_NS` where the take is not there.
    report : Report
        What was found and cut; its error says which ranges have no whole clip.
    """

    folder: str
    found: Found
    identity: Identity
    report: Report


def logged_takes(dest: Path) -> Iterator[Logged]:
    """Takes of a night that have an event log and were files, folders of results in order."""
    for path in sorted(dest.rglob(f"*{EXTENSION}")):
        parts = path.relative_to(dest).parts
        if len(parts) < 2 or any(_is_apart(part) for part in parts[:-1]):
            continue
        try:
            log = read_log(path)
        except FlashpanError:
            continue
        taken = _taken(dest, path, log)
        if taken is not None:
            yield taken


def _is_apart(part: str) -> bool:
    return part.startswith(_NOT_THE_NIGHTS) or any(mark in part for mark in _EARLIER)


def _taken(dest: Path, path: Path, log: EventLog) -> Logged | None:
    known = log.take.fingerprint
    if known is None:
        return None
    take = to_dict(log)["take"]["absolute_path"]
    there = stamp(take)
    is_there = there is not None and fingerprint_of(take) == known
    time_ns = there[2] if there is not None and is_there else UNKNOWN_TIME_NS
    folder = path.parent.relative_to(dest).as_posix()
    return Logged(
        folder=folder,
        found=Found(
            path=take,
            place=os.path.basename(take),
            name=log.take.name,
            kind=STILLS if known.n_files > 1 else log.take.container or log.take.codec,
            bytes=known.size_bytes,
            n_files=known.n_files,
            mtime_ns=time_ns,
        ),
        identity=Identity(
            bytes=known.size_bytes,
            n_files=known.n_files,
            mtime_ns=time_ns,
            digest=known.digest,
        ),
        report=_report(path, take, folder, log, is_there=is_there),
    )


def _report(path: Path, take: str, folder: str, log: EventLog, *, is_there: bool) -> Report:
    clips = tuple(_clips(path, log))
    cut = {clip.number for clip in clips if clip.form == CLIP}
    missing = [str(number) for number in range(len(log.ranges)) if number not in cut]
    shot = shot_at(take) if is_there else None
    error = f"{take}: no whole clip of range {', '.join(missing)}; run again" if missing else ""
    return Report(
        take=take,
        folder=folder,
        log=to_dict(log),
        log_name=path.name,
        clips=clips,
        warnings=log.warnings,
        error=error,
        shot_at=shot.at if shot is not None else "",
        shot_at_from=shot.source if shot is not None else "",
    )


def _clips(path: Path, log: EventLog) -> Iterator[ClipReport]:
    """Clips and copies whose sidecars say that they are of this log's ranges."""
    for sidecar in sorted(path.parent.glob(f"*{_SIDECAR}")):
        clip = sidecar.with_name(sidecar.name.removesuffix(_SIDECAR))
        said = read_sidecar(clip)
        number = _range_of(said, log)
        if number is not None and clip.exists() and not clip.is_symlink():
            form = str(said.get("form", CLIP))
            yield ClipReport(
                number=number,
                form=form,
                name=clip.name,
                first=said["first"],
                last=said["last"],
                frames=int(said.get("frames", 0)),
                bytes=_size(clip),
                way=str(said.get("how", form)),
                proof=_proof(said),
                sha256=checksum(clip),
            )


def _range_of(said: dict[str, Any], log: EventLog) -> int | None:
    """The range that shares most frames with a clip: the review may have moved its ends."""
    first, last = said.get("first"), said.get("last")
    if not isinstance(first, int) or not isinstance(last, int) or not log.ranges:
        return None
    shared = [min(last, kept.last) - max(first, kept.first) + 1 for kept in log.ranges]
    best = max(range(len(shared)), key=lambda number: shared[number])
    return best if shared[best] > 0 else None


def _size(clip: Path) -> int:
    if clip.is_dir():
        return sum(file.stat().st_size for file in clip.iterdir() if file.is_file())
    return clip.stat().st_size


def _proof(said: dict[str, Any]) -> str:
    if "proof" in said:
        return str(said["proof"] or "")
    recoded = said.get("recoded_frames")
    but = f" but for {recoded}" if recoded else ""
    return f"bit for bit{but}" if said.get("verified") is True else ""
