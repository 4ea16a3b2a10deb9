"""The work of one take, as something that can be sent to a worker and done again.

A worker gets a `Job` and returns a `Report`; both are plain and small, and no frame crosses a
process.  A job that was cut short is done again from where it was: a log that is there serves
again, clips that are there and whole stay.
"""

from __future__ import annotations

import errno
import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from flashpan.cut.plan import Plan, TrimSettings
from flashpan.cut.report import CLIP, Failed, Output, Trimmed
from flashpan.cut.sidecar import sidecar_path
from flashpan.cut.space import BUDGET_CURE
from flashpan.errors import FlashpanError, TakeError, unforeseen
from flashpan.eventlog import EXTENSION, read_log, to_dict
from flashpan.find import Measured, opened
from flashpan.fingerprint import fingerprint_of
from flashpan.limits import TAKE_SECONDS, WORKER_BYTES
from flashpan.night.alone import alone_in
from flashpan.night.checksums import SUFFIX, checksum, write_checksums
from flashpan.night.clock import shot_at
from flashpan.night.headway import telling
from flashpan.night.permit import Permit, RunOver
from flashpan.night.rows import ClipReport
from flashpan.patience import reading
from flashpan.settings import Settings
from flashpan.trim import TrimRun, was_made_so


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One take to be searched and cut.

    Attributes
    ----------
    take : str
        Absolute path, as for `flashpan.open_take`.
    dest : str
        Folder of the night.
    folder : str
        Where in it the take's results go, relative, with ``/``; no other take's go there.
    settings : Settings
        What to look for.
    wanted : TrimSettings
        What the clips shall be.
    permit : str
        See `flashpan.night.permit`; empty for a job by itself.
    sheets : bool
        Make contact sheet and score plot, too.
    """

    take: str
    dest: str
    folder: str
    settings: Settings
    wanted: TrimSettings
    permit: str = ""
    sheets: bool = False

    @property
    def out(self) -> Path:
        """The folder of the results."""
        return Path(self.dest, self.folder)


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What came of a job.

    Attributes
    ----------
    take, folder : str
        As in the job.
    log : dict or None
        The event log as JSON holds it; None where the take could not be searched.
    log_name : str
        The log's file in the folder.
    clips : tuple of ClipReport
        All that is there now.
    left_out : int
        Ranges that a budget left out.
    warnings : tuple of str
        What was noticed in the take and its clips.
    error : str
        One line; empty where all is well.
    seconds : float
        Spent on it this time.
    bytes_read : int
        Of the take, when it was searched.
    source_bytes : int
        The take's size.
    shot_at, shot_at_from : str
        See `flashpan.night.clock.Shot`; empty where nothing is known.
    disk_is_full : bool
        Nothing more can be written to the destination.
    """

    take: str
    folder: str
    log: dict[str, Any] | None = None
    log_name: str = ""
    clips: tuple[ClipReport, ...] = ()
    left_out: int = 0
    warnings: tuple[str, ...] = ()
    error: str = ""
    seconds: float = 0.0
    bytes_read: int = 0
    source_bytes: int = 0
    shot_at: str = ""
    shot_at_from: str = ""
    disk_is_full: bool = False


_LONGER = f"{TAKE_SECONDS.name} sets how many seconds one take may have"


def made_as(job: Job) -> bool:
    """Whether logs in a job's folder were made with its settings, where the catalog knows none."""
    for path in job.out.glob(f"*{EXTENSION}"):
        try:
            log = read_log(path)
            wanted = job.settings.resolved(log.take).as_log()
        except FlashpanError:
            return False
        if not was_made_so(to_dict(log), wanted):
            return False
    return True


class NotAsOnePiece(Exception):
    """What was measured of a take in pieces is not what measuring it whole would give."""


def do(job: Job, measured: Measured | None = None) -> Report:
    """Search and cut one take; whatever is wrong with it stands in the report.

    Nothing is raised but `KeyboardInterrupt` and `SystemExit`: a plug-in's fault must not stop
    a night.

    Parameters
    ----------
    job : Job
    measured : callable, optional
        What others have measured of the take, as for `flashpan.find`; it may raise
        `NotAsOnePiece`, which is passed on.
    """
    began = time.monotonic()
    try:
        allowed = Permit(job.dest, job.permit)
        with alone_in(job.out):
            report = _done(job, allowed, measured)
    except NotAsOnePiece:
        raise
    except FlashpanError as error:
        report = replace(_failed(job, str(error)), disk_is_full=_is_full(error))
    except MemoryError:
        report = _failed(job, f"{job.take}: needs more memory than there is; {WORKER_BYTES.cure}")
    except OSError as error:
        report = _failed(job, f"{error.strerror or error}; check the disk and run again")
        report = replace(report, disk_is_full=_is_full(error))
    except Exception as error:
        report = _failed(job, unforeseen(error))
    return replace(report, seconds=round(time.monotonic() - began, 3))


def _done(job: Job, allowed: Permit, measured: Measured | None) -> Report:
    before, until = fingerprint_of(job.take), time.monotonic() + TAKE_SECONDS.value
    run = TrimRun([job.take], job.out, job.wanted)

    def go_on(_: int = 0) -> None:
        allowed.check()
        if time.monotonic() > until:
            raise TakeError(f"{job.take}: is not done after {TAKE_SECONDS.value} s; {_LONGER}")

    with reading(), opened(job.take, job.settings) as reader:
        info = reader.info
        tell = telling(job.out, info.n_frames or info.declared_frames)

        def on_frame(index: int) -> None:
            go_on()
            tell(index)

        plan = run.plan(reader, job.settings, on_frame, measured, keep_scores=job.sheets)
    try:
        done = run.write(plan, on_clip=go_on)
    except RunOver:
        raise
    except TakeError as error:  # no room: what was found is known all the same
        done = _not_cut(job, plan, error)
    notes = _sheet_notes(plan) if job.sheets else ()
    if fingerprint_of(job.take) != before:
        raise TakeError(f"{job.take}: changed while it was read; run again when it is at rest")
    return _report(job, done, notes)


def _not_cut(job: Job, plan: Plan, error: TakeError) -> Trimmed:
    text = str(error).removesuffix(f" or {BUDGET_CURE}")
    failed = Failed(0, CLIP, TakeError(f"{job.take}: {text}"))
    failed.error.__cause__ = error.__cause__  # whether the disk is full
    return Trimmed(
        log=plan.log, log_path=plan.log_path, outputs=(), failed=(failed,), left_out=plan.left_out
    )


def _sheet_notes(plan: Plan) -> tuple[str, ...]:
    """Make the sheets; what is wrong with them is no fault of the clips, and only said."""
    try:
        # heavy, and not always wanted
        from flashpan.sheet.make import make_sheets, pictures_for, scores_of

        with pictures_for(plan) as pictures:
            make_sheets(
                plan.log,
                scores_of(plan.log, plan.log_path),
                pictures,
                plan.log_path.parent,
                plan.stem,
                overwrite=True,
            )
    except FlashpanError as error:
        return (f"no sheet: {one_line(error)}",)
    except Exception as error:  # a picture that cannot be drawn must not cost the take
        said = "".join(traceback.format_exception_only(error)).strip()
        return (f"no sheet: {one_line(said)}; this is a fault of flashpan",)
    return ()


def _report(job: Job, done: Trimmed, notes: tuple[str, ...] = ()) -> Report:
    results = [done.log_path, *(path for output in done.outputs for path in _paths(output))]
    stem = done.log_path.name.removesuffix(EXTENSION)
    write_checksums(done.log_path.with_name(stem + SUFFIX), results)
    known, shot = done.log.take.fingerprint, shot_at(job.take)
    return Report(
        take=job.take,
        folder=job.folder,
        log=to_dict(done.log),
        log_name=done.log_path.name,
        clips=tuple(map(clip_report, done.outputs)),
        left_out=len(done.left_out),
        warnings=(*done.log.warnings, *_clip_warnings(done), *notes),
        error="; ".join(one_line(failed.error) for failed in done.failed),
        bytes_read=done.log.totals.bytes_read,
        source_bytes=0 if known is None else known.size_bytes,
        shot_at=shot.at,
        shot_at_from=shot.source,
        disk_is_full=any(_is_full(failed.error) for failed in done.failed),
    )


def _paths(output: Output) -> tuple[Path, ...]:
    sidecar = sidecar_path(output.path)
    return (output.path, sidecar) if sidecar.exists() else (output.path,)


def clip_report(output: Output) -> ClipReport:
    """What the catalog keeps of a clip or copy."""
    return ClipReport(
        number=output.number,
        form=str(output.form),
        name=output.path.name,
        first=output.first,
        last=output.last,
        frames=output.n_frames,
        bytes=output.n_bytes,
        way=str(output.way),
        proof=output.proof,
        sha256=checksum(output.path),
    )


def _clip_warnings(done: Trimmed) -> Iterator[str]:
    for clip in done.clips:
        yield from (f"{clip.path.name}: {text}" for text in clip.warnings)


def _is_full(error: BaseException) -> bool:
    """Whether an error, or what caused it, says that the disk takes no more."""
    cause: BaseException | None = error
    while cause is not None and not isinstance(cause, OSError):
        cause = cause.__cause__
    return cause is not None and cause.errno in (errno.ENOSPC, errno.EDQUOT)


def _failed(job: Job, text: str) -> Report:
    said = one_line(text)
    return Report(
        take=job.take,
        folder=job.folder,
        error=said if job.take in said else f"{job.take}: {said}",
    )


def one_line(message: object) -> str:
    """A message as a single line."""
    return " ".join(str(message).split())
