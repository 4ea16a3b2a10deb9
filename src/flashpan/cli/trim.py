"""``flashpan trim``: the trim ranges of takes as clips."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from flashpan.cli.batch import each_shown, each_take, open_with
from flashpan.cli.clip_options import clip_options
from flashpan.cli.options import DURATIONS, asked_settings, named_settings, search_options
from flashpan.cli.output import Results, note
from flashpan.cli.progress import progress, range_progress

if TYPE_CHECKING:
    from flashpan.cut.plan import Plan
    from flashpan.cut.report import Trimmed
    from flashpan.settings import Settings
    from flashpan.settingsfile import SettingsFile
    from flashpan.trim import TrimRun

_HELP = f"""Find the events of takes and write every trim range as a clip, verified.

Every TAKE is a video file, a folder of numbered stills, a raw pixel file, or - for standard
input, which is cut while it arrives. The source is only read. A clip gets its name when it has
been decoded again and every frame held against the take's; what differs is kept under
<clip>.differs and fails the take. Clips that are there from an earlier run, and whole, stay: run
the same command again to complete a run that was stopped.

{DURATIONS}

\b
What becomes of the frames of a video (--how):
  auto    copy where every frame is coded by itself, else exact: no bit is lost
  copy    packets as they are; where frames build on others, the clip begins at the
          nearest earlier keyframe, and the table says how many frames early
  bridge  H.264: frames up to the next keyframe coded anew, the rest as they are
  exact   decoded and stored without loss: FFV1 in Matroska
Of stills, raw pixels, stacks and pipes the clip holds the very bytes.

\b
What every range can also go out as, beside its clip (--also):
  tiff16, png8, png16, dpx10, dpx12, dpx16   numbered pictures in a folder
  luma16                                     TIFF of a YUV take's luma, bit for bit
  view                                       H.264 at the playback rate, to look at
  gif, webp                                  a small moving preview

\b
Examples:
  flashpan trim storm.mov --out clips --capture-rate 100000
  flashpan trim night/*.mov --out clips --also view --budget 200GB
  flashpan trim storm.mov --out clips --log logs/storm.events.json
  flashpan trim stills/ --out clips --files hardlink
  some-recorder | flashpan trim - --out clips
"""


@click.command("trim", help=_HELP, short_help="Write the trim ranges of takes as clips.")
@click.argument("takes", metavar="TAKE...", nargs=-1, required=True)
@click.option("--out", metavar="DIR", required=True, help="Write clips and event logs there.")
@click.option("--log", "log_file", metavar="FILE", help="Cut by this event log; do not search.")
@click.option(
    "--budget",
    metavar="AMOUNT",
    help="Keep no more frames (5000) or bytes (500MB) than that, strongest events first.",
)
@click.option("--overwrite", is_flag=True, help="Replace logs and clips that are there already.")
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
@clip_options
@search_options
@click.pass_context
def command(
    ctx: click.Context,
    /,
    takes: tuple[str, ...],
    out: str,
    log_file: str | None,
    budget: str | None,
    overwrite: bool,
    settings_file: str | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Read the options, trim each take, show what was written."""
    from flashpan.cut.plan import TrimSettings
    from flashpan.trim import TrimRun

    takes = tuple(dict.fromkeys(takes))
    wanted = TrimSettings(budget=budget, overwrite=overwrite)
    asked, named = asked_settings(options), named_settings(settings_file)
    run = TrimRun(takes, out, wanted, log=log_file, say=note)
    shown = _Shown(Results(go_on=True), n_takes=len(takes), as_json=as_json)
    plan_one = partial(_plan_one, run=run, asked=asked, named=named)
    if wanted.budget is None:
        trim_one = partial(_trim_one, plan_one=plan_one, run=run)
        status = each_shown(takes, trim_one, shown.show)
    else:
        status = _trim_within_budget(takes, plan_one, run, shown)
    shown.finish()
    ctx.exit(max(status, shown.status))


def _trim_one(take: str, plan_one: Callable[[str], Plan | Trimmed], run: TrimRun) -> Trimmed:
    """Plan a take and write it; a pipe has been written by then."""
    from flashpan.cut.plan import Plan

    plan = plan_one(take)
    return _write(run, plan) if isinstance(plan, Plan) else plan


def _trim_within_budget(
    takes: tuple[str, ...], plan_one: Callable[[str], Any], run: TrimRun, shown: _Shown
) -> int:
    """Search all takes, choose among all of their ranges, then write."""
    plans: dict[str, Plan] = {}
    status = each_take(takes, lambda take: plans.update({take: plan_one(take)}))
    run.choose(list(plans.values()))

    def write(take: str) -> None:
        shown.show(_write(run, plans.pop(take), later=plans.values()))

    return max(status, each_take(list(plans), write))


def _plan_one(
    take: str, *, run: TrimRun, asked: Settings, named: SettingsFile | None
) -> Plan | Trimmed:
    from flashpan.settingsfile import settings_for

    settings = run.completed(settings_for(take, asked, named))
    with (
        open_with(take, settings) as reader,
        progress(reader.info, settings.first or 0) as on_frame,
    ):
        return run.begin(reader, settings, on_frame)


def _write(run: TrimRun, plan: Plan, later: Iterable[Plan] = ()) -> Trimmed:
    n_frames = sum(plan.log.ranges[number].n_frames for number in plan.kept)
    with range_progress(plan.take.name, n_frames) as on_clip:
        return run.write(plan, later, on_clip)


class _Shown:
    """Shows what was written of each take, and every failure on stderr."""

    def __init__(self, results: Results, *, n_takes: int, as_json: bool) -> None:
        self._results, self._n_takes, self._as_json = results, n_takes, as_json
        self._done: list[Trimmed] = []
        self.status = 0

    def show(self, done: Trimmed) -> None:
        """A take is done."""
        from flashpan.trimtable import format_trimmed

        for failed in done.failed:
            note(failed.error)
            self.status = max(self.status, failed.error.exit_code)
        if not self._as_json:
            self._results.write(("\n" if self._done else "") + format_trimmed(done))
        self._done.append(done)

    def finish(self) -> None:
        """All takes are done."""
        from flashpan.trimtable import format_total, trimmed_to_dict

        if self._as_json:
            written = [trimmed_to_dict(done) for done in self._done]
            if written or self._n_takes > 1:
                text = json.dumps(written if self._n_takes > 1 else written[0], indent=2)
                self._results.write(text)
        elif self._n_takes > 1 and self._done:
            self._results.write("\n" + format_total(self._done))
