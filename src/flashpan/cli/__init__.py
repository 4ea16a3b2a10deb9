"""The command line: one small file per command, no logic of its own.

Commands are imported when they are called for, and import what they need when they run,
so that ``flashpan --help`` answers at once on the slowest ingest box.
"""

from __future__ import annotations

import os
import sys
from importlib import import_module
from typing import Any

import click

from flashpan.cli.complete import with_completion
from flashpan.cli.lastwords import process_is_ours
from flashpan.cli.output import StdoutFailed, discard_stdout, note
from flashpan.errors import FlashpanError, unforeseen
from flashpan.night.stopping import stoppable

TRACEBACK = "FLASHPAN_TRACEBACK"
"""Environment variable: set, it lets faults of the program itself show where they are."""

_COMMANDS = (
    *("plan", "flag", "find", "trim", "ingest", "watch", "report", "review", "verify"),
    *("handoff", "sheet", "slate", "demo", "completion", "man"),
)


class _Commands(click.Group):
    """Loads a command from the module of its name, and turns errors into exit statuses."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command: click.Command = import_module(f"flashpan.cli.{cmd_name}").command
        return with_completion(command)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            with stoppable():  # SIGTERM, too, ends what is in hand in order
                return super().invoke(ctx)
        except (FlashpanError, StdoutFailed) as error:
            note(error)
            ctx.exit(error.exit_code)
        except KeyboardInterrupt:
            note("stopped")
            ctx.exit(130)
        except BrokenPipeError:  # whoever read the results has seen enough
            discard_stdout()
            ctx.exit(0)
        except (click.exceptions.Exit, click.Abort, click.ClickException):
            raise
        except Exception as error:
            if os.environ.get(TRACEBACK):
                raise
            note(_unforeseen(error))
            ctx.exit(FlashpanError.exit_code)


@click.group(
    cls=_Commands,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example: flashpan find night/*.mp4 --capture-rate 100000 --out logs",
)
@click.option("--version", is_flag=True, help="Show the version and exit.")
@click.option("--verbose", is_flag=True, help="With --version: all that a report of a fault needs.")
@click.pass_context
def commands(ctx: click.Context, version: bool, verbose: bool) -> None:
    """Find the few frames that matter in long high-speed-camera takes.

    A take is a video file, a folder of numbered stills, a raw pixel file, or - for a pipe.
    Frames are numbered from 0. Source takes are never changed.

    Exit status: 0 done, whether or not anything was found; 2 the command was wrong; 3 some
    takes failed, the others are done; 130 stopped by you.
    """
    if verbose and not version:
        raise click.UsageError("--verbose goes with --version; give both")
    if version:
        _show_version(verbose)
        ctx.exit()
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


def _show_version(verbose: bool) -> None:
    from importlib.metadata import version

    if verbose:
        from flashpan.versions import version_lines

        click.echo("\n".join(version_lines()))
    else:
        click.echo(f"flashpan, version {version('flashpan')}")


def main(args: list[str] | None = None) -> None:
    """Run the command line and leave with its exit status."""
    if args is None:
        process_is_ours()
    for stream in (sys.stdout, sys.stderr):
        # a file name or a µ that the terminal cannot show is no reason to stop
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        status = commands.main(args, prog_name="flashpan", standalone_mode=False)
    except click.ClickException as error:
        note(_with_cure(error))
        status = error.exit_code
    except click.Abort:
        note("stopped")
        status = 130
    sys.exit(status if isinstance(status, int) else 0)


def _unforeseen(error: Exception) -> str:
    """A line for what nobody foresaw."""
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename is not None else ""
        return f"{where}{error.strerror or error}; check the disk and run again"
    if isinstance(error, MemoryError):
        return "memory ran out; close other programs, or give fewer --workers"
    return (
        f"{unforeseen(error)}: please report it with what flashpan --version --verbose says"
        f" ({TRACEBACK}=1 shows the way there)"
    )


def _with_cure(error: click.ClickException) -> str:
    context = getattr(error, "ctx", None)
    where = context.command_path if context is not None else "flashpan"
    return f"{error.format_message().rstrip('.')}; see {where} --help"
