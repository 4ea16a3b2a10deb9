"""Text from outside, made harmless where it is shown: on a terminal, and in a spreadsheet.

A take's name may hold anything but a slash.  A terminal obeys control characters, a line of
writing is turned round by others, and a spreadsheet computes what begins like a formula.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What a cell begins with that spreadsheets compute (common practice, no source)."""


def shown(text: str) -> str:
    """Text for one line: what cannot be seen, line ends too, is written as its number."""
    if text.isprintable():
        return text
    return "".join(
        char if char.isprintable() else char.encode("unicode_escape").decode() for char in text
    )


def shown_lines(text: str) -> str:
    """The same of several lines."""
    return "\n".join(map(shown, text.split("\n")))


def csv_text(rows: Iterable[Iterable[object]]) -> str:
    """Rows as CSV; text that would be taken for a formula gets a ``'`` in front."""
    lines = _Lines()
    # a line end of both characters is what makes the writer quote either of them in a cell
    csv.writer(lines, lineterminator="\r\n").writerows(
        [_cell(value) for value in row] for row in rows
    )
    return "".join(lines.texts)


class _Lines:
    """What a CSV writer writes to: a line at a time, with this machine's line end."""

    def __init__(self) -> None:
        self.texts: list[str] = []

    def write(self, line: str) -> int:
        self.texts.append(f"{line[:-2]}\n")
        return len(line)


def _cell(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value
