"""The plain script that flashpan is compared with: what many people write first.

Mean absolute difference of each frame from the one before (OpenCV), a robust z-score of
that series over the whole take (median and median absolute deviation), and SciPy's
`find_peaks` on it.  A peak's foot, a tenth of its height above its base, gives its ends;
peaks with at most the merge gap between them are one event.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.signal import find_peaks

Z_LEAST = 5.0


def mean_difference(previous: npt.NDArray[Any] | None, luma: npt.NDArray[Any]) -> float:
    """Return the mean absolute difference of two pictures, 0 where there is no first."""
    return 0.0 if previous is None else float(cv2.mean(cv2.absdiff(previous, luma))[0])


def plain_events(differences: Sequence[float], merge_gap_frames: int) -> list[tuple[int, int]]:
    """Return first and last frame of each event, from every frame's mean difference."""
    series = np.asarray(differences[1:], np.float64)  # the first frame has no difference
    centre = np.median(series)
    spread = 1.4826 * np.median(np.abs(series - centre))
    z = (series - centre) / max(spread, 1e-9)
    _, peaks = find_peaks(z, height=Z_LEAST, width=0, rel_height=0.9)
    found: list[tuple[int, int]] = []
    for left, right in sorted(zip(peaks["left_ips"], peaks["right_ips"], strict=True)):
        first, last = int(np.ceil(left)) + 1, int(np.floor(right)) + 1
        if found and first - found[-1][1] - 1 <= merge_gap_frames:
            found[-1] = (found[-1][0], max(found[-1][1], last))
        else:
            found.append((first, max(first, last)))
    return found
