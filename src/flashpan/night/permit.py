"""A file that says that a run goes on; work that does not find it stops.

Work on a cluster cannot be ended from outside, and work whose coordinator was killed does not
hear of it.  So each run puts a file of its own into the destination, which all workers see, and
removes those of runs before it.
"""

from __future__ import annotations

import os
import secrets
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from flashpan.errors import TakeError
from flashpan.night.stopping import go_on

PREFIX = ".flashpan-run-"
PIECES_PREFIX = ".flashpan-pieces-"
"""Of folders for what is measured of long takes."""
_LOOK_EVERY_S = 1.0


class RunOver(TakeError):
    """The run that this work belongs to is over."""


class DestinationGone(TakeError):
    """What lies under the name of the night's folder, if anything, is not that folder."""


@contextmanager
def permit(dest: Path) -> Iterator[str]:
    """Let work go on while the block lasts; gives the name that jobs carry.

    To be called by the only run on a destination.  What runs before it left there goes.
    """
    for old in dest.glob(f"{PREFIX}*"):
        with suppress(OSError):
            old.unlink()
    for folder in dest.glob(f"{PIECES_PREFIX}*"):
        shutil.rmtree(folder, ignore_errors=True)
    path = dest / f"{PREFIX}{secrets.token_hex(6)}"
    try:
        path.touch(exist_ok=False)
    except OSError as error:
        raise TakeError(
            f"{dest}: cannot be written to ({error.strerror}); choose another folder"
        ) from error
    try:
        yield path.name
    finally:
        revoke(dest, path.name)


def revoke(dest: Path, name: str) -> None:
    """Have all work of a run stop soon; may be done twice."""
    with suppress(OSError):
        Path(dest, name).unlink()


def is_here(dest: Path, name: str) -> bool:
    """Whether the folder of that name is still the one that the permit was put into."""
    return os.path.exists(os.path.join(dest, name))


class Permit:
    """What a worker asks now and then whether it may go on.

    Parameters
    ----------
    dest : str
        Folder of the night.
    name : str
        From `permit`; empty for work that belongs to no run.

    Raises
    ------
    TakeError
        The worker does not see it: it has another folder under that name, or none.
    """

    def __init__(self, dest: str, name: str) -> None:
        self._path = os.path.join(dest, name) if name else ""
        self._looked = time.monotonic()
        if not self._is_there():
            raise RunOver(
                f"{dest}: the worker does not see the night's folder there, or the run is over;"
                " mount it at the same place on every machine"
            )

    def check(self, _: object = None) -> None:
        """Raise `RunOver` where the run is over; looks once in a while only."""
        go_on()
        now = time.monotonic()
        if now - self._looked >= _LOOK_EVERY_S:
            self._looked = now
            if not self._is_there():
                raise RunOver("the run is over; run again")

    def _is_there(self) -> bool:
        return not self._path or os.path.exists(self._path)
