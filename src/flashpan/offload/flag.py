"""`flag`: before the offload, which frames and bytes of each take are worth copying."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from flashpan.cut.engine import Cutter
from flashpan.errors import FlashpanError, TakeError, UnreadableTake, UsageError
from flashpan.find import find, opened
from flashpan.model import EventLog, TakeInfo
from flashpan.night.discovery import discover
from flashpan.night.found import Found
from flashpan.night.ingest import refuse_source_inside
from flashpan.night.layers import Layers
from flashpan.night.report import parse_offload_rate
from flashpan.offload.copy import Offload
from flashpan.offload.kept import Failure, Flagged, FlaggedTake
from flashpan.offload.places import laid_out
from flashpan.readers.base import Reader
from flashpan.readers.video import VideoReader
from flashpan.settings import Settings
from flashpan.settingsfile import SettingsFile
from flashpan.trim import as_logged

Follow = Callable[[TakeInfo, int], AbstractContextManager[Callable[[int], None]]]
Say = Callable[[str], object]


def flag(
    source: str | os.PathLike[str],
    settings: Settings | None = None,
    *,
    to: str | os.PathLike[str] | None = None,
    overwrite: bool = False,
    named: SettingsFile | None = None,
    offload_rate: Fraction | str | None = None,
    follow: Follow | None = None,
    on_failed: Callable[[Failure], object] | None = None,
    on_note: Say | None = None,
) -> Flagged:
    """Say which frames, bytes and files of each take are worth copying; on request, copy them.

    Takes are searched as by `flashpan.find`.  With ``settings.shortest_event`` above a few
    frames, most of a take whose frames can be reached one by one (raw pixels, ``.npy``, stills,
    video that codes every frame by itself and has an index) is never read.

    Parameters
    ----------
    source : path-like
        A folder, with all folders in it, or one take; only read.
    settings : Settings, optional
        What to look for; wins over every settings file.
    to : path-like, optional
        Copy what is kept to this folder, verified, under the places that takes have in the
        source.  What an earlier run copied, and is as it was, is left as it is.
    overwrite : bool
        Replace what is in the way there.
    named : SettingsFile, optional
        Takes the place of every ``flashpan.toml`` in the source.
    offload_rate : Fraction or str, optional
        Bytes per second of the link: ``Fraction(120_000_000)`` or ``"120MB/s"``.
    follow : callable, optional
        Called with a take and its first frame; gives a context manager of a function that is
        called with each frame's number.
    on_failed : callable, optional
        Called with each `Failure` as soon as it is known.
    on_note : callable, optional
        Called with lines for people: sections of settings files that fit no take, what was
        there already.

    Returns
    -------
    Flagged
        A take that fails is in ``failed``, and the others are done.

    Raises
    ------
    UsageError
        There is no such source, ``to`` lies in it or holds it, or a setting makes no sense.
    """
    if to is not None:
        _refuse_entangled(source, to)
    rate = parse_offload_rate(offload_rate) if isinstance(offload_rate, str) else offload_rate
    layers = Layers(source, settings or Settings(), named)
    every = [
        (found, layers.for_take(found)) for found in discover(source, is_raw=layers.has_geometry)
    ]
    say: Say = on_note or (lambda text: None)
    for section in layers.unused():
        say(f"{section}: fits no take")
    root = _root(source)
    offload = None
    if to is not None:
        offload = Offload(to, root, [found.path for found, _ in every], overwrite, say)
    work = _Work(root, offload, follow or (lambda take, first: nullcontext(lambda frame: None)))
    takes: list[FlaggedTake] = []
    failed: list[Failure] = []
    for found, wanted in every:
        for one in work.done(found, wanted):
            if isinstance(one, FlaggedTake):
                takes.append(one)
                continue
            failed.append(one)
            if on_failed is not None:
                on_failed(one)
    return Flagged(
        source=Path(os.path.abspath(source)),
        takes=tuple(takes),
        failed=tuple(failed),
        offload_rate=rate,
    )


def _refuse_entangled(source: str | os.PathLike[str], to: str | os.PathLike[str]) -> None:
    """Refuse a source inside the destination, and a destination inside the source."""
    refuse_source_inside(source, to)
    outer, inner = Path(os.path.realpath(source)), Path(os.path.realpath(to))
    if outer in inner.parents:
        raise UsageError(
            f"{os.fspath(to)}: lies in {os.fspath(source)}; choose a folder outside of the source"
        )


def _root(source: str | os.PathLike[str]) -> str:
    """The folder that places are below."""
    path = os.path.abspath(source)
    return path if os.path.isdir(path) else os.path.dirname(path)


@dataclass(frozen=True, slots=True)
class _Work:
    """Searches takes, lays them out, copies them where that is asked for."""

    root: str
    offload: Offload | None
    follow: Follow

    def done(self, found: Found, settings: Settings) -> Iterator[FlaggedTake | Failure]:
        """One take, or why not; a take that cannot be copied gives both."""
        if found.problem is not None:
            yield Failure(found.path, UnreadableTake(found.problem))
            return
        try:
            one = self._flagged(found, settings)
        except (FlashpanError, OSError) as error:
            yield _failure(found, error)
            return
        if self.offload is None:
            yield one
            return
        try:
            yield self.offload.copied(one)
        except (FlashpanError, OSError) as error:
            yield one
            yield _failure(found, error)

    def _flagged(self, found: Found, settings: Settings) -> FlaggedTake:
        with opened(found.path, settings) as reader:
            if isinstance(reader, VideoReader):
                reader.keeps_index = True
            known = self._known(found, reader, settings)
            log = known or self._searched(reader, settings)
            index = reader.packet_index if isinstance(reader, VideoReader) else None
            take = as_logged(reader.info, log, settings)
        take = replace(take, fingerprint=log.take.fingerprint)
        cutter = Cutter(index)
        laid = laid_out(take, log, settings.raw, lambda: cutter.table(take), self._place)
        return FlaggedTake(
            found=found,
            place=self._place(found.path),
            log=log,
            take=take,
            raw=settings.raw,
            laid=laid,
            was_known=known is not None,
            index=index,
        )

    def _known(self, found: Found, reader: Reader, settings: Settings) -> EventLog | None:
        """What an earlier run found, where it left that beside its copy."""
        if self.offload is None:
            return None
        return self.offload.log_there(reader.info, self._place(found.path), settings)

    def _searched(self, reader: Reader, settings: Settings) -> EventLog:
        with self.follow(reader.info, settings.first or 0) as on_frame:
            return find(reader, settings, on_frame=on_frame)

    def _place(self, path: str) -> str:
        place = os.path.relpath(path, self.root)
        return os.path.basename(path) if place == "." else place


def _failure(found: Found, error: Exception) -> Failure:
    """A failure in one line that names the take."""
    if not isinstance(error, FlashpanError):
        why = getattr(error, "strerror", None) or error
        error = TakeError(f"{found.path}: {why}; check the disk and run again")
    elif found.path not in str(error):
        error = type(error)(f"{found.path}: {error}")
    return Failure(found.path, error)
