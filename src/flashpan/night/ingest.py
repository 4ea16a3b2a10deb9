"""`ingest`: a card or folder of takes becomes a night."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from flashpan.atomic import write_bytes
from flashpan.cut.budget import parse_budget
from flashpan.cut.plan import TrimSettings
from flashpan.errors import FlashpanError, SettingsError, TakeError, UsageError, quoted
from flashpan.night.desk import desk_at
from flashpan.night.discovery import discover
from flashpan.night.engines import Engine
from flashpan.night.found import Found
from flashpan.night.headway import Headway
from flashpan.night.layers import Layers
from flashpan.night.record import NightRecord
from flashpan.night.report import night_report
from flashpan.night.reporttable import format_report, report_csv, report_json
from flashpan.night.run import Night, Order, Run, Step
from flashpan.night.sealing import seal_night
from flashpan.settings import Settings
from flashpan.settingsfile import SettingsFile

SPLIT_ABOVE_BYTES = 4_000_000_000
"""Many takes keep all workers busy by themselves, at no cost; a long one at the end does not."""


def ingest(
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
    log_file: str | os.PathLike[str] | None = None,
    on_take: Callable[[Step], object] | None = None,
    on_headway: Callable[[Headway], object] | None = None,
    on_line: Callable[[dict[str, Any]], object] | None = None,
    on_note: Callable[[str], object] | None = None,
) -> Night:
    """Turn a card or folder of takes into a night: found, trimmed, verified, catalogued.

    Takes that were done before with the same settings are passed over, failed ones are tried
    again, and a run that was stopped goes on where it was.  A script that calls this with
    worker processes must guard its main part by ``if __name__ == "__main__":``.

    Parameters
    ----------
    source : path-like
        A folder, or one take; only read.
    dest : path-like
        Folder of the night; made if need be.
    settings : Settings, optional
        What to look for; wins over every settings file.
    wanted : TrimSettings, optional
        What the clips shall be; what it has by default, settings files may say.
    named : SettingsFile, optional
        Takes the place of every ``flashpan.toml`` in the source.
    engine : {"processes", "inline", "dask"} or Engine
        Where the work is done; an engine that is given is left open.
    workers : int, optional
        How many at a time; one per core by default.
    scheduler : str, optional
        Address of a Dask scheduler; without one, a cluster of this machine.
    split_above : int or None
        Takes of more bytes are measured in pieces by all workers, after the others; None for
        never.
    sheets : bool
        Put a contact sheet and a score plot beside each take's log.
    log_file : path-like, optional
        Gets a JSON line for everything that happens.
    on_take : callable, optional
        Called with a `Step` for each take.
    on_headway : callable, optional
        Called about once a second with a `Headway`: how far all of it is.
    on_line : callable, optional
        Called with what the log file gets, as a dict.
    on_note : callable, optional
        Called with lines for people: sections of settings files that fit no take.

    Returns
    -------
    Night

    Raises
    ------
    UsageError
        The source is not there or lies in the destination, or a setting makes no sense.
    NightBusy
        Another run is at work on this night.
    TakeError
        The destination takes no more.
    KeyboardInterrupt
        After the workers have been stopped and the catalog is in order.
    """
    refuse_budget(wanted)
    takes = list(laid_settings(source, dest, settings or Settings(), named=named, on_note=on_note))
    with desk_at(
        dest,
        engine=engine,
        workers=workers,
        scheduler=scheduler,
        log_file=log_file,
        on_line=on_line,
        on_note=on_note or (lambda text: None),
    ) as desk:
        desk.catalog.put_problems(found for found, _ in takes if found.problem is not None)
        order = Order(
            source=os.fspath(source),
            takes=takes,
            wanted=wanted or TrimSettings(),
            split_above=split_above,
            sheets=sheets,
            on_take=on_take or (lambda step: None),
            on_headway=on_headway or (lambda headway: None),
            at_end=lambda night: seal_night(desk, night, on_note or (lambda text: None)),
        )
        try:
            night = Run(order, desk).all_takes()
        finally:
            write_index(desk.catalog)
        if sheets:
            _write_sheet(desk.catalog, on_note)
    return night


def _write_sheet(record: NightRecord, on_note: Callable[[str], object] | None) -> None:
    """Put the night's contact sheet beside the catalog; where that fails the night is done."""
    from flashpan.night.nightsheet import write_night_sheet  # heavy, and not always wanted

    try:
        write_night_sheet(record)
    except FlashpanError as error:
        if on_note is not None:
            on_note(f"no sheet of the night: {error}")


def write_index(record: NightRecord) -> None:
    """Put the report beside the catalog: ``night.txt``, ``night.csv`` and ``night.json``.

    A disk that takes no more leaves the old ones; the catalog has it all.
    """
    report = night_report(record)
    forms = {"txt": format_report, "csv": report_csv, "json": report_json}
    for suffix, form in forms.items():
        with suppress(TakeError):
            write_bytes(
                record.dest / f"night.{suffix}",
                form(report).encode("utf-8", "surrogateescape") + b"\n",
                overwrite=True,
            )


def laid_settings(
    source: str | os.PathLike[str],
    dest: str | os.PathLike[str],
    settings: Settings | None = None,
    *,
    named: SettingsFile | None = None,
    on_note: Callable[[str], object] | None = None,
) -> Iterator[tuple[Found, Settings]]:
    """Find the takes of a source, each with the settings that apply to it.

    Parameters and errors are those of `ingest`.

    Yields
    ------
    (Found, Settings)
        What cannot be read comes with settings, too.
    """
    refuse_source_inside(source, dest)
    layers = Layers(source, settings or Settings(), named)
    for found in discover(source, is_raw=layers.has_geometry, skip=[dest]):
        yield found, layers.for_take(found)
    for section in layers.unused():
        if on_note is not None:
            on_note(f"{section}: fits no take")


def parse_split_above(text: str) -> int | None:
    """Read ``--split-above``: ``4GB``, or ``never``.

    Raises
    ------
    SettingsError
        Neither of them.
    """
    text = text.strip()
    if text == "never":
        return None
    try:
        budget = parse_budget(text)
    except SettingsError as error:
        raise SettingsError(f"--split-above {quoted(text)}: give bytes (4GB), or never") from error
    if not budget.in_bytes:
        raise SettingsError(f"--split-above {text}: say of what ({text}B, {text}GB), or never")
    return budget.amount


def refuse_budget(wanted: TrimSettings | None) -> None:
    """Refuse a budget: what to keep of a night is known when all of it has been searched.

    Raises
    ------
    UsageError
        One line with the cure.
    """
    if wanted is not None and wanted.budget is not None:
        raise UsageError(
            f"budget {wanted.budget}: a night cuts each take as it comes and has none;"
            " trim its takes by their logs, with a budget"
        )


def refuse_source_inside(source: str | os.PathLike[str], dest: str | os.PathLike[str]) -> None:
    """Refuse a source that lies in the destination, links followed.

    Raises
    ------
    UsageError
        One line with the cure.
    """
    inner, outer = Path(os.path.realpath(source)), Path(os.path.realpath(dest))
    if inner == outer or outer in inner.parents:
        raise UsageError(
            f"{os.fspath(source)}: lies in {os.fspath(dest)}; choose a folder for the night that"
            " holds no takes"
        )
