"""The coordinator of a night: takes to jobs, jobs to workers, reports to the catalog.

It alone writes the catalog.  It opens no take itself, so that nothing in a take can stop it,
and hands out no more work than there are places, so that a stop loses only what is in hand.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass, field, replace
from pathlib import Path

from flashpan.cut.plan import TrimSettings
from flashpan.errors import FlashpanError, TakeError
from flashpan.night.catalog import DoneTake, slate_text
from flashpan.night.desk import Desk
from flashpan.night.engines import Engine, EngineLost, WorkerDied, Workers, undisturbed
from flashpan.night.folders import folder_for, is_inside, is_of, move_aside
from flashpan.night.found import Found
from flashpan.night.headway import Headway, frames_told
from flashpan.night.identity import Identity, identity_of
from flashpan.night.job import Job, Report, do, made_as, one_line
from flashpan.night.key import key_of, said
from flashpan.night.permit import revoke
from flashpan.night.rows import FAILED
from flashpan.night.split import do_in_pieces
from flashpan.night.stopping import go_on
from flashpan.settings import Settings

_LOOK_EVERY_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What has just become of one take.

    Attributes
    ----------
    path : str
        The take.
    outcome : str
        ``begun``, ``done``, ``failed``, ``again`` (its worker died; it will be tried once more),
        ``there`` (done in an earlier run), ``same`` (another copy of a take of this run) or
        ``unreadable``.
    report : Report or None
        Of a take that a worker had in hand.
    error : str
        One line where it failed, cannot be read or is to be tried again.
    n_found : int
        Takes in the source.
    """

    path: str
    outcome: str
    report: Report | None = None
    error: str = ""
    n_found: int = 0


@dataclass(slots=True, kw_only=True)
class Night:
    """What a run came to.

    Attributes
    ----------
    dest : Path
        Where everything is; `flashpan.night.record.NightRecord.read` tells all of it.
    n_found : int
        Takes in the source, those that cannot be read included.
    done, there, failed : list of str
        Takes done in this run, done before, and failed or not to be read.
    errors : list of str
        One line for each that failed.
    damaged : list of str
        Files of the night that are missing or no more what was written, one line each.
    """

    dest: Path
    n_found: int = 0
    done: list[str] = field(default_factory=list)
    there: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """What ``flashpan ingest`` ends with: 3 where a take failed or is damaged, else 0."""
        return TakeError.exit_code if self.failed or self.damaged else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What a run is to do.

    Attributes
    ----------
    source : str
        A folder, or one take.
    takes : sequence of (Found, Settings)
        What was found in it, and what to look for in each.
    wanted : TrimSettings
        What the clips shall be, where the settings of a take do not say.
    split_above : int or None
        Takes of more bytes are measured in pieces by all workers, after the others; None for
        never.
    on_take : callable
        Called with a `Step` for each take.
    on_headway : callable
        Called about once a second with a `Headway`.
    sheets : bool
        Make contact sheets and score plots, too.
    more : callable
        Asked again and again, while anything is done, for takes that have come up meanwhile.
    at_end : callable
        Called with the `Night` when all is done, before the run says that it has ended.
    """

    source: str
    takes: Sequence[tuple[Found, Settings]]
    wanted: TrimSettings
    split_above: int | None
    on_take: Callable[[Step], object]
    on_headway: Callable[[Headway], object] = lambda headway: None
    sheets: bool = True
    more: Callable[[], Sequence[tuple[Found, Settings]]] = tuple
    at_end: Callable[[Night], object] = lambda night: None


@dataclass(frozen=True, slots=True)
class _Item:
    """A take in hand."""

    take_id: int
    job: Job
    bytes: int


class Run:
    """One run over a source.

    Parameters
    ----------
    order : Order
    desk : Desk
    """

    def __init__(self, order: Order, desk: Desk) -> None:
        self._order, self._catalog = order, desk.catalog
        self._engine, self._journal, self._permit = desk.engine, desk.journal, desk.permit
        self._in_hand: dict[Future[Report], _Item] = {}
        self._long: list[tuple[int, Found, Identity, Settings]] = []
        self._again: list[_Item] = []
        self._decider: Engine | None = None
        self._halt = ""
        self._seen: set[int] = set()
        self._done_before: dict[str, DoneTake] = {}
        self._to_come: set[str] = set()
        self._way = Headway()
        self._looked_s = float("-inf")
        self.night = Night(dest=desk.catalog.dest)

    def all_takes(self) -> Night:
        """Do all that is to be done.

        Raises
        ------
        TakeError
            The destination takes no more.
        KeyboardInterrupt
            After the workers have been stopped; takes in hand will have their turn again.
        """
        self._log_begin()
        try:
            self._done_before = self._catalog.done_as_they_lie()
            takes = self._sorted_out(self._order.takes)
            self._catalog.put_to_come(len(self._to_come))
            self._work_through(takes)
            if not self._halt:
                self._order.at_end(self.night)
        except BaseException as error:
            self._give_up(error)
            raise
        self._log_end(self._halt)
        if self._halt:
            raise TakeError(self._halt)
        return self.night

    def _sorted_out(self, takes: Sequence[tuple[Found, Settings]]) -> deque[tuple[Found, Settings]]:
        """Takes that may need work; what cannot be read, or lies there done, is only told of."""
        self.night.n_found += len(takes)
        for found, _ in takes:
            if found.problem is not None:
                self._unreadable(found, found.problem)
        readable = [take for take in takes if take[0].problem is None]
        to_do = deque(take for take in readable if not self._is_there(*take))
        self._count_in([found for found, _ in to_do])
        return to_do

    def _is_there(self, found: Found, settings: Settings) -> bool:
        """Whether a take lies there as it was when it was done with these settings."""
        before = self._done_before.get(found.path)
        if before is None or before.id in self._seen:
            return False
        if not before.is_as(found, key_of(settings, settings.clips.below(self._order.wanted))):
            return False
        slate = _slate(settings)
        if before.slate != slate_text(slate):
            self._catalog.set_slate(before.id, slate)
        self._seen.add(before.id)
        self._pass_over(found, "there")
        return True

    def _count_in(self, takes: list[Found]) -> None:
        self._way = replace(
            self._way,
            takes=self._way.takes + len(takes),
            bytes=self._way.bytes + sum(found.bytes for found in takes),
        )
        if takes:
            self._to_come |= {found.path for found in takes} - self._catalog.paths()

    def _count_out(self, found: Found) -> None:
        """Leave a take that needs no work out of all counts, or time left would be wrong."""
        way = self._way
        self._way = replace(way, takes=way.takes - 1, bytes=way.bytes - found.bytes)
        self._no_more_to_come(found.path)

    def _no_more_to_come(self, path: str) -> None:
        if path in self._to_come:
            self._to_come.discard(path)
            self._catalog.put_to_come(len(self._to_come))

    def _work_through(self, takes: deque[tuple[Found, Settings]]) -> None:
        while (takes and not self._halt) or self._in_hand:
            go_on()
            takes += self._sorted_out(self._order.more())
            while takes and not self._halt and len(self._in_hand) < self._engine.n_places:
                self._take_up(*takes.popleft())
            self._gather()
        self._work_in_pieces()
        self._work_again()

    def _work_in_pieces(self) -> None:
        """Do the long takes, each with all workers."""
        while self._long and not self._halt:
            go_on()
            item = self._item(*self._long.pop(0))
            self._begin(item)
            self._decider = self._decider or Workers(1)
            try:
                report = do_in_pieces(
                    item.job,
                    self._engine,
                    self._decider,
                    self._done_whole,
                    lambda: self._look([item]),  # noqa: B023  # called before the next item
                )
            except EngineLost:
                raise
            except Exception as error:
                self._died(item, error)
            else:
                self._note(item, report)
        if self._decider is not None:
            self._decider.close()

    def _done_whole(self, text: str) -> None:
        self._journal.write("take-whole", why=text)

    def _work_again(self) -> None:
        """Try takes that ended their worker once more, each by itself.

        What ended it may have been the memory that others took.
        """
        while self._again and not self._halt:
            go_on()
            item = self._again.pop(0)
            self._submit(item)
            while self._in_hand:
                self._gather(is_last_try=True)

    def _take_up(self, found: Found, settings: Settings) -> None:
        """Begin a take, unless it has been done."""
        try:
            identity = self._catalog.known_identity(found) or identity_of(found)
        except FlashpanError as error:
            self._count_out(found)
            self._unreadable(found, str(error))
            return
        with self._catalog.together():
            take_id = self._catalog.add(found, identity)
            self._catalog.set_slate(take_id, _slate(settings))
            self._no_more_to_come(found.path)
        wanted = settings.clips.below(self._order.wanted)
        settings = self._catalog.with_regions(take_id, settings, wanted)
        key = key_of(settings, wanted)
        is_same = take_id in self._seen and not self._failed_before(take_id)
        self._seen.add(take_id)
        if is_same or self._catalog.is_done(identity, key):
            self._count_out(found)
            self._pass_over(found, "same" if is_same else "there")
        else:
            take = (take_id, found, identity, settings)
            if self._is_long(found):
                self._long.append(take)
            else:
                self._submit(self._item(*take))

    def _is_long(self, found: Found) -> bool:
        most = self._order.split_above
        return most is not None and found.bytes > most and self._engine.n_places > 1

    def _failed_before(self, take_id: int) -> bool:
        """Whether a take failed in this run: another copy, or its disk come back, may do."""
        waits = any(item.take_id == take_id for item in self._again)
        return not waits and self._catalog.state(take_id) == FAILED

    def _item(self, take_id: int, found: Found, identity: Identity, settings: Settings) -> _Item:
        job = Job(
            take=found.path,
            dest=os.path.abspath(self.night.dest),
            folder=self._folder(take_id, found, identity),
            settings=settings,
            wanted=settings.clips.below(self._order.wanted),
            permit=self._permit,
            sheets=self._order.sheets,
        )
        self._make_way(take_id, job)
        return _Item(take_id, job, found.bytes)

    def _folder(self, take_id: int, found: Found, identity: Identity) -> str:
        """Where a take's results go: never where a link, or an edited catalog, leads elsewhere."""
        known, dest = self._catalog.folder_of(take_id), self.night.dest
        if known is not None and is_inside(dest, known):
            return known
        taken = self._catalog.folders()
        while not is_inside(dest, folder := folder_for(found, identity.digest, taken)):
            taken.add(folder)
        return folder

    def _make_way(self, take_id: int, job: Job) -> None:
        """Move aside what was made otherwise: with other settings, by another flashpan."""
        known = self._catalog.settings_key_of(take_id)
        is_as_asked = known == key_of(job.settings, job.wanted) if known else made_as(job)
        if is_as_asked and is_of(job.out, job.take):
            return
        aside = move_aside(self.night.dest, job.folder, self._catalog.folders())
        if aside is not None:
            self._journal.write("results-moved", take=job.take, to=str(aside))

    def _submit(self, item: _Item) -> None:
        self._begin(item)
        self._in_hand[self._engine.submit(do, item.job)] = item

    def _begin(self, item: _Item) -> None:
        job = item.job
        asked = said(job.settings, job.wanted)
        key = key_of(job.settings, job.wanted)
        self._catalog.begin(item.take_id, asked, key, job.folder)
        self._journal.write("take-begins", take=job.take, folder=job.folder, settings=asked)
        self._tell(job.take, "begun")

    def _gather(self, *, is_last_try: bool = False) -> None:
        """Wait until something is done, and note what came of it."""
        done, _ = wait(self._in_hand, timeout=_LOOK_EVERY_S, return_when=FIRST_COMPLETED)
        self._look(self._in_hand.values())
        for future in done:
            item = self._in_hand.pop(future)
            error = future.exception()
            if error is None:
                self._note(item, future.result())
            elif isinstance(error, WorkerDied) and not is_last_try:
                self._journal.write("worker-died", take=item.job.take, error=one_line(error))
                text = f"{item.job.take}: {one_line(error)}"
                self._catalog.fail(item.take_id, text)
                self._tell(item.job.take, "again", error=f"{text}; it will be tried once more")
                self._again.append(item)
            elif isinstance(error, EngineLost):
                raise error
            else:
                self._died(item, error)

    def _look(self, in_hand: Iterable[_Item]) -> None:
        """Tell how far all is, once in a while."""
        now = time.monotonic()
        if now - self._looked_s < _LOOK_EVERY_S:
            return
        self._looked_s = now
        frames = n_bytes = 0
        for item in in_hand:
            at, of = frames_told(item.job.out)
            frames += at
            n_bytes += item.bytes * min(at, of) // of if of else 0
        way = self._way
        self._order.on_headway(
            replace(way, frames=way.frames + frames, bytes_done=way.bytes_done + n_bytes)
        )

    def _count(self, item: _Item, report: Report | None = None) -> None:
        """Count a take as done with."""
        log = (report and report.log) or {"totals": {}, "events": []}
        way = self._way
        self._way = replace(
            way,
            takes_done=way.takes_done + 1,
            bytes_done=way.bytes_done + item.bytes,
            frames=way.frames + log["totals"].get("frames", 0),
            events=way.events + len(log["events"]),
        )

    def _note(self, item: _Item, report: Report) -> None:
        self._catalog.finish(item.take_id, report)
        self._count(item, report)
        if report.error:
            self._failed(report.take, report.error, report)
        else:
            self.night.done.append(report.take)
            self._journal.write("take-done", **_facts(report))
            self._tell(report.take, "done", report)
        if report.disk_is_full:
            self._halt = f"{self.night.dest}: the disk is full; free some space and run again"

    def _died(self, item: _Item, error: BaseException) -> None:
        text = f"{item.job.take}: {one_line(error) or type(error).__name__}"
        self._catalog.fail(item.take_id, text)
        self._count(item)
        self._failed(item.job.take, text)

    def _failed(self, path: str, error: str, report: Report | None = None) -> None:
        self.night.failed.append(path)
        self.night.errors.append(error)
        facts = {"take": path} if report is None or report.log is None else _facts(report)
        self._journal.write("take-failed", **facts, error=error)
        self._tell(path, "failed", report, error)

    def _unreadable(self, found: Found, why: str) -> None:
        error = one_line(why)
        self.night.failed.append(found.path)
        self.night.errors.append(error)
        self._journal.write("take-unreadable", take=found.path, error=error)
        self._tell(found.path, "unreadable", error=error)

    def _pass_over(self, found: Found, why: str) -> None:
        self.night.there.append(found.path)
        self._journal.write("take-skipped", take=found.path, why=why)
        self._tell(found.path, why)

    def _tell(self, path: str, outcome: str, report: Report | None = None, error: str = "") -> None:
        step = Step(
            path=path, outcome=outcome, report=report, error=error, n_found=self.night.n_found
        )
        self._order.on_take(step)

    def _give_up(self, error: BaseException) -> None:
        """Stop the workers; what they had finished counts, what they had in hand does not."""
        with undisturbed():
            revoke(self.night.dest, self._permit)
            self._engine.stop()
            if self._decider is not None:
                self._decider.stop()
            for future, item in self._in_hand.items():
                if future.done() and not future.cancelled() and future.exception() is None:
                    report = future.result()
                    if not report.error:
                        self._note(item, report)
            self._catalog.reset_running()
            self._log_end("stopped" if isinstance(error, KeyboardInterrupt) else str(error))

    def _log_begin(self) -> None:
        n_unreadable = sum(found.problem is not None for found, _ in self._order.takes)
        self._journal.write(
            "night-begins",
            source=os.path.abspath(self._order.source),
            dest=os.path.abspath(self.night.dest),
            takes=len(self._order.takes) - n_unreadable,
            unreadable=n_unreadable,
        )

    def _log_end(self, why: str) -> None:
        night = self.night
        self._journal.write(
            "night-ends",
            done=len(night.done),
            there=len(night.there),
            failed=len(night.failed),
            stopped_by=one_line(why) or None,
        )


def _facts(report: Report) -> dict[str, object]:
    """What a line of the journal says of a report."""
    log = report.log or {"totals": {}, "events": []}
    return {
        "take": report.take,
        "folder": report.folder,
        "frames": log["totals"].get("frames", 0),
        "kept": log["totals"].get("kept", 0),
        "events": len(log["events"]),
        "clips": len(report.clips),
        "bytes": sum(clip.bytes for clip in report.clips),
        "source_bytes": report.source_bytes,
        "seconds": report.seconds,
        "warnings": list(report.warnings),
    }


def _slate(settings: Settings) -> dict[str, str]:
    return {name: text for name, text, _ in settings.slate}
