"""``flashpan man``: the manual page."""

from __future__ import annotations

import click

from flashpan.cli.output import Results

_HELP = """Print the manual page of flashpan and all its commands.

\b
Examples:
  flashpan man | man -l -
  flashpan man > ~/.local/share/man/man1/flashpan.1
"""


@click.command("man", help=_HELP, short_help="Print the manual page.")
@click.pass_context
def command(ctx: click.Context, /) -> None:
    """Make the page of what the commands say of themselves."""
    from flashpan.cli.roff import manual_page

    root = ctx.find_root()
    assert isinstance(root.command, click.Group)
    Results(go_on=False).write(manual_page(root.command, root))
