"""``flashpan completion``: the script by which a shell completes commands."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from flashpan.cli.complete import SHELLS, VARIABLE
from flashpan.cli.output import Results

_HELP = """Print the script by which a shell completes flashpan's commands, options and paths.

bash (4.4 or later) and zsh read it where they start; fish from a folder of its own.

\b
Examples:
  flashpan completion bash > ~/.local/share/bash-completion/completions/flashpan
  flashpan completion zsh > ~/.zfunc/_flashpan
  flashpan completion fish > ~/.config/fish/completions/flashpan.fish
"""


@click.command("completion", help=_HELP, short_help="Print a script for the shell's completion.")
@click.argument("shell", metavar="SHELL", type=click.Choice(SHELLS))
@click.pass_context
def command(ctx: click.Context, /, shell: str) -> None:
    """Print the script that click makes for the shell."""
    made = get_completion_class(shell)
    assert made is not None  # of these three there is one
    Results(go_on=False).write(made(ctx.find_root().command, {}, "flashpan", VARIABLE).source())
