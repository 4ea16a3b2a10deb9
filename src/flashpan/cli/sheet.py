"""``flashpan sheet``: contact sheets and score plots."""

from __future__ import annotations

import os
from contextlib import closing
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from flashpan.cli.batch import each_take, open_with
from flashpan.cli.options import DURATIONS, asked_settings, named_settings, search_options
from flashpan.cli.output import Results, note
from flashpan.cli.progress import progress

if TYPE_CHECKING:
    from flashpan.settings import Settings
    from flashpan.settingsfile import SettingsFile

_HELP = f"""Draw the contact sheet and the score plot of takes, or the sheet of a night.

Of every TAKE: a line of small frames for each event, before it, at its onset, through it, at its
peak and end, and after, with frame number, real time and playback time, as PNG and PDF; and every
detector's score against its threshold. With --log nothing is searched, and the plot is drawn
where the log's scores (<take>.scores.npz) lie beside it.

Where TAKE is the folder of a night (flashpan ingest made it, with the sheet of each take), takes
that have none get theirs, and night.sheet.png and .pdf show four frames of every event.

{DURATIONS}

\b
Files, in --out:
  <take>.sheet.png, .pdf   contact sheet; more pages: <take>.sheet-2.png
  <take>.scores.png        score plot
  <take>.strips/           the small frames, and what they are

\b
Examples:
  flashpan sheet storm.mp4 --capture-rate 100000
  flashpan sheet night/*.mov --out sheets
  flashpan sheet storm.mp4 --log logs/storm.events.json --out sheets
  flashpan sheet /night
"""


@click.command("sheet", help=_HELP, short_help="Contact sheets and score plots.")
@click.argument("takes", metavar="TAKE...", nargs=-1, required=True)
@search_options
@click.option("--out", metavar="DIR", default=".", show_default=True, help="Folder for the files.")
@click.option("--log", metavar="FILE", help="Show what this event log says.")
@click.option(
    "--most",
    metavar="N",
    type=click.IntRange(1),
    default=200,
    show_default=True,
    help="Of more events the strongest are shown.",
)
@click.option("--overwrite", is_flag=True, help="Replace sheets that are there already.")
@click.option("--quiet", is_flag=True, help="No progress.")
@click.pass_context
def command(
    ctx: click.Context,
    /,
    takes: tuple[str, ...],
    settings_file: str | None,
    out: str,
    log: str | None,
    most: int,
    overwrite: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Read the options, draw, say where the files are."""
    results = Results(go_on=True)
    work = partial(
        _sheet_one,
        asked=asked_settings(options),
        named=named_settings(settings_file),
        out=out,
        log=log,
        most=most,
        overwrite=overwrite,
        quiet=quiet,
        results=results,
    )
    ctx.exit(each_take(takes, work))


def _sheet_one(
    take: str,
    *,
    asked: Settings,
    named: SettingsFile | None,
    out: str,
    log: str | None,
    most: int,
    overwrite: bool,
    quiet: bool,
    results: Results,
) -> None:
    from flashpan.night.discovery import CATALOG_NAME
    from flashpan.settingsfile import settings_for
    from flashpan.sheet.make import contact_sheet, refuse_pipe

    if os.path.isfile(os.path.join(take, CATALOG_NAME)):
        _sheet_night(take, overwrite, results)
        return
    refuse_pipe(take)
    settings = settings_for(take, asked, named)
    with closing(open_with(take, settings)) as reader:
        info = reader.info
    with progress(info, settings.first or 0, quiet=quiet) as shown:
        made = contact_sheet(
            take,
            out,
            settings,
            log=log,
            overwrite=overwrite,
            most_events=most,
            on_frame=shown,
            on_event=lambda event: shown.event(),
        )
    if made.plot is None:
        note(f"{log}: has no scores beside it; without --log the take is searched and plotted")
    for path in made.paths:
        results.write(str(path), is_exact=True)


def _sheet_night(dest: str, again: bool, results: Results) -> None:
    from flashpan.night.nightsheet import make_missing, write_night_sheet
    from flashpan.night.record import NightRecord

    with NightRecord.read(dest) as record:
        for path in make_missing(record, again=again, say=note):
            results.write(str(path), is_exact=True)
        for path in write_night_sheet(record):
            results.write(str(path), is_exact=True)
