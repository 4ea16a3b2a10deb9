"""``flashpan find``: the events of takes."""

from __future__ import annotations

import json
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from flashpan.cli.batch import each_take, open_with
from flashpan.cli.forms import Csv, Json, JsonLines, Table
from flashpan.cli.options import DURATIONS, asked_settings, named_settings, search_options
from flashpan.cli.output import Results, note
from flashpan.cli.progress import progress

if TYPE_CHECKING:
    from flashpan.model import Event, EventLog, ScoreTrace
    from flashpan.settings import Settings
    from flashpan.settingsfile import SettingsFile

_HELP = f"""Find the events of takes and print them as a table.

Every TAKE is a video file, a folder of numbered stills, a raw pixel file, or - for standard
input. A take that fails is reported on stderr, and the others are done.

{DURATIONS}

\b
Examples:
  flashpan find storm.mp4 --capture-rate 100000
  flashpan find night/*.mov --out logs --json
  flashpan find drop.mkv --roi 10%,0,50%,100% --pre-roll 5ms --capture-rate 5000
  flashpan find burst.bin --raw 640x480:Mono12p --ignore 0,0,200,24 --last 9999
  flashpan find storm.mp4 --capture-rate 100000 --explain 5120

\b
Columns of --csv:
  take, path          name and source of the take
  event               number of the event in the take's log, from 0
  kind, detector      what it is, and what found it
  onset, peak, end    frames; length is from onset to end, both included
  onset_s, playback_s seconds of real time and of playback time at the onset
  strength, chance    in noise units; by noise alone, so often per million frames
  x, y, width, height where in the picture, in pixels
  trim_first, trim_last  the trim range that keeps it, in frames
"""


@click.command("find", help=_HELP, short_help="Find the events of takes.")
@click.argument("takes", metavar="TAKE...", nargs=-1, required=True)
@search_options
@click.option("--json", "as_json", is_flag=True, help="Print event logs as JSON.")
@click.option("--jsonl", is_flag=True, help="Print each event as a JSON line as soon as it ends.")
@click.option("--csv", "as_csv", is_flag=True, help="Print a header and a row per event.")
@click.option("--out", metavar="DIR", help="Write <take>.events.json there.")
@click.option("--overwrite", is_flag=True, help="Replace event logs that are there already.")
@click.option("--trace", is_flag=True, help="Write every frame's scores there, too.")
@click.option("--quiet", is_flag=True, help="No progress, and no word of logs that are written.")
@click.option(
    "--explain",
    "doubted",
    metavar="FRAME",
    type=int,
    help="Say instead why this frame of the one TAKE is, or is not, an event.",
)
@click.pass_context
def command(
    ctx: click.Context,
    /,
    takes: tuple[str, ...],
    settings_file: str | None,
    as_json: bool,
    jsonl: bool,
    as_csv: bool,
    out: str | None,
    overwrite: bool,
    trace: bool,
    quiet: bool,
    doubted: int | None,
    **options: Any,
) -> None:
    """Read the options, search each take, show the results."""
    if doubted is not None:
        _require_alone(takes, doubted, jsonl=jsonl, as_csv=as_csv, out=out or overwrite or trace)
        asked, named = asked_settings(options), named_settings(settings_file)
        work = partial(
            _explain_one,
            frame=doubted,
            asked=asked,
            named=named,
            as_json=as_json,
            quiet=quiet,
        )
        ctx.exit(each_take(takes, work))
    if overwrite and out is None:
        raise click.UsageError("--overwrite is about the logs of --out DIR; give both")
    if trace and out is None:
        raise click.UsageError("--trace writes scores beside the logs of --out DIR; give both")
    form_type = _form_type(as_json=as_json, jsonl=jsonl, as_csv=as_csv)
    form = form_type(Results(go_on=out is not None), n_takes=len(takes))
    asked, named = asked_settings(options), named_settings(settings_file)
    work = partial(
        _find_one,
        asked=asked,
        named=named,
        form=form,
        out=out,
        overwrite=overwrite,
        trace=trace,
        quiet=quiet,
    )
    status = each_take(takes, work)
    form.finish()
    ctx.exit(status)


def _require_alone(takes: tuple[str, ...], frame: int, **others: object) -> None:
    """Refuse what makes no sense beside --explain."""
    if len(takes) > 1:
        raise click.UsageError(f"--explain is about one take, not {len(takes)}; give that one")
    if frame < 0:
        raise click.UsageError(f"--explain {frame}: frames are numbered from 0; give 0 or more")
    if any(others.values()):
        raise click.UsageError(
            "--explain prints an answer as text or, with --json, as JSON;"
            " leave out --jsonl, --csv, --out, --overwrite and --trace"
        )


def _explain_one(
    take: str,
    *,
    frame: int,
    asked: Settings,
    named: SettingsFile | None,
    as_json: bool,
    quiet: bool,
) -> None:
    from flashpan.answer import explanation_to_dict, format_explanation
    from flashpan.explain import explain
    from flashpan.settingsfile import settings_for

    settings = settings_for(take, asked, named)
    with (
        open_with(take, settings) as reader,
        progress(reader.info, settings.first or 0, quiet=quiet) as shown,
    ):
        explained = explain(reader, frame, settings, on_frame=shown)
    text = format_explanation(explained)
    if as_json:
        text = json.dumps(explanation_to_dict(explained), indent=2, allow_nan=False)
    Results(go_on=False).write(text)


def _form_type(*, as_json: bool, jsonl: bool, as_csv: bool) -> type[Table]:
    if as_json + jsonl + as_csv > 1:
        raise click.UsageError("--json, --jsonl and --csv exclude each other; give one")
    return Json if as_json else JsonLines if jsonl else Csv if as_csv else Table


def _find_one(
    take: str,
    *,
    asked: Settings,
    named: SettingsFile | None,
    form: Table,
    out: str | None,
    overwrite: bool,
    trace: bool,
    quiet: bool,
) -> None:
    from flashpan.eventlog import write_log
    from flashpan.settingsfile import settings_for

    must_be_free = None if overwrite else out
    settings = settings_for(take, asked, named)
    log = _search(take, settings, form, must_be_free, trace=trace, quiet=quiet)
    if out is not None:
        if log.trace is not None:  # before the log, which says that the search is done
            _write_scores(log, log.trace, out)
        path = write_log(log, out, overwrite)
        if not quiet:
            note(f"wrote {path}")
    form.log(log)


def _write_scores(log: EventLog, trace: ScoreTrace, out: str) -> None:
    """Write the scores; those of a search that left no log are replaced."""
    from flashpan.atomic import make_folder
    from flashpan.eventlog import EXTENSION, log_path
    from flashpan.scores import SUFFIX, write_scores

    path = log_path(log.take, make_folder(out))
    beside = path.with_name(path.name.removesuffix(EXTENSION) + SUFFIX)
    write_scores(trace, beside, overwrite=True)


def _search(
    take: str,
    settings: Settings,
    form: Table,
    must_be_free: str | None,
    *,
    trace: bool,
    quiet: bool,
) -> EventLog:
    from flashpan.atomic import refuse_existing
    from flashpan.eventlog import log_path
    from flashpan.find import find

    with open_with(take, settings) as reader:
        if must_be_free is not None:  # ask before the long work, not after
            refuse_existing(log_path(reader.info, must_be_free))
        with progress(reader.info, settings.first or 0, quiet=quiet) as shown:

            def on_event(event: Event) -> None:
                shown.event()
                form.event(reader.info, event)

            return find(reader, settings, on_event=on_event, on_frame=shown, keep_trace=trace)
