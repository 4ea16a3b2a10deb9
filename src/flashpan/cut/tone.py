"""From a take's code values to the 8 bits of a screen.

`FULL` shows all of it: black is black, white is white, linear in between, and a scene that
fills a hundredth of the range looks dark, as it was recorded.  A stretch shows a part of the
range, the same part in every frame of a clip, so that nothing flickers; what was done is
always said beside the picture.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from flashpan.cut.native import NativePicture

Pixels8 = npt.NDArray[np.uint8]

_TAIL_PERCENT = 0.1
_MOST_SAMPLES = 65536
_LEAST_SPAN = 1 / 255


@dataclass(frozen=True, slots=True)
class Tone:
    """The part of the range from black to white that is shown.

    Attributes
    ----------
    low, high : float
        Fractions of the range that become 0 and 255.
    lift : float
        What is shown is the part between them to the power of ``1 / lift``: 1 is linear, more
        makes the middle brighter.
    """

    low: float = 0.0
    high: float = 1.0
    lift: float = 1.0

    def text(self, picture: NativePicture) -> str:
        """What was done, in code values of a picture of the take."""
        if self == FULL:
            return "full tone range"
        span = picture.white - picture.black
        low, high = (round(picture.black + part * span) for part in (self.low, self.high))
        lifted = "" if self.lift == 1 else f", middle lifted (power 1/{self.lift:g})"
        return f"tone stretched: {low} to {high} of {picture.black} to {picture.white}{lifted}"


FULL = Tone()


def toned(picture: NativePicture, tone: Tone = FULL) -> Pixels8:
    """A picture's code values as 8 bits, rounded to the nearest, clipped at both ends.

    Returns
    -------
    ndarray of uint8
        Of the picture's shape.
    """
    table = _table(picture.bit_depth, picture.black, picture.white, tone)
    return table[picture.pixels]


def stretched(pictures: Iterable[NativePicture], tail_percent: float = _TAIL_PERCENT) -> Tone:
    """The tone that shows what a clip uses of its range.

    From the level that ``tail_percent`` of all samples are below, to the one that as many
    are above, over all pictures and channels; at least a 255th of the range, so that noise
    is not blown up.

    Parameters
    ----------
    pictures : iterable of NativePicture
        The clip, or some of its frames, the brightest among them.
    tail_percent : float
        0 shows everything that there is.
    """
    levels = [levels_of(picture) for picture in pictures]
    if not levels:
        return FULL
    ends = np.percentile(np.concatenate(levels), (tail_percent, 100 - tail_percent))
    low, high = (min(max(float(end), 0.0), 1.0) for end in ends)
    if high - low < _LEAST_SPAN:
        low = min(max(0.0, (low + high - _LEAST_SPAN) / 2), 1 - _LEAST_SPAN)
        high = low + _LEAST_SPAN
    return Tone(low, high)


def levels_of(picture: NativePicture) -> npt.NDArray[np.float32]:
    """Samples of a picture as fractions of the range; not more than are needed."""
    samples = picture.pixels.reshape(-1)
    step = max(1, samples.size // _MOST_SAMPLES)
    span = picture.white - picture.black
    levels: npt.NDArray[Any] = (samples[::step].astype(np.float32) - picture.black) / span
    return levels


@lru_cache(maxsize=8)
def _table(bit_depth: int, black: int, white: int, tone: Tone) -> Pixels8:
    """Output for every code value of the word, so that no sample can fall outside."""
    words = np.arange(1 << (8 if bit_depth <= 8 else 16), dtype=np.float64)
    part = ((words - black) / (white - black) - tone.low) / (tone.high - tone.low)
    return np.rint(np.clip(part, 0, 1) ** (1 / tone.lift) * 255).astype(np.uint8)
