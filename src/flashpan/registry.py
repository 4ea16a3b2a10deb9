"""Names to plug-ins, loaded late: readers and detectors enter by the same door.

A plug-in is an entry point in the group ``flashpan.readers`` or
``flashpan.detectors``.  It is imported when first asked for, so that a broken or heavy
one costs nothing until then.
"""

from __future__ import annotations

from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from flashpan.errors import PlugInError, UsageError

READERS = "flashpan.readers"
DETECTORS = "flashpan.detectors"


@cache
def _points(group: str) -> dict[str, EntryPoint]:
    return {point.name: point for point in entry_points(group=group)}


def names(group: str) -> tuple[str, ...]:
    """Registered names of a group, sorted."""
    return tuple(sorted(_points(group)))


@cache
def load(group: str, name: str) -> Any:
    """Return the class registered under a name.

    Raises
    ------
    UsageError
        No plug-in has that name; the message lists those that exist.
    PlugInError
        The plug-in cannot be imported; the message gives the reason.
    """
    point = _points(group).get(name)
    if point is None:
        kind = group.rpartition(".")[2].rstrip("s")
        raise UsageError(f"no {kind} called {name!r}; there are: {', '.join(names(group))}")
    try:
        return point.load()
    except Exception as error:
        raise PlugInError(f"{name} ({point.value}) does not load: {error}") from error
