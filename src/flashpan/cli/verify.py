"""``flashpan verify``: check every file of a night."""

from __future__ import annotations

import json

import click

from flashpan.cli.output import Results, note
from flashpan.cli.progress import file_progress

_HELP = """Check every file of a night against its ASC MHL, its checksum lists and its catalog.

DEST is the folder that flashpan ingest or flashpan watch wrote to, or a copy of it; what is missing
of the three is said. Every file is read once, and nothing is written but by --mend. The ASC MHL in
DEST/ascmhl is in the format of the open standard (2.0), so that other tools can check it too.

--mend first looks the catalog (night.sqlite) through. Where it is damaged, it is kept as
night.damaged-1.sqlite and made anew: from what of it can be read, and from the event logs and clips
of the takes. What an operator marked, noted and changed in a review is in the catalog alone; of how
many takes that is lost is said. ingest and watch do the same before they begin.

Exit status: 0 all is as it was written; 2 the command was wrong; 3 something is missing or differs,
each on a line of its own; 130 stopped by you.

\b
Examples:
  flashpan verify night
  flashpan verify /mnt/backup/night --json
"""


@click.command("verify", help=_HELP, short_help="Check every file of a night.")
@click.argument("dest", metavar="DEST")
@click.option("--mend", is_flag=True, help="Make a damaged catalog anew before.")
@click.option("--json", "as_json", is_flag=True, help="Print what came of it as JSON.")
@click.pass_context
def command(ctx: click.Context, /, dest: str, mend: bool, as_json: bool) -> None:
    """Check, show what came of it."""
    if mend:
        _mend(dest)
    from flashpan.night.verify import format_verified, verified_to_dict, verify

    with file_progress("verify") as on_file:
        done = verify(dest, on_file)
    text = json.dumps(verified_to_dict(done), indent=2) if as_json else format_verified(done)
    Results(go_on=True).write(text)
    ctx.exit(0 if done.ok else 3)


def _mend(dest: str) -> None:
    from flashpan.night.catalog import mended

    done = mended(dest)
    note(f"{dest}: the catalog is sound" if done is None else done)
