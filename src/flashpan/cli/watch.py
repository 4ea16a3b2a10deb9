"""``flashpan watch``: takes become a night as they finish arriving."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from flashpan.cli.clip_options import clip_options
from flashpan.cli.engine_options import engine_options, engine_settings
from flashpan.cli.options import DURATIONS, asked_settings, named_settings, search_options
from flashpan.cli.output import Results, note
from flashpan.night.stopping import stoppable

if TYPE_CHECKING:
    from flashpan.night.run import Step

_HELP = f"""Follow a folder, and ingest each take once it has stopped growing.

SOURCE is a folder, with all folders in it; it is only read, need not be there yet, and may be
unmounted and mounted again. A take has arrived when its size, the number of its files and its
time have stayed as they are for --settle seconds; stills whose numbers have gaps wait ten times as
long. DEST, settings and clips are as with flashpan ingest; so is what is done twice: nothing.

One line is printed for each take that is done. It goes on until it is stopped, by Ctrl-C or by a
service manager, and then ends within 5 seconds; takes in hand have their turn again next time.
With --once it ingests what is there and at rest, and ends: for cron.

{DURATIONS}

Exit status: 130 stopped by you; with --once 0 or 3 as with flashpan ingest; 2 the command was
wrong, or another run is at work on DEST; 3 DEST takes no more.

\b
Examples:
  flashpan watch /media/card --to /night --capture-rate 100000
  flashpan watch /mnt/takes --to /night --settle 30 --log-file /night/lines.jsonl
  flashpan watch /mnt/takes --to /night --once
"""


@click.command("watch", help=_HELP, short_help="Ingest takes as they finish arriving.")
@click.argument("source", metavar="SOURCE")
@click.option("--to", "dest", metavar="DEST", required=True, help="Folder of the night.")
@click.option("--once", is_flag=True, help="Ingest what is there and at rest, and end.")
@click.option(
    "--settle",
    "settle_s",
    metavar="SECONDS",
    type=float,
    default=10.0,
    show_default=True,
    help="How long a take must stay as it is.",
)
@click.option(
    "--look-every",
    "look_every_s",
    metavar="SECONDS",
    type=float,
    default=30.0,
    show_default=True,
    help="Look though nothing is heard: of network disks nothing is.",
)
@engine_options
@clip_options
@search_options
@click.pass_context
def command(
    ctx: click.Context,
    /,
    source: str,
    dest: str,
    once: bool,
    settle_s: float,
    look_every_s: float,
    settings_file: str | None,
    **options: Any,
) -> None:
    """Read the options, watch, say what is done."""
    from flashpan.night.watch import watch

    how = engine_settings(options)
    asked, named = asked_settings(options), named_settings(settings_file)
    results = Results(go_on=True)

    def on_take(step: Step) -> None:
        if step.error:
            note(step.error)
        elif step.report is not None and step.outcome == "done":
            from flashpan.night.stepline import done_line

            results.write(done_line(step.path, step.report))

    with stoppable():
        night = watch(
            source,
            dest,
            asked,
            named=named,
            once=once,
            settle_s=settle_s,
            look_every_s=look_every_s,
            on_take=on_take,
            on_note=note,
            **how,
        )
    ctx.exit(night.exit_code)
