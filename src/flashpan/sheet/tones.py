"""Which part of a take's range a strip shows, and the words for it.

One tone holds for a whole strip, so that a frame which looks brighter than its neighbour is.
Where a strip uses most of the range it is shown as it was recorded; else the part that it uses
becomes black to white; and where most of the picture would still be near black, as at night, the
middle is lifted by a power law.  The caption says all of it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flashpan.cut.native import NativePicture
from flashpan.cut.tone import FULL, Tone, levels_of, stretched

_WIDE = 0.6
_DARK_LEVEL = 0.12
_LIFT = 2.2


def strip_tone(pictures: Sequence[NativePicture]) -> Tone:
    """The tone for pictures that are shown side by side."""
    if not pictures:
        return FULL
    used = stretched(pictures)
    tone = FULL if used.high - used.low >= _WIDE else used
    middle = float(np.median(np.concatenate([levels_of(picture) for picture in pictures])))
    shown = (middle - tone.low) / (tone.high - tone.low)
    return Tone(tone.low, tone.high, lift=_LIFT) if shown < _DARK_LEVEL else tone


def tone_text(tone: Tone) -> str:
    """What was done, in words and percent of the take's range from black to white."""
    if (tone.low, tone.high) == (FULL.low, FULL.high):
        said = "full tone range"
    else:
        said = f"tone stretched: {_percent(tone.low)} to {_percent(tone.high)} of the range"
    return said if tone.lift == 1 else f"{said}, middle lifted (power 1/{tone.lift:g})"


def _percent(part: float) -> str:
    return f"{100 * part:.3g} %"
