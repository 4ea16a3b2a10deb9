"""``flashpan review``: a local page on a night."""

from __future__ import annotations

import click

from flashpan.cli.output import Results
from flashpan.errors import PlugInError

_HELP = """Look through a night in a browser: judge its events, correct them, cut again.

DEST is the folder that flashpan ingest or flashpan watch wrote to. The address that is printed
opens the page; it has a token, and without it nobody gets in. Only this machine is listened to.
What you do is saved in the catalog at once and can be undone. Ctrl-C ends it.

To let others in, give --host the address of this machine that they use, and --token (or the
variable FLASHPAN_REVIEW_TOKEN). Nothing is encrypted: only do so where you trust the network.

\b
Keys:
  left, right             a frame back or on; with shift ten
  home, end               to onset and end of the event; P to its peak
  up, down                the event before or after
  enter, escape           open an event; back to the list
  C, R, N                 circle, reject, note
  B, E                    begin or end the range at this frame
  K                       cut the range again
  T, A                    tones as recorded or stretched; actual pixels
  L, I                    look only there; ignore: then draw on the frame
  Z, Y                    undo, redo

\b
Examples:
  flashpan review /night
  flashpan review /night --port 8400
  flashpan review /night --host 192.168.1.20 --token "$(openssl rand -hex 16)"
"""


@click.command("review", help=_HELP, short_help="Look through a night in a browser.")
@click.argument("dest", metavar="DEST")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen at.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="Port to listen at [default: any that is free].",
)
@click.option(
    "--token", envvar="FLASHPAN_REVIEW_TOKEN", help="What the address carries [default: a new one]."
)
@click.option("--open", "opens", is_flag=True, help="Open the browser of this machine, too.")
def command(dest: str, host: str, port: int, token: str | None, opens: bool) -> None:
    """Read the options, serve until stopped."""
    try:
        from flashpan.review.server import review
    except ImportError as error:
        raise PlugInError(
            f"flashpan review needs {error.name}, which is not installed; pip install"
            " 'flashpan[review]'"
        ) from error

    def say(address: str) -> None:
        Results(go_on=True).write(address)
        if opens:
            click.launch(address)

    review(dest, host=host, port=port, token=token, on_address=say)
