"""The manual page, made of what the commands say of themselves, in the man macros of roff."""

from __future__ import annotations

from collections.abc import Iterator

import click

import flashpan


def manual_page(group: click.Group, ctx: click.Context) -> str:
    """The page flashpan(1): every command with its help text and its options."""
    version = flashpan.__version__
    lines = [
        f'.TH FLASHPAN 1 "" "flashpan {_text(version)}" "User Commands"',
        ".SH NAME",
        r"flashpan \- finds the few frames that matter in long high\-speed\-camera takes",
        ".SH SYNOPSIS",
        r".B flashpan",
        r"[\fIOPTIONS\fR] \fICOMMAND\fR [\fIARGS\fR]...",
        ".SH DESCRIPTION",
        *_paragraphs(group.help or ""),
        ".SH OPTIONS",
        *_options(group, ctx),
        ".SH COMMANDS",
    ]
    for name in group.list_commands(ctx):
        command = group.get_command(ctx, name)
        if command is not None and not command.hidden:
            lines += _command(command, ctx, name)
    return "\n".join(lines)


def _command(command: click.Command, parent: click.Context, name: str) -> Iterator[str]:
    ctx = click.Context(command, info_name=name, parent=parent)
    usage = " ".join(command.collect_usage_pieces(ctx))
    yield f".SS {_text(f'flashpan {name}')}"
    yield f"\\fBflashpan {_text(name)}\\fR {_text(usage)}"
    yield ".PP"
    yield from _paragraphs(command.help or "")
    yield from _options(command, ctx)


def _options(command: click.Command, ctx: click.Context) -> Iterator[str]:
    for param in command.get_params(ctx):
        record = param.get_help_record(ctx)
        if record is not None:
            yield ".TP"
            yield f"\\fB{_text(record[0])}\\fR"
            yield _line(record[1])


def _paragraphs(text: str) -> Iterator[str]:
    """Paragraphs flow, but for those that click leaves as they are (after a backspace)."""
    for number, paragraph in enumerate(text.strip().split("\n\n")):
        lines = paragraph.split("\n")
        if number:
            yield ".PP"
        if lines[0].strip() == "\b":
            yield ".nf"
            yield from (_line(line) for line in lines[1:])
            yield ".fi"
        else:
            yield _line(" ".join(line.strip() for line in lines))


def _line(text: str) -> str:
    """Text that begins a line: a dot or quote there would be a request."""
    said = _text(text)
    return f"\\&{said}" if said.startswith((".", "'")) else said


def _text(text: str) -> str:
    return text.replace("\\", r"\e").replace("-", r"\-").replace("~", r"\(ti").replace("^", r"\(ha")
