"""``flashpan report``: what came of a night."""

from __future__ import annotations

import click

from flashpan.cli.output import Results

_HELP = """Print the report of a night: failures, totals, events by time of night.

DEST is the folder that flashpan ingest or flashpan watch wrote to; either may still be at work.
A take's time is the creation time that its container states, else that of its file (of stills
the latest): when it was last written.

\b
Examples:
  flashpan report night
  flashpan report night --offload-rate 120MB/s
  flashpan report night --csv
  flashpan report night --html night/report

\b
Columns of --csv, a row per event, by time:
  shot_at, shot_at_from   when the take was shot, and by what: container or file
  take, path, folder      its name, its source, and where its results are below DEST
  event ... chance        as flashpan find --csv has them; x, y, width, height too
  trim_first, trim_last   the trim range that keeps the event, in frames
  clip, clip_bytes        the clip of that range, in the take's folder
  verified, sha256        what was proved of it, and its checksum
"""


@click.command("report", help=_HELP, short_help="Print the report of a night.")
@click.argument("dest", metavar="DEST")
@click.option(
    "--offload-rate", metavar="RATE", help="Bytes per second that takes are copied at: 120MB/s."
)
@click.option("--json", "as_json", is_flag=True, help="Print the whole report as JSON.")
@click.option("--csv", "as_csv", is_flag=True, help="Print a header and a row per event.")
@click.option(
    "--html",
    metavar="DIR",
    help="Write pages with all pictures there instead, which open from disk; an older report there"
    " is replaced.",
)
def command(
    dest: str, offload_rate: str | None, as_json: bool, as_csv: bool, html: str | None
) -> None:
    """Read the catalog, sum up, print."""
    from flashpan.night.record import NightRecord
    from flashpan.night.report import night_report, parse_offload_rate
    from flashpan.night.reporttable import format_report, report_csv, report_json

    if as_json and as_csv:
        raise click.UsageError("--json and --csv exclude each other; give one")
    if html is not None:
        if as_json or as_csv or offload_rate:
            raise click.UsageError("--html stands alone; give it without the others")
        _write_pages(dest, html)
        return
    rate = None if offload_rate is None else parse_offload_rate(offload_rate)
    form = report_json if as_json else report_csv if as_csv else format_report
    with NightRecord.read(dest) as record, record.at_one_moment():
        text = form(night_report(record, offload_rate=rate))
    Results(go_on=False).write(text, is_exact=as_csv)


def _write_pages(dest: str, folder: str) -> None:
    from flashpan.night.htmlreport import write_html_report
    from flashpan.night.record import NightRecord

    with NightRecord.read(dest) as record:
        Results(go_on=True).write(str(write_html_report(record, folder)), is_exact=True)
