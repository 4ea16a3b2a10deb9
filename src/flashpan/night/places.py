"""Files of a night that may be read: those that really lie in it."""

from __future__ import annotations

import os
from pathlib import Path

from flashpan.errors import TakeError


def inside_night(dest: Path, path: Path) -> Path:
    """A path below the night, links followed.

    Raises
    ------
    TakeError
        It lies elsewhere, as behind a link that leads out of the night, or where a catalog that
        somebody changed names it.
    """
    real, top = os.path.realpath(path), os.path.realpath(dest)
    if os.path.commonpath([real, top]) != top or real == top:
        raise TakeError(f"{path}: lies outside the night; remove the link")
    return Path(real)
