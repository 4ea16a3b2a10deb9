"""`watch`: takes become a night as they finish arriving."""

from __future__ import annotations

import os
import stat
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any, NoReturn

from flashpan.cut.plan import TrimSettings
from flashpan.errors import SettingsError, UsageError
from flashpan.night.arrival import Arrivals
from flashpan.night.bell import Bell
from flashpan.night.desk import Desk, desk_at
from flashpan.night.discovery import discover
from flashpan.night.engines import Engine
from flashpan.night.found import Found
from flashpan.night.ingest import (
    SPLIT_ABOVE_BYTES,
    refuse_budget,
    refuse_source_inside,
    write_index,
)
from flashpan.night.layers import Layers
from flashpan.night.run import Night, Order, Run, Step
from flashpan.night.sealing import seal_night
from flashpan.night.stopping import go_on
from flashpan.settings import Settings
from flashpan.settingsfile import SettingsFile

Takes = list[tuple[Found, Settings]]

SETTLE_S, LOOK_EVERY_S = 10.0, 30.0
_LOOKS_APART_S = 1.0
"""However often it rings: a look walks through the whole source."""
_SEAL_EVERY_S = 600.0
_INDEX_SHARE = 20
"""Writing the report takes one part in so many of the time at most."""


def watch(
    source: str | os.PathLike[str],
    dest: str | os.PathLike[str],
    settings: Settings | None = None,
    wanted: TrimSettings | None = None,
    *,
    named: SettingsFile | None = None,
    engine: str | Engine = "processes",
    workers: int | None = None,
    scheduler: str | None = None,
    split_above: int | None = SPLIT_ABOVE_BYTES,
    sheets: bool = True,
    settle_s: float = SETTLE_S,
    look_every_s: float = LOOK_EVERY_S,
    once: bool = False,
    log_file: str | os.PathLike[str] | None = None,
    on_take: Callable[[Step], object] | None = None,
    on_line: Callable[[dict[str, Any]], object] | None = None,
    on_note: Callable[[str], object] | None = None,
) -> Night:
    """Follow a folder, and ingest each take once it has stopped growing.

    Other parameters and errors are those of `flashpan.night.ingest.ingest`.

    Parameters
    ----------
    source : path-like
        The folder; only read.  It need not be there yet, and may go and come back.
    dest : path-like
        Folder of the night.
    settle_s : float
        Seconds for which size, files and time of a take must have stayed as they are.
    look_every_s : float
        Seconds after which the folder is looked at though nothing is heard of it.
    once : bool
        Look twice, ``settle_s`` apart, ingest what stayed as it was, and return.

    Returns
    -------
    Night
        With ``once``; else it is left by `KeyboardInterrupt` alone.
    """
    refuse_budget(wanted)
    _refuse(source, dest, settle_s, look_every_s)
    with desk_at(
        dest,
        engine=engine,
        workers=workers,
        scheduler=scheduler,
        log_file=log_file,
        on_line=on_line,
        on_note=on_note or (lambda text: None),
    ) as desk:
        order = Order(
            source=os.path.abspath(source),
            takes=(),
            wanted=wanted or TrimSettings(),
            split_above=split_above,
            sheets=sheets,
            on_take=on_take or (lambda step: None),
        )
        layers = partial(Layers, order.source, settings or Settings(), named)
        watching = Watch(order, desk, layers, settle_s, on_note or (lambda text: None))
        return watching.once() if once else watching.on_and_on(look_every_s)


class Watch:
    """A source that is followed.

    Parameters
    ----------
    order : Order
        What to do with takes as they arrive.
    desk : Desk
    layers : callable
        Gives the settings of the night as its files have them now.
    settle_s : float
        As for `watch`.
    on_note : callable
        Takes lines for people.
    """

    def __init__(
        self,
        order: Order,
        desk: Desk,
        layers: Callable[[], Layers],
        settle_s: float,
        on_note: Callable[[str], object],
    ) -> None:
        self._order, self._desk, self._layers = order, desk, layers
        self._source, self._catalog = order.source, desk.catalog
        self._settle_s, self._on_note = settle_s, on_note
        self._arrivals = Arrivals(settle_s, is_known=self._is_known)
        self._bell = Bell(desk.catalog.dest, self._note)
        self._disk: tuple[int, int] | None = None
        self._looked_s = self._index_due_s = float("-inf")
        self._index_is_old = False
        self._is_unsealed, self._seal_due_s = True, float("-inf")
        self._problems: list[Found] | None = None
        self._noted = ""

    def once(self) -> Night:
        """Ingest what stays as it is for a while.

        Raises
        ------
        UsageError
            The source is not there, or a settings file is wrong.
        """
        layers = self._layers()
        takes = self._laid(layers, self._arrived(layers))
        self._order = replace(self._order, at_end=self._seal_at_end)
        if self._arrivals.n_arriving:
            time.sleep(self._settle_s)
            takes += self._laid(layers, self._arrived(layers))
        night = self._run(takes)
        if n_left := self._arrivals.n_arriving:
            self._note(f"{self._source}: {n_left} still arriving; left for the next run")
        return night

    def on_and_on(self, look_every_s: float) -> NoReturn:
        """Ingest what arrives until something stops us."""
        try:
            while True:
                go_on()
                takes = self._look()
                if takes:
                    self._run(takes, self._more)
                self._write_index()
                self._seal()
                self._pause(look_every_s)
        finally:
            self._bell.take_down()

    def _run(self, takes: Takes, more: Callable[[], Takes] = list) -> Night:
        order = replace(self._order, takes=takes, more=more)
        self._index_is_old = self._is_unsealed = True
        try:
            return Run(order, self._desk).all_takes()
        finally:
            self._write_index()

    def _write_index(self) -> None:
        """Write the report, which takes some time where a night is long: not after every take."""
        began_s = time.monotonic()
        if self._index_is_old and began_s >= self._index_due_s:
            write_index(self._catalog)
            self._index_is_old = False
            took_s = time.monotonic() - began_s
            self._index_due_s = time.monotonic() + _INDEX_SHARE * took_s

    def _seal_at_end(self, night: Night) -> None:
        seal_night(self._desk, night, self._on_note)

    def _seal(self) -> None:
        """Bring the ASC MHL up to date now and then: each time is a generation of it."""
        if self._is_unsealed and time.monotonic() >= self._seal_due_s:
            self._is_unsealed = False
            self._seal_due_s = time.monotonic() + _SEAL_EVERY_S
            seal_night(self._desk, Night(dest=self._catalog.dest), self._note)

    def _more(self) -> Takes:
        """What has arrived while others were worked on; asked often, and looks seldom."""
        if time.monotonic() - self._looked_s < _LOOKS_APART_S:
            return []
        wait_s = self._arrivals.next_s
        is_due = self._bell.wait(0) or (wait_s is not None and wait_s <= 0)
        return self._look() if is_due else []

    def _pause(self, look_every_s: float) -> None:
        """Wait for something to happen, for a take to have settled, or until it is time."""
        wait_s = self._arrivals.next_s
        self._bell.wait(look_every_s if wait_s is None else min(look_every_s, wait_s))
        early_s = self._looked_s + _LOOKS_APART_S - time.monotonic()
        time.sleep(max(early_s, 0.0))

    def _look(self) -> Takes:
        """Takes that have arrived, each with its settings; whatever is wrong, we go on."""
        self._looked_s = time.monotonic()
        if not self._is_there():
            return []
        layers, takes = self._layers(), []
        try:
            arrived = self._arrived(layers)
        except UsageError:  # it went away a moment ago, or a settings file is wrong
            return []
        for found in arrived:
            try:
                takes += self._laid(layers, [found])
            except SettingsError as error:  # while it is not mended, its takes wait
                self._arrivals.take_back(found)
                self._note(str(error))
        return takes

    def _arrived(self, layers: Layers) -> list[Found]:
        """Everything that has arrived since the last look, what cannot be read included."""
        everything = list(
            discover(self._source, is_raw=layers.has_geometry, skip=[self._catalog.dest])
        )
        arrived = self._arrivals.look(everything)
        problems = [one for one in everything if one.problem and self._arrivals.has_arrived(one)]
        if problems != self._problems:
            self._catalog.put_problems(problems)
            self._problems = problems
        return arrived

    def _laid(self, layers: Layers, arrived: list[Found]) -> Takes:
        return [(found, layers.for_take(found)) for found in arrived]

    def _is_known(self, found: Found) -> bool:
        return self._catalog.known_identity(found) is not None

    def _is_there(self) -> bool:
        """Whether the source can be looked at; says so when it goes and comes."""
        disk = _disk_of(self._source)
        is_new = disk != self._disk
        if is_new and disk is not None:
            self._bell.hang(self._source)
        elif is_new or (disk is None and not self._noted):
            self._bell.take_down()
        if is_new or (disk is None and not self._noted):
            self._say_where(disk)
        self._disk = disk
        return disk is not None

    def _say_where(self, disk: tuple[int, int] | None) -> None:
        """Another disk, or none: what was seen of the one before says nothing any more."""
        self._arrivals.forget()
        self._desk.journal.write(
            "source-away" if disk is None else "source-there", source=self._source
        )
        if disk is None:
            self._note(f"{self._source}: is not there; waiting for it")
        elif self._noted or self._disk is not None:
            self._note(f"{self._source}: was mounted or unmounted; looking anew")

    def _note(self, text: str) -> None:
        """Say something once, not at every look."""
        if text != self._noted:
            self._noted = text
            self._on_note(text)


def _disk_of(folder: str) -> tuple[int, int] | None:
    """What changes when a folder is mounted on, unmounted, removed or made anew."""
    try:
        status = os.stat(folder)
    except OSError:
        return None
    return (status.st_dev, status.st_ino) if stat.S_ISDIR(status.st_mode) else None


def _refuse(
    source: str | os.PathLike[str],
    dest: str | os.PathLike[str],
    settle_s: float,
    look_every_s: float,
) -> None:
    if settle_s < 0 or look_every_s <= 0:
        raise UsageError(
            f"--settle {settle_s:g} --look-every {look_every_s:g}: give seconds, the first not"
            " below zero, the second above"
        )
    if os.path.exists(source) and not os.path.isdir(source):
        raise UsageError(
            f"{os.fspath(source)}: is no folder; watch the folder it lies in, or run flashpan"
            " ingest on it"
        )
    refuse_source_inside(source, dest)
