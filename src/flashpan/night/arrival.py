"""Which takes have arrived whole, by looking again and again.

Nobody says when a copy is finished.  A take counts as arrived when its size, the number of its
files and its time have stayed as they are for a while, looked at by our own clock: times of files
are set by whoever copies.  Stills whose numbers have gaps may be copied out of order, and wait
longer; one whose gaps stay has lost those frames and is taken as it is.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from flashpan.errors import UnreadableTake
from flashpan.night.found import STILLS, Found
from flashpan.readers.sequence import find_sequence

PATIENCE = 10
"""How many times longer stills with gaps in their numbers have to be at rest."""

Stamp = tuple[int, int, int, str | None]


@dataclass(slots=True)
class _Seen:
    """A take as it was seen last.

    Attributes
    ----------
    stamp : tuple
    since_s : float
        When it was first seen so.
    rest_s : float
        How long it has to stay so.
    has_arrived : bool
        Whether it has been handed over.
    """

    stamp: Stamp
    since_s: float
    rest_s: float
    has_arrived: bool = False


class Arrivals:
    """What was seen of a source, look after look.

    Parameters
    ----------
    settle_s : float
        How long a take has to stay as it is.
    clock : callable, optional
        Seconds that only go on.
    is_known : callable, optional
        Whether a take that was not seen before had arrived earlier, just as it is now.
    is_whole : callable, optional
        Whether a take that is at rest lacks nothing that may still come.
    """

    def __init__(
        self,
        settle_s: float,
        *,
        clock: Callable[[], float] = time.monotonic,
        is_known: Callable[[Found], bool] = lambda found: False,
        is_whole: Callable[[Found], bool] | None = None,
    ) -> None:
        self._settle_s, self._clock, self._is_known = settle_s, clock, is_known
        self._is_whole = is_whole or has_no_gaps
        self._seen: dict[str, _Seen] = {}

    def look(self, found: Iterable[Found]) -> list[Found]:
        """Note what is there now, and return what has arrived since the last look.

        What is not there any more is forgotten, and has to come to rest anew.

        Parameters
        ----------
        found : iterable of Found
            Everything that is there, what cannot be read included.
        """
        before, self._seen = self._seen, {}
        arrived = []
        for one in found:
            seen = self._seen[one.path] = self._update(before.get(one.path), one)
            if not seen.has_arrived and self._is_at_rest(seen, one):
                seen.has_arrived = True
                arrived.append(one)
        return arrived

    def has_arrived(self, found: Found) -> bool:
        """Whether a take has been handed over as it is now."""
        seen = self._seen.get(found.path)
        return seen is not None and seen.has_arrived and seen.stamp == _stamp(found)

    def take_back(self, found: Found) -> None:
        """Have a take that was handed over come to rest and arrive once more."""
        self._seen[found.path] = _Seen(_stamp(found), self._clock(), self._settle_s)

    def forget(self) -> None:
        """Forget everything: the disk was away."""
        self._seen.clear()

    @property
    def n_arriving(self) -> int:
        """Takes that are there and have not arrived."""
        return sum(not seen.has_arrived for seen in self._seen.values())

    @property
    def next_s(self) -> float | None:
        """Seconds until the first of them may have; None where there are none."""
        now = self._clock()
        ends = [seen.since_s + seen.rest_s for seen in self._seen.values() if not seen.has_arrived]
        return max(0.0, min(ends) - now) if ends else None

    def _update(self, seen: _Seen | None, found: Found) -> _Seen:
        if seen is not None and seen.stamp == _stamp(found):
            return seen
        is_known = seen is None and self._is_known(found)
        return _Seen(_stamp(found), self._clock(), 0.0 if is_known else self._settle_s)

    def _is_at_rest(self, seen: _Seen, found: Found) -> bool:
        rest_s = self._clock() - seen.since_s
        if rest_s < seen.rest_s:
            return False
        is_patient = seen.rest_s > self._settle_s
        if seen.rest_s == 0.0 or is_patient or self._is_whole(found):
            return True
        seen.rest_s = PATIENCE * self._settle_s
        return rest_s >= seen.rest_s


def has_no_gaps(found: Found) -> bool:
    """Whether the numbers of stills follow each other; True for all other takes."""
    if found.kind != STILLS or found.problem is not None:
        return True
    try:
        numbers = find_sequence(found.path).numbers
    except (UnreadableTake, OSError):
        return False  # it is changing at this moment
    return numbers is None or bool((np.diff(numbers) == 1).all())


def _stamp(found: Found) -> Stamp:
    return found.bytes, found.n_files, found.mtime_ns, found.problem
