"""``flashpan slate``: what is known of takes."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import click

from flashpan.cli.batch import each_take, open_with
from flashpan.cli.options import asked_settings, named_settings, take_options
from flashpan.cli.output import Results
from flashpan.cli.progress import progress

if TYPE_CHECKING:
    from flashpan.settings import Settings
    from flashpan.settingsfile import SettingsFile
    from flashpan.slate import Slate

_HELP = """Say what is known of takes, on all three clocks.

Size, depth, coding, range, rotation, frames, rates, length and cut points: the frames that a
clip can begin at without coding anything anew. What a container claims of its frames is often
wrong; --count decodes them all and gives the exact number.

\b
Examples:
  flashpan slate storm.mp4
  flashpan slate storm.mp4 --count --capture-rate 100000
  flashpan slate stills_folder burst.bin --raw 640x480:Mono12p --json
"""


@click.command("slate", help=_HELP, short_help="Say what is known of takes.")
@click.argument("takes", metavar="TAKE...", nargs=-1, required=True)
@take_options
@click.option("--count", is_flag=True, help="Decode every frame for the exact number.")
@click.option("--json", "as_json", is_flag=True, help="One object for one take, else an array.")
@click.pass_context
def command(
    ctx: click.Context,
    /,
    takes: tuple[str, ...],
    settings_file: str | None,
    count: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Read the options, look at each take, show what is known."""
    results = Results(go_on=False)
    asked, named = asked_settings(options), named_settings(settings_file)
    slates: list[Slate] = []

    def work(take: str) -> None:
        known = _slate_one(take, asked, named, count)
        if not as_json:
            _show(known, results, is_first=not slates)
        slates.append(known)

    status = each_take(takes, work)
    if as_json:
        _show_json(slates, results, is_single=len(takes) == 1)
    ctx.exit(status)


def _slate_one(take: str, asked: Settings, named: SettingsFile | None, count: bool) -> Slate:
    from flashpan.settingsfile import settings_for
    from flashpan.slate import slate

    with (
        open_with(take, settings_for(take, asked, named)) as reader,
        progress(reader.info) as on_frame,
    ):
        return slate(reader, count=count, on_frame=on_frame)


def _show(known: Slate, results: Results, *, is_first: bool) -> None:
    from flashpan.slate import format_slate

    results.write(("" if is_first else "\n") + format_slate(known))


def _show_json(slates: list[Slate], results: Results, *, is_single: bool) -> None:
    from flashpan.slate import slate_to_dict

    known = [slate_to_dict(slate) for slate in slates]
    if known or not is_single:
        results.write(json.dumps(known[0] if is_single else known, indent=2))
