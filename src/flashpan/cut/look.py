"""How every picture of a clip is shown: tone, size and what stands below."""

from __future__ import annotations

import cv2
import numpy as np

from flashpan.cut.burnin import (
    LEAST_STRIP_COLS,
    Strip,
    centred,
    enlarged,
    enlargement,
    in_colour,
    made_even,
)
from flashpan.cut.native import NativePicture
from flashpan.cut.tone import Pixels8, Tone, toned
from flashpan.model import TakeInfo


class Look:
    """One way of showing for all pictures of a clip.

    Parameters
    ----------
    take : TakeInfo
        For the clocks.
    span : tuple of int
        First and last frame.
    tone : Tone
        What becomes of the code values.
    like : NativePicture
        Any picture of the clip.
    burn_in : bool
        Put the clocks below.
    most_cols : int, optional
        Reduce larger pictures to this width (and half as much again in height), and enlarge
        smaller ones towards it; without it only small ones are enlarged, for the clocks.

    Attributes
    ----------
    factor : int
        By which pictures are enlarged.
    """

    def __init__(
        self,
        take: TakeInfo,
        span: tuple[int, int],
        tone: Tone,
        like: NativePicture,
        burn_in: bool,
        most_cols: int | None = None,
    ) -> None:
        rows, cols = like.pixels.shape[:2]
        self._tone, self._most_cols = tone, most_cols
        self._strip: Strip | None = None
        self.factor = 1
        if most_cols is not None:
            self.factor = max(1, min(most_cols // cols, most_cols // rows))
        elif burn_in:
            self.factor = enlargement((rows, cols))
        if burn_in:
            notes = [tone.text(like), f"enlarged {self.factor} times" if self.factor > 1 else ""]
            shown_cols = self._picture(like).shape[1]
            self._strip = Strip(
                take=take,
                cols=max(shown_cols, LEAST_STRIP_COLS),
                frames=span,
                note=", ".join(filter(None, notes)),
            )

    def of(self, picture: NativePicture) -> Pixels8:
        """One picture as it is shown, shape (rows, cols, 3), both sides even."""
        shown = self._picture(picture)
        if self._strip is None:
            return shown
        return np.vstack([centred(shown, self._strip.cols), self._strip.drawn(picture.index)])

    def _picture(self, picture: NativePicture) -> Pixels8:
        shown = enlarged(toned(picture, self._tone), self.factor)
        if self._most_cols is not None:
            shown = _reduced(shown, self._most_cols)
        return made_even(in_colour(shown))


def _reduced(picture: Pixels8, most_cols: int) -> Pixels8:
    """Not wider than that, nor higher than half as much again."""
    rows, cols = picture.shape[:2]
    scale = min(most_cols / cols, 1.5 * most_cols / rows)
    if scale >= 1:
        return picture
    size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
