"""Picture gaps: stretches in which the take holds no new picture.

A camera whose memory stalls, or a copy gone wrong, repeats a frame bit for bit or writes
black ones.  Sensor noise never repeats: where every tile of the picture changes from frame
to frame, a frame that equals the one before is no picture of its own.  Where parts of the
picture stand still anyhow (coded footage, drawn pictures) equal frames say nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

import numpy as np

from flashpan.model import Tiles
from flashpan.ranges import Span

LEAST_FRAMES = 5
"""Repeated frames that make a gap; fewer, here and there, are a habit of rate conversion."""
_BLACK_LEVELS = 2.0
# Frames that must have shown noise in every tile, and the share of repeats among them that is
# a habit of the take.
_NOISY = 32
_HABIT = 0.1
_REMEMBERED = 64


class PictureGaps:
    """Watches the tiles for frames that repeat, or are black.

    Parameters
    ----------
    step : float
        One grey level, fraction of full scale.
    """

    def __init__(self, step: float) -> None:
        self._dark = _BLACK_LEVELS * step
        self._noisy = 0
        self._lately: deque[bool] = deque(maxlen=_REMEMBERED)
        self._since: int | None = None
        self._last = -1
        self._black: list[Span] = []

    def push(self, tiles: Tiles) -> Iterator[Span]:
        """Look at the next frame; yield a stretch of repeats that has ended."""
        self._last = tiles.index
        is_black = tiles.mean.max() <= self._dark
        if is_black:
            self._note_black(tiles.index)
        # White all over is a flash that overexposes the picture.
        is_white = tiles.mean.min() >= 1.0 - self._dark
        has_content = tiles.has_previous and not is_black and not is_white
        repeats = bool(has_content and not tiles.sq_diff.any())
        if repeats and self._since is None:
            self._since = tiles.index
        elif not repeats:
            yield from self._ended(tiles.index)
            self._noisy += bool(tiles.has_previous and np.all(tiles.sq_diff > 0.0))
        self._lately.append(repeats)

    def finish(self) -> Iterator[Span]:
        """Yield the stretch that lasts to the take's end."""
        yield from self._ended(self._last + 1)

    def is_black(self, frame: int) -> bool:
        """Whether a frame is black, and others are not."""
        n_black = sum(span.stop - span.start for span in self._black)
        return n_black <= self._last // 2 and any(b.start <= frame < b.stop for b in self._black)

    def _note_black(self, index: int) -> None:
        if self._black and self._black[-1].stop == index:
            self._black[-1] = Span(self._black[-1].start, index + 1)
        else:
            self._black.append(Span(index, index + 1))

    def _ended(self, stop: int) -> Iterator[Span]:
        since, self._since = self._since, None
        if since is None or stop - since < LEAST_FRAMES or self._noisy < _NOISY:
            return
        before = list(self._lately)[: -(stop - since)] if self._lately else []
        if sum(before) <= _HABIT * len(before):
            yield Span(since, stop)
