"""The sheets of a take, put beside its log."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from flashpan.atomic import make_folder, refuse_existing, together
from flashpan.cut.anyframe import AnyFrame
from flashpan.cut.engine import kind
from flashpan.cut.names import take_stem
from flashpan.cut.plan import Plan
from flashpan.edited import read_edited_log
from flashpan.errors import UsageError
from flashpan.eventlog import EXTENSION
from flashpan.find import find, opened
from flashpan.model import Event, EventLog, ScoreTrace
from flashpan.readers.base import Reader
from flashpan.scores import SUFFIX as SCORES_SUFFIX
from flashpan.scores import read_scores
from flashpan.settings import Settings
from flashpan.sheet.canvas import PAPER, figure_png, figures_pdf
from flashpan.sheet.looks import MOST_EVENTS, SUFFIX, Strips, store_strips
from flashpan.sheet.plot import score_plot
from flashpan.sheet.takesheet import take_pages


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheets:
    """What was made of a take.

    Attributes
    ----------
    pages : tuple of Path
        The contact sheet as PNG, one file per page.
    pdf : Path
        All pages, and the score plot behind them.
    plot : Path or None
        The score plot as PNG; None without scores.
    strips : Strips
    """

    pages: tuple[Path, ...]
    pdf: Path
    plot: Path | None
    strips: Strips

    @property
    def paths(self) -> tuple[Path, ...]:
        """All files and the folder of strips."""
        plot = () if self.plot is None else (self.plot,)
        return (*self.pages, self.pdf, *plot, self.strips.folder)


def contact_sheet(
    take: str | os.PathLike[str],
    out: str | os.PathLike[str],
    settings: Settings | None = None,
    *,
    log: str | os.PathLike[str] | None = None,
    overwrite: bool = False,
    most_events: int = MOST_EVENTS,
    on_frame: Callable[[int], None] | None = None,
    on_event: Callable[[Event], None] | None = None,
) -> Sheets:
    """Find the events of a take, and draw its contact sheet and score plot.

    Parameters
    ----------
    take : path-like
        Anything `flashpan.open_take` opens but a pipe, which cannot be looked at twice.
    out : path-like
        Folder for the files; made if need be.
    settings : Settings, optional
        What to look for, as for `flashpan.find`.
    log : path-like, optional
        Show what this event log says instead of searching; the plot is drawn where its scores
        (``<take>.scores.npz``) lie beside it.
    overwrite : bool
        Replace what is there.
    most_events : int
        Of more events the strongest are shown.
    on_frame, on_event : callable, optional
        As for `flashpan.find`.

    Raises
    ------
    UsageError
        The take is a pipe.
    TakeError
        The take or the log cannot be read, or something is there already or cannot be written.
    """
    asked, folder = settings or Settings(), Path(out)
    refuse_pipe(take)
    with opened(take, asked) as reader:
        found, trace = _searched(reader, asked, log, on_frame, on_event)
        info = replace(found.take, path=reader.info.path, name=reader.info.name)
    make_folder(folder)
    stem = take_stem(info, folder)
    if not overwrite:
        refuse_existing(folder / f"{stem}.sheet.png")
    with AnyFrame(info, asked.raw or found.settings.get("raw")) as pictures:
        return make_sheets(
            replace(found, take=info),
            trace,
            pictures,
            folder,
            stem,
            overwrite=overwrite,
            most_events=most_events,
        )


def refuse_pipe(take: str | os.PathLike[str]) -> None:
    """Refuse standard input, with the cure.

    Raises
    ------
    UsageError
    """
    if os.fspath(take) == "-":
        raise UsageError("-: a pipe cannot be looked at twice; save the take to a file first")


def _searched(
    reader: Reader,
    settings: Settings,
    log: str | os.PathLike[str] | None,
    on_frame: Callable[[int], None] | None,
    on_event: Callable[[Event], None] | None,
) -> tuple[EventLog, ScoreTrace | None]:
    """What is known of a take, and its scores if they are."""
    if log is not None:
        known = read_edited_log(log, reader.info)
        return known, scores_of(known, Path(log))
    found = find(reader, settings, on_event=on_event, on_frame=on_frame, keep_trace=True)
    return found, found.trace


def make_sheets(
    log: EventLog,
    trace: ScoreTrace | None,
    pictures: AnyFrame,
    out: str | os.PathLike[str],
    stem: str,
    *,
    overwrite: bool = False,
    most_events: int = MOST_EVENTS,
) -> Sheets:
    """Write ``<stem>.sheet.png`` and ``.pdf``, ``<stem>.scores.png`` and ``<stem>.strips/``.

    Parameters
    ----------
    log : EventLog
        Of the take.
    trace : ScoreTrace or None
        Every frame's scores; without them there is no plot.
    pictures : AnyFrame
        The take, open.
    out, stem : path-like, str
        Folder, and what the names begin with.
    overwrite : bool
        Replace what is there.
    most_events : int
        Of more events the strongest are shown.

    Raises
    ------
    TakeError
        A file is there already and ``overwrite`` is false, or it cannot be written.
    """
    folder = Path(out)
    strips = store_strips(log, trace, pictures, folder / f"{stem}{SUFFIX}", most_events=most_events)
    return draw_sheets(log, trace, strips, folder, stem, overwrite=overwrite)


def draw_sheets(
    log: EventLog,
    trace: ScoreTrace | None,
    strips: Strips,
    folder: Path,
    stem: str,
    *,
    overwrite: bool = False,
) -> Sheets:
    """Draw what `make_sheets` does, of strips that are there."""
    plot = None
    printed = [page.figure for page in take_pages(log, strips, PAPER)]
    with together(overwrite=overwrite) as write:
        pages = [
            write(folder / _page_name(stem, number), page.png())
            for number, page in enumerate(take_pages(log, strips), 1)
        ]
        if trace is not None:
            plot = write(folder / f"{stem}.scores.png", figure_png(score_plot(log, trace)))
            printed.append(score_plot(log, trace, PAPER))
        pdf = write(folder / f"{stem}.sheet.pdf", figures_pdf(printed, log.take.name))
    return Sheets(pages=tuple(pages), pdf=pdf, plot=plot, strips=strips)


def _page_name(stem: str, number: int) -> str:
    return f"{stem}.sheet.png" if number == 1 else f"{stem}.sheet-{number}.png"


@contextmanager
def pictures_for(plan: Plan) -> Iterator[AnyFrame]:
    """The pictures of a take that has been searched, with the packets that its search noted."""
    has_packets = bool(plan.kept) and kind(plan.cut(plan.kept[0])) == "video"
    table = plan.cutter.table(plan.take) if has_packets else None
    with AnyFrame(plan.take, plan.raw, table=table) as pictures:
        yield pictures


def scores_of(log: EventLog, log_path: Path) -> ScoreTrace | None:
    """Scores of a search: its own, or those beside its log; None where there are none."""
    if log.trace is not None:
        return log.trace
    beside = log_path.with_name(log_path.name.removesuffix(EXTENSION) + SCORES_SUFFIX)
    return read_scores(beside) if beside.exists() else None
