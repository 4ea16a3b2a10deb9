"""What the coordinator of a night has open while it works."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flashpan.errors import UsageError
from flashpan.night.catalog import Catalog
from flashpan.night.engines import Engine, Inline, Workers
from flashpan.night.journal import Journal
from flashpan.night.permit import permit

ENGINES = ("processes", "inline", "dask")


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """Where takes are handed out and reports come in.

    Attributes
    ----------
    catalog : Catalog
        Open to write; no other run has it.
    engine : Engine
    journal : Journal
    permit : str
        What jobs carry; see `flashpan.night.permit`.
    """

    catalog: Catalog
    engine: Engine
    journal: Journal
    permit: str


@contextmanager
def desk_at(
    dest: str | os.PathLike[str],
    *,
    engine: str | Engine = "processes",
    workers: int | None = None,
    scheduler: str | None = None,
    log_file: str | os.PathLike[str] | None = None,
    on_line: Callable[[dict[str, Any]], object] | None = None,
    on_note: Callable[[str], object] = lambda text: None,
) -> Iterator[Desk]:
    """Open what a night needs, and close it after the block; parameters as for `ingest`.

    What a killed run had in hand is given up.  An engine that is given is left open.  A catalog
    that was damaged has been made anew, which is noted.

    Raises
    ------
    UsageError
        The log file cannot be written, or the engine is not to be had.
    NightBusy
        Another run is at work on this night.
    CatalogError, TakeError
        The destination cannot be written.
    """
    with ExitStack() as closing:
        journal = closing.enter_context(Journal(log_file, on_line))
        catalog = closing.enter_context(Catalog.open(dest))
        if catalog.mended is not None:
            journal.write("catalog-mended", text=str(catalog.mended))
            on_note(str(catalog.mended))
        allowed = closing.enter_context(permit(Path(dest)))
        catalog.reset_running()
        made = make_engine(engine, workers, scheduler) if isinstance(engine, str) else engine
        if made is not engine:
            closing.callback(made.close)
        yield Desk(catalog=catalog, engine=made, journal=journal, permit=allowed)


def make_engine(name: str, workers: int | None = None, scheduler: str | None = None) -> Engine:
    """An engine by its name.

    Raises
    ------
    UsageError
        No such engine, or what was asked for does not go together.
    PlugInError
        Dask is not installed.
    """
    if name not in ENGINES:
        raise UsageError(f"no engine called {name!r}; there are: {', '.join(ENGINES)}")
    if workers is not None and workers < 1:
        raise UsageError(f"--workers {workers}: gets nothing done; give 1 or more")
    if scheduler is not None and name != "dask":
        raise UsageError("--scheduler is for --engine dask; give both")
    if name == "dask":
        from flashpan.night.dask_engine import DaskEngine

        return DaskEngine(scheduler, workers)
    return Inline() if name == "inline" else Workers(workers)
