"""``flashpan ingest``: a card or folder of takes becomes a night."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import click

from flashpan.cli.clip_options import clip_options
from flashpan.cli.engine_options import engine_options, engine_settings
from flashpan.cli.options import DURATIONS, asked_settings, named_settings, search_options
from flashpan.cli.output import Results, note
from flashpan.cli.progress import night_progress
from flashpan.night.stopping import stoppable

if TYPE_CHECKING:
    from flashpan.night.run import Step
    from flashpan.settings import Settings
    from flashpan.settingsfile import SettingsFile

_HELP = f"""Find every take of a card or folder, trim it, verify, and remember all of it.

SOURCE is a folder, with all folders in it, or one take; it is only read. A folder of numbered
stills is one take. In DEST every take gets a folder with its event log, its clips and their
checksums; night.sqlite is the catalog of all of it, ascmhl its media hash list (ASC MHL). Run the
same command again to go on after a stop, to try failed takes again and to add new ones: what is
done is not done twice. What was done with other settings is moved aside, never replaced.

A flashpan.toml in SOURCE, or nearer to a take, sets what the command line leaves open; it may have
sections for folders and single takes, and say what the clips shall be (how, also, burn-in,
stretch, files, renumber, verify). --show-settings prints what applies to each take.
There is no --budget: takes are cut as they come, before the strongest events of the night are
known. flashpan trim --log cuts again by a take's log, with a budget.

{DURATIONS}

\b
Engines:
  processes  worker processes on this machine, one take each; the default
  inline     this process, one take after the other
  dask       a Dask cluster: --scheduler ADDRESS, or one on this machine; SOURCE and DEST
             must be at the same place on every machine of it

\b
Lines of --log-file, each a JSON object with "time" and "what":
  night-begins, night-ends         with counts
  take-begins, take-done, take-failed, take-skipped, take-unreadable
  results-moved                    what was done with other settings went there
  take-whole, worker-died          a long take that was not split, and why
  night-sealed, damaged            the ASC MHL is up to date; a file is not what was written
  catalog-mended                   night.sqlite was damaged: what was read, made up and lost

Exit status: 0 all takes are done; 2 the command was wrong, or another run is at work on DEST; 3
some takes failed, cannot be read or are damaged, the others are done, or DEST takes no more; 130
stopped by you.

\b
Examples:
  flashpan ingest /media/card --to /night --capture-rate 100000
  flashpan ingest /media/card --to /night --also view --workers 4
  flashpan ingest /mnt/takes --to /mnt/night --engine dask --scheduler tcp://box:8786
  flashpan ingest /media/card --to /night --show-settings
"""


@click.command("ingest", help=_HELP, short_help="Turn a card or folder of takes into a night.")
@click.argument("source", metavar="SOURCE")
@click.option("--to", "dest", metavar="DEST", required=True, help="Folder of the night.")
@click.option(
    "--show-settings", is_flag=True, help="Print what applies to each take and from where, only."
)
@click.option("--json", "as_json", is_flag=True, help="Print the report (or settings) as JSON.")
@engine_options
@clip_options
@search_options
@click.pass_context
def command(
    ctx: click.Context,
    /,
    source: str,
    dest: str,
    show_settings: bool,
    as_json: bool,
    settings_file: str | None,
    **options: Any,
) -> None:
    """Read the options, run the night, show the report."""
    how = engine_settings(options)
    asked, named = asked_settings(options), named_settings(settings_file)
    if show_settings:
        _show_settings(source, dest, asked, named, as_json)
        return
    from flashpan.night.ingest import ingest

    with night_progress() as bar, stoppable():

        def on_take(step: Step) -> None:
            if step.error:
                bar.say(step.error)

        night = ingest(
            source,
            dest,
            asked,
            named=named,
            on_take=on_take,
            on_headway=bar.show,
            on_note=bar.say,
            **how,
        )
    _show_report(dest, as_json)
    ctx.exit(night.exit_code)


def _show_settings(
    source: str, dest: str, asked: Settings, named: SettingsFile | None, as_json: bool
) -> None:
    from flashpan.night.ingest import laid_settings
    from flashpan.night.settingstable import format_settings, laid_to_dict

    laid = list(laid_settings(source, dest, asked, named=named, on_note=note))
    text = format_settings(laid)
    if as_json:
        text = json.dumps([laid_to_dict(found, settings) for found, settings in laid], indent=2)
    Results(go_on=False).write(text)


def _show_report(dest: str, as_json: bool) -> None:
    from flashpan.night.record import NightRecord
    from flashpan.night.report import night_report
    from flashpan.night.reporttable import format_report, report_json

    with NightRecord.read(dest) as record, record.at_one_moment():
        report = night_report(record)
        text = report_json(report) if as_json else format_report(report)
    Results(go_on=True).write(text)
