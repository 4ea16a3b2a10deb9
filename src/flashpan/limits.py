"""How much one take may use, so that a damaged header can stop neither a night nor a machine.

Every limit is far above what takes need.  An environment variable of its name sets another, which
worker processes inherit; messages that refuse something name it.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

from flashpan.errors import SettingsError


def _machine_bytes() -> int:
    return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit.

    Attributes
    ----------
    name : str
        Environment variable that sets it.
    default : int
        What holds otherwise.
    what : str
        What it counts, for messages.
    """

    name: str
    default: int
    what: str

    @property
    def value(self) -> int:
        """What holds now.

        Raises
        ------
        SettingsError
            The environment variable is no whole number above zero.
        """
        text = os.environ.get(self.name, "")
        if not text:
            return self.default
        if not (text.isascii() and text.isdigit() and 0 < len(text) <= 18 and int(text)):
            raise SettingsError(
                f"{self.name} is {text!r}; set it to a whole number of {self.what}, or unset it"
            )
        return int(text)

    @property
    def cure(self) -> str:
        """How to set it, for messages."""
        return f"{self.name} sets how many {self.what} are allowed (now {self.value:,})"


MAX_PIXELS = Limit("FLASHPAN_MAX_PIXELS", 1 << 27, "pixels of one picture")
"""Believed of a picture's size, before anything is set aside for it."""

FRAME_SECONDS = Limit("FLASHPAN_FRAME_SECONDS", 300, "seconds for one frame")
"""That a take may go on without another frame, and a file without being opened."""

TAKE_SECONDS = Limit("FLASHPAN_TAKE_SECONDS", 4 * 24 * 3600, "seconds for one take")
"""That one take of a night may keep a worker."""

WORKER_BYTES = Limit("FLASHPAN_WORKER_BYTES", _machine_bytes(), "bytes of one worker's memory")
"""That one worker process may set aside; by default what the machine has."""


def believable(rows: int, cols: int) -> bool:
    """Whether a picture of this size may be set aside memory for."""
    return rows > 0 and cols > 0 and rows * cols <= MAX_PIXELS.value


def why_not_believable(rows: int, cols: int) -> str:
    """In words, with the cure, of a size that is not `believable`."""
    if rows > 0 and cols > 0:
        return f"{cols}x{rows} pixels are more than are believed; {MAX_PIXELS.cure}"
    return f"{cols}x{rows} pixels are no picture"
