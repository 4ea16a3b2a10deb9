"""Scores through the picker by the block: the same events, in a fraction of the time.

Between two fits the thresholds stand still, and frames that exceed none of them are only
learned.  Those are found and learned by the block; the others, and all frames while an event
is open, go through the picker one by one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt

from flashpan.model import Score
from flashpan.picker import Pick, Picker

Floats = npt.NDArray[np.float64]


class BlockPicker:
    """A picker that is fed blocks of scores.

    Attributes
    ----------
    quiet : list of tuple of int and dict
        Frames that could have opened an event, with the thresholds in force; emptied by
        whoever reads it.
    """

    def __init__(self, picker: Picker) -> None:
        self.picker = picker
        self._is_open = False
        self.quiet: list[tuple[int, dict[str, float]]] = []

    def push(self, first: int, values: Mapping[str, Floats]) -> Iterator[Pick]:
        """Pick from frames ``first`` onwards; every detector gives as many scores."""
        count, at = len(next(iter(values.values()))), 0
        while at < count:
            at += 0 if self._is_open else self._learn(values, at)
            if at < count:
                yield from self._step(first + at, {n: float(v[at]) for n, v in values.items()})
                at += 1

    def _learn(self, values: Mapping[str, Floats], at: int) -> int:
        """Learn frames up to the next that opens an event; return how many."""
        learned, count = 0, len(next(iter(values.values())))
        while at + learned < count:
            channels = self.picker.channels
            n = min(channel.until_due for channel in channels.values())
            part = {name: v[at + learned : at + learned + n] for name, v in values.items()}
            opening = {name: channels[name].thresholds(False)[0] for name in part}
            hot = [np.flatnonzero(v > opening[name]) for name, v in part.items()]
            length = len(next(iter(part.values())))
            quiet = min([length, *(int(h[0]) for h in hot if len(h))])
            self.quiet.append((quiet, opening))
            if quiet:
                for name, v in part.items():
                    channels[name].learn_quiet(v[:quiet].tolist())
            learned += quiet
            if quiet < length:
                break
        return learned

    def _step(self, index: int, values: Mapping[str, float]) -> Iterator[Pick]:
        if not self._is_open:
            opening = {n: self.picker.channels[n].thresholds(False)[0] for n in values}
            self.quiet.append((1, opening))
        scores = {
            name: Score(index=index, value=value, since=index, until=index)
            for name, value in values.items()
        }
        yield from self.picker.push(index, scores)
        self._is_open = self.picker.is_open
