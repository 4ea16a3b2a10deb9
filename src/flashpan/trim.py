"""Takes end to end: find or read the log, choose, make sure of the space, cut, prove."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import flashpan
from flashpan.atomic import make_folder, remove_left_over, write_text
from flashpan.cut.budget import choose, left_out_text
from flashpan.cut.carry import carried_out
from flashpan.cut.engine import Cutter
from flashpan.cut.forms import require_forms_fit
from flashpan.cut.live import cut_while_it_arrives
from flashpan.cut.names import pipe_stem, refuse_sources_inside, take_stem
from flashpan.cut.plan import Plan, TrimSettings
from flashpan.cut.report import Failed, Output, Trimmed
from flashpan.cut.space import require_space
from flashpan.edited import read_edited_log
from flashpan.errors import TakeError, UsageError
from flashpan.eventlog import EXTENSION, to_dict, to_json, write_log
from flashpan.find import Measured, find, opened
from flashpan.fingerprint import fingerprint_of
from flashpan.jsontext import loads
from flashpan.model import EventLog, TakeInfo
from flashpan.readers.base import Reader
from flashpan.readers.video import VideoReader
from flashpan.scores import SUFFIX as SCORES_SUFFIX
from flashpan.scores import write_scores
from flashpan.settings import Settings

Say = Callable[[str], object]
OnFrame = Callable[[int], None]


def trim(
    take: str | os.PathLike[str],
    out: str | os.PathLike[str],
    settings: Settings | None = None,
    wanted: TrimSettings | None = None,
    *,
    log: str | os.PathLike[str] | None = None,
    on_frame: OnFrame | None = None,
    on_note: Say | None = None,
) -> Trimmed:
    """Find the events of one take and write each trim range as a clip, proved.

    Parameters
    ----------
    take : path-like
        Anything `flashpan.open_take` opens; ``-`` is standard input, which is cut while it
        arrives.
    out : path-like
        Folder for the clips and the event log; made if need be.  It may not hold the take.
    settings : Settings, optional
        What to look for and keep, as for `flashpan.find`.
    wanted : TrimSettings, optional
        What to make of it.
    log : path-like, optional
        Cut by this event log instead of searching.
    on_frame : callable, optional
        Called with each frame's number while the take is searched.
    on_note : callable, optional
        Called with lines for people: what was there already, the estimate, what the budget
        left out.

    Returns
    -------
    Trimmed
        The log, and every clip that is there now, those of an earlier run included.

    Raises
    ------
    UsageError
        The destination holds the take, or a setting makes no sense.
    TakeError
        The take or the log cannot be read, there is no room, or a clip differs or cannot be
        written.  All other ranges have had their turn by then.
    """
    run = TrimRun([os.fspath(take)], out, wanted or TrimSettings(), log=log, say=on_note)
    asked = run.completed(settings or Settings())
    with opened(take, asked) as reader:
        begun = run.begin(reader, asked, on_frame)
    if isinstance(begun, Plan):
        run.choose([begun])
        begun = run.write(begun)
    done = begun
    if done.failed:
        raise done.failed[0].error
    return done


class TrimRun:
    """Takes that are trimmed into one folder, one after the other.

    Parameters
    ----------
    takes : sequence of str
        All of them, so that no two get the same names.
    out : path-like
        The folder; it is made, and what killed runs left there is removed.
    wanted : TrimSettings
        What to make of the ranges, where the settings of a take do not say.
    log : path-like, optional
        Cut by this log; of several takes it must hold a log each.
    say : callable, optional
        Takes lines for people.

    Raises
    ------
    UsageError
        The folder holds one of the takes, or lies inside one.
    """

    def __init__(
        self,
        takes: Sequence[str],
        out: str | os.PathLike[str],
        wanted: TrimSettings,
        *,
        log: str | os.PathLike[str] | None = None,
        say: Say | None = None,
    ) -> None:
        refuse_sources_inside(takes, out)
        if "-" in takes and (log is not None or wanted.budget is not None):
            raise UsageError(
                "-: a pipe is cut while it arrives, before a budget or a log could be held"
                " against it; save the take to a file first"
            )
        self._takes, self.out, self.wanted, self._log = list(takes), Path(out), wanted, log
        self._say: Say = say or (lambda text: None)
        make_folder(self.out)
        for name in remove_left_over(self.out):
            self._say(f"{self.out}: cleared away what a stopped run left ({name})")

    def completed(self, settings: Settings) -> Settings:
        """Settings with the geometry of headerless pixels, where only the log given has it."""
        if self._log is None or settings.raw is not None:
            return settings
        try:
            raw = read_edited_log(self._log).settings.get("raw")
        except TakeError:
            return settings  # what is wrong with it will be said with the take
        return replace(settings, raw=raw) if isinstance(raw, str) else settings

    def begin(
        self, reader: Reader, settings: Settings, on_frame: OnFrame | None = None
    ) -> Plan | Trimmed:
        """Plan a take; a pipe, of which there is no second reading, is written at once."""
        if reader.info.path == "-":
            return self._cut_pipe(reader, settings, on_frame)
        return self.plan(reader, settings, on_frame)

    def plan(
        self,
        reader: Reader,
        settings: Settings,
        on_frame: OnFrame | None = None,
        measured: Measured | None = None,
        *,
        keep_scores: bool = False,
    ) -> Plan:
        """Search a take, or read its log, and put the log into the destination.

        A log that is there already serves again where it is of this very take and was made
        with the same settings.

        Parameters
        ----------
        reader : Reader
            The open take; no pipe.
        settings : Settings
            What to look for.
        on_frame : callable, optional
            Called with each frame's number.
        measured : callable, optional
            What others have measured of the take, as for `flashpan.find`.
        keep_scores : bool
            Put every frame's scores beside the log, see `flashpan.scores`; where the log serves
            again they are there already.
        """
        wanted = settings.clips.below(self.wanted)
        require_forms_fit(wanted.also, reader.info)
        if isinstance(reader, VideoReader):
            reader.keeps_index = True
        info = replace(reader.info, fingerprint=fingerprint_of(reader.info.path))
        stem = take_stem(info, self.out, self._takes)
        path = self.out / f"{stem}{EXTENSION}"
        log = self._known_log(reader, settings, path)
        if log is None:
            log = find(
                reader, settings, on_frame=on_frame, measured=measured, keep_trace=keep_scores
            )
            if log.trace is not None:  # before the log, which says that the search is done
                write_scores(log.trace, self.out / f"{stem}{SCORES_SUFFIX}", overwrite=True)
            write_log(log, self.out, self.wanted.overwrite, stem=stem)
        return Plan(
            log=log,
            log_path=path,
            take=as_logged(replace(reader.info, fingerprint=info.fingerprint), log, settings),
            raw=settings.raw,
            stem=stem,
            wanted=wanted,
            kept=tuple(range(len(log.ranges))),
            cutter=Cutter(reader.packet_index if isinstance(reader, VideoReader) else None),
        )

    def choose(self, plans: Sequence[Plan]) -> None:
        """Keep of all takes together what the budget allows, the strongest events first."""
        budget = self.wanted.limit
        if budget is None:
            return
        every = [(plan, number) for plan in plans for number in range(len(plan.log.ranges))]
        candidates = [candidate for plan in plans for candidate in plan.candidates()]
        chosen: dict[Path, list[int]] = {plan.log_path: [] for plan in plans}
        for place in choose(candidates, budget.amount).kept:
            plan, number = every[place]
            chosen[plan.log_path].append(number)
        for plan in plans:
            plan.kept = tuple(chosen[plan.log_path])
            for kept in plan.left_out:
                self._say(f"{plan.take.path}: {left_out_text(plan.log, kept)}")

    def write(
        self,
        plan: Plan,
        later: Iterable[Plan] = (),
        on_clip: OnFrame | None = None,
    ) -> Trimmed:
        """Write the ranges of a plan; one that fails does not stop the others.

        Parameters
        ----------
        plan : Plan
            From `plan`, after `choose`.
        later : iterable of Plan
            What will be written after it, whose space is counted in.
        on_clip : callable, optional
            Called with the number of frames of each range that is done.

        Raises
        ------
        TakeError
            There is no room, before anything is written.
        """
        self._make_sure_of_space(plan, later)
        outputs: list[Output] = []
        failed: list[Failed] = []
        for number in plan.kept:
            for result in carried_out(plan, number):
                (outputs if isinstance(result, Output) else failed).append(result)  # type: ignore[arg-type]
            if any(isinstance(one.error.__cause__, OSError) for one in failed):
                break  # the disk will not take the others either
            if on_clip is not None:
                on_clip(plan.log.ranges[number].n_frames)
        return Trimmed(
            log=plan.log,
            log_path=plan.log_path,
            outputs=tuple(outputs),
            failed=tuple(failed),
            left_out=plan.left_out,
        )

    def _make_sure_of_space(self, plan: Plan, later: Iterable[Plan]) -> None:
        needs = list(plan.needs())
        after = [need for other in later for need in other.needs()]
        if needs:
            space = require_space(self.out, [*needs, *after])
            note = ", later takes included" if after else ""
            self._say(f"{plan.take.path}: {space}{note}")

    def _known_log(self, reader: Reader, settings: Settings, path: Path) -> EventLog | None:
        """The log to cut by without searching: the one given, or one that is there and fits."""
        if self._log is not None:
            log = _log_of(reader.info, self._log)
            self._keep_log(log, reader.info, path)
            return log
        if self.wanted.overwrite or not path.exists():
            return None
        if not was_made_so(_read(path), settings.resolved(reader.info).as_log()):
            raise TakeError(
                f"{path}: is there already, made with other settings; give --overwrite to search"
                " again, --log to cut by it, or another folder"
            )
        log = _log_of(reader.info, path)
        self._say(f"{path}: serves again (same take, same settings)")
        return log

    def _keep_log(self, log: EventLog, take: TakeInfo, path: Path) -> None:
        """Put a log that was given beside the clips to come, unless it is there."""
        if path.exists() and not self.wanted.overwrite:
            if to_dict(_log_of(take, path)) != to_dict(log):
                raise TakeError(
                    f"{path}: is there already and says otherwise than {self._log};"
                    " give --overwrite to replace it, or another folder"
                )
        elif not (path.exists() and os.path.samefile(str(self._log), path)):
            write_text(path, to_json(log) + "\n", overwrite=self.wanted.overwrite)

    def _cut_pipe(self, reader: Reader, settings: Settings, on_frame: OnFrame | None) -> Trimmed:
        wanted = settings.clips.below(self.wanted)
        require_forms_fit(wanted.also, reader.info)
        stem = reader.info.name if self.wanted.overwrite else pipe_stem(reader.info, self.out)
        if stem != reader.info.name:
            self._say(f"-: is cut as {stem}, since {self.out} holds an earlier pipe")
        path = self.out / f"{stem}{EXTENSION}"
        return cut_while_it_arrives(reader, settings, path, stem, wanted, on_frame)


def _log_of(take: TakeInfo, path: str | os.PathLike[str]) -> EventLog:
    """A log that is there, of the take where it lies now: it may have been moved since."""
    log = read_edited_log(path, take)
    return replace(log, take=replace(log.take, path=take.path, name=take.name))


def as_logged(info: TakeInfo, log: EventLog, settings: Settings) -> TakeInfo:
    """What a reader says, with what only a search knows, and the rates that are in force."""
    known = log.take
    return replace(
        info,
        n_frames=info.n_frames if known.n_frames is None else known.n_frames,
        variable_rate=info.variable_rate or known.variable_rate,
        capture_rate=settings.capture_rate or known.capture_rate,
        playback_rate=settings.playback_rate or known.playback_rate,
        trigger_frame=known.trigger_frame
        if settings.trigger_frame is None
        else settings.trigger_frame,
    )


def was_made_so(logged: Any, settings: dict[str, Any]) -> bool:
    """Whether a log, as its file holds it, is of this version and these settings.

    Where the settings came from does not count.
    """
    try:
        made = {**logged["settings"], "from": None}
        version = logged.get("flashpan")
    except (KeyError, TypeError, AttributeError):
        return False
    wanted = {**json.loads(json.dumps(settings)), "from": None}
    return bool(version == flashpan.__version__ and made == wanted)


def _read(path: Path) -> Any:
    try:
        return loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return None
