"""Picture gaps: stretches in which the take holds no new picture.

A camera whose memory stalls, or a copy gone wrong, repeats a frame bit for bit or writes
black ones.  Sensor noise never repeats: where every tile of the picture changes from frame
to frame, a frame that equals the one before is no picture of its own.  Where parts of the
picture stand still anyhow (coded footage, drawn pictures) equal frames say nothing.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from flashpan.model import Tiles
from flashpan.ranges import Span

LEAST_FRAMES = 5
"""Repeated frames that make a gap; fewer, here and there, are a habit of rate conversion."""
_BLACK_LEVELS = 2.0
# Frames that must have shown noise in nearly all tiles (a letterbox's bars have none), and the
# share of repeats among them that is a habit of the take.
_NOISY = 32
_NOISY_TILES = 0.8
_HABIT = 0.1
_REMEMBERED = 64
# Stretches of black frames remembered: far more than an event that is still open may hold.
_STRETCHES = 10_000


class PictureGaps:
    """Watches the tiles for frames that repeat, or are black.

    Parameters
    ----------
    step : float
        One grey level, fraction of full scale.
    counted : ndarray of bool
        The tiles that hold pixels that count.

    Attributes
    ----------
    is_no_news : bool
        Whether the last frame repeats the one before in a take whose frames differ.
    """

    def __init__(self, step: float, counted: npt.NDArray[np.bool_]) -> None:
        self._counted, self._all_count = counted, bool(counted.all())
        self._dark = _BLACK_LEVELS * step
        self._noisy = 0
        self._lately: deque[bool] = deque(maxlen=_REMEMBERED)
        self._since: int | None = None
        # Whether the take repeated frames often before the present stretch of repeats.
        self._is_habit = False
        self._last = -1
        self._black: list[Span] = []
        self._n_black = 0
        self.is_no_news = False

    def push(self, tiles: Tiles) -> Iterator[Span]:
        """Look at the next frame; yield a stretch of repeats that has ended."""
        self._last = tiles.index
        mean, n_tiles, n_changed = tiles.mean, tiles.mean.size, tiles.n_changed
        if not self._all_count:
            mean = mean[self._counted]
            n_tiles, n_changed = mean.size, int(np.count_nonzero(tiles.sq_diff[self._counted]))
        is_black = mean.max() <= self._dark
        if is_black:
            self._note_black(tiles.index)
        # White all over is a flash that overexposes the picture.
        is_white = mean.min() >= 1.0 - self._dark
        has_content = tiles.has_previous and not is_black and not is_white
        repeats = bool(has_content and not n_changed)
        if repeats and self._since is None:
            self._since = tiles.index
            self._is_habit = sum(self._lately) > _HABIT * max(1, len(self._lately))
        elif not repeats:
            yield from self._ended(tiles.index)
            changes = n_changed >= _NOISY_TILES * n_tiles
            self._noisy += tiles.has_previous and changes
        self.is_no_news = repeats and self._noisy >= _NOISY and not self._is_habit
        self._lately.append(repeats)

    @property
    def since(self) -> int | None:
        """Where the stretch of repeats began that goes on, if it may become a gap."""
        return self._since if self.is_no_news else None

    def finish(self) -> Iterator[Span]:
        """Yield the stretch that lasts to the take's end."""
        yield from self._ended(self._last + 1)

    def is_black(self, frame: int) -> bool:
        """Whether a frame is black, and others are not."""
        lately = bisect_right(self._black, frame, key=lambda span: span.start)
        within = lately > 0 and frame < self._black[lately - 1].stop
        return within and self._n_black <= self._last // 2

    def _note_black(self, index: int) -> None:
        self._n_black += 1
        if self._black and self._black[-1].stop == index:
            self._black[-1] = Span(self._black[-1].start, index + 1)
        else:
            self._black.append(Span(index, index + 1))
            del self._black[:-_STRETCHES]

    def _ended(self, stop: int) -> Iterator[Span]:
        since = self._since
        is_long = since is not None and stop - since >= LEAST_FRAMES
        if since is not None and is_long and self._noisy >= _NOISY and not self._is_habit:
            yield Span(since, stop)
        self._since = None
