"""``flashpan flag``: before the offload, what of each take to copy."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

import click

from flashpan.cli.options import DURATIONS, asked_settings, named_settings, search_options
from flashpan.cli.output import Results, note
from flashpan.cli.progress import progress

if TYPE_CHECKING:
    from flashpan.offload.kept import Flagged

_HELP = f"""Say before the offload what of each take to copy: frames, and the bytes that hold them.

SOURCE is a folder, with all folders in it, or one take; it is only read. A flashpan.toml in it
counts as for flashpan ingest. With --shortest-event, most of a take whose frames can be reached
one by one is never read: raw pixels, .npy, stills, video that codes each frame by itself and has
an index. Nothing is copied without --apply.

\b
What can be copied in part:
  raw, .npy, Y4M   bytes: the header and the frames to keep; of .npy, the header is written anew
  stills           files
  video            packets, from the keyframe before the range to the last that its frames build
                   on. They are no file by themselves: --apply puts them into a container of the
                   take's kind. Whoever copies bytes needs the container's header and index, too,
                   at the same places (rows "container").
  TIFF pages       no bytes can be named; --apply writes the pages anew
All else is to be copied whole, and a note says why.

--apply DEST copies that, reads it back, and gives it its name when it is proved; run it again, and
what is there and whole stays. Places are those in SOURCE. Beside each copy lies its event log,
<name>.copied.events.json: "offload" in it says which frame of the take each frame is. Videos and
TIFF pages become a clip for each range, as by flashpan trim --how copy.

{DURATIONS}

\b
For other programs:
  --file-list      for rsync --files-from (with --from0: rsync --from0), relative to SOURCE: the
                   stills to keep, of other takes the whole file; but no take of --dd-script
  --dd-script      a shell script that copies the bytes of raw, .npy and Y4M, and compares them:
                   sh SCRIPT DEST

Exit status: 0 done, whether or not anything is to be copied; 2 the command was wrong; 3 some takes
failed, the others are done; 130 stopped by you.

\b
Examples:
  flashpan flag /media/card --shortest-event 2ms --capture-rate 100000 --offload-rate 120MB/s
  flashpan flag /media/card --json > plan.json
  flashpan flag /media/card --file-list list --from0
  rsync -a --from0 --files-from=list /media/card/ /night/
  flashpan flag /media/card --apply /night
"""


@click.command("flag", help=_HELP, short_help="Say, before the offload, what to copy.")
@click.argument("source", metavar="SOURCE")
@click.option("--apply", "dest", metavar="DEST", help="Copy what is kept there, verified.")
@click.option("--overwrite", is_flag=True, help="With --apply: replace what is in the way.")
@click.option(
    "--offload-rate", metavar="RATE", help="Bytes per second that takes are copied at: 120MB/s."
)
@click.option("--json", "as_json", is_flag=True, help="Print all of it as JSON.")
@click.option("--file-list", metavar="FILE", help="Write the files to copy there, one a line.")
@click.option("--from0", is_flag=True, help="With --file-list: end names with a zero byte.")
@click.option("--dd-script", metavar="FILE", help="Write a shell script of dd commands there.")
@search_options
@click.pass_context
def command(
    ctx: click.Context,
    /,
    source: str,
    dest: str | None,
    overwrite: bool,
    offload_rate: str | None,
    as_json: bool,
    file_list: str | None,
    from0: bool,
    dd_script: str | None,
    settings_file: str | None,
    **options: Any,
) -> None:
    """Read the options, search, print, write the lists."""
    from flashpan.offload.flag import flag
    from flashpan.offload.shown import flagged_to_dict, format_flagged

    if from0 and file_list is None:
        raise click.UsageError("--from0 is about --file-list; give both")
    if overwrite and dest is None:
        raise click.UsageError("--overwrite is about --apply; give both")
    flagged = flag(
        source,
        asked_settings(options),
        to=dest,
        overwrite=overwrite,
        named=named_settings(settings_file),
        offload_rate=offload_rate,
        follow=progress,
        on_failed=lambda failure: note(failure.error),
        on_note=note,
    )
    _write_lists(flagged, file_list, from0, dd_script)
    as_text = json.dumps(flagged_to_dict(flagged), indent=1, allow_nan=False) if as_json else None
    if "-" not in (file_list, dd_script):
        Results(go_on=True).write(as_text or format_flagged(flagged))
    ctx.exit(flagged.exit_code)


def _write_lists(
    flagged: Flagged, list_file: str | None, from0: bool, script_file: str | None
) -> None:
    from flashpan.offload.lists import dd_script, file_list, scripted

    without = [one.place for one in scripted(flagged)] if script_file is not None else []
    if list_file is not None:
        _put(list_file, file_list(flagged, from0=from0, without=without))
    if script_file is not None:
        _put(script_file, dd_script(flagged))


def _put(path: str, data: bytes) -> None:
    """Write to a file, or in place of the table to standard output."""
    from flashpan.atomic import write_bytes

    if path == "-":
        sys.stdout.buffer.write(data)
        sys.stdout.flush()
    else:
        note(f"wrote {write_bytes(path, data, overwrite=True)}")
