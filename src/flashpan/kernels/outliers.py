"""Samples that are far from the middle, brought nearer."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]


@kernel
def clipped(samples: Floats, middle: Floats, reach: Doubles) -> Floats:
    """Departures of every place's samples from its middle, cut at its reach either way.

    Parameters
    ----------
    samples : ndarray, shape (places, n), float32
    middle : ndarray, shape (places,), float32
    reach : ndarray, shape (places,), float64

    Returns
    -------
    ndarray, shape (places, n), float32
    """
    rest = np.empty_like(samples)
    for place in range(samples.shape[0]):
        most = reach[place]
        for i in range(samples.shape[1]):
            step = np.float64(samples[place, i] - middle[place])
            rest[place, i] = min(max(step, -most), most)
    return rest
