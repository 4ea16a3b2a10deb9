"""What may stand where on the command line, for the shell that completes it."""

from __future__ import annotations

import click
from click.shell_completion import CompletionItem

VARIABLE = "_FLASHPAN_COMPLETE"
"""Set by the shell's script where it asks."""

SHELLS = ("bash", "zsh", "fish")

_FILES = {"TAKE": "file", "TAKE...": "file", "SOURCE": "file", "FILE": "file"}
_FOLDERS = {"DEST": "dir", "DIR": "dir"}
_PLACES = _FILES | _FOLDERS
_WORDS = {
    "detectors": ("brightness", "difference", "roi-motion", "speck"),
    "subject": ("animal", "bullet", "burst", "drop", "face", "laser", "lightning", "spark"),
    "media": ("clips", "takes"),
    "playback_rate": ("23.976", "24", "25", "29.97", "30", "50", "59.94", "60"),
    "mains": ("50Hz", "60Hz"),
}


class _Text(click.ParamType):
    """Text, of which we know what it may be."""

    name = "text"

    def __init__(self, kind: str = "plain", words: tuple[str, ...] = ()) -> None:
        self._kind, self._words = kind, words

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        if self._kind != "plain":
            return [CompletionItem(incomplete, type=self._kind)]
        return [CompletionItem(word) for word in self._words if word.startswith(incomplete)]


def with_completion(command: click.Command) -> click.Command:
    """Say of every text that a command takes what it may be."""
    for param in command.params:
        if param.type is not click.STRING:
            continue
        if param.metavar in _PLACES:
            param.type = _Text(_PLACES[str(param.metavar)])
        elif param.name in _WORDS:
            param.type = _Text(words=_WORDS[param.name])
    return command
