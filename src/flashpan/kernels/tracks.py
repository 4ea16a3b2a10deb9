"""What one sample does to the state of every place that is followed.

`flashpan.detectors.track` has the meaning of it all.  Every product, difference and quotient is
rounded to float32 by itself, as NumPy would do it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel, part

Counts = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float32]
Indices = npt.NDArray[np.intp]

DEPARTS, AWAY, STAYS, FAR, SETTLES = (1 << bit for bit in range(5))
"""What `count` returns."""
# Below this a share is none: in sums with 1 it is lost, and a processor is slow with numbers that
# are smaller still.
_NONE = np.float32(1e-20)


@kernel
def strongest(size: Floats, spread: Floats, own: Floats, found: Floats) -> float:
    """Take down the largest departures of a frame.

    Parameters
    ----------
    size : ndarray, shape (places,), float32
        Departures in units of ``spread``, none below 0.
    spread, own : ndarray, shape (places,), float32
        Noise that they were divided by, and the places' own.
    found : ndarray, shape (2, n), float32
        Gets the n largest departures, times their noise, and the own noise there, in any order.
        No more than there are places.

    Returns
    -------
    float
        The largest; NaN where several are as large as the n-th, so that it is not clear which
        of them are to be taken.
    """
    return _strongest(size, spread, own, found)


@part
def _strongest(size: Floats, spread: Floats, own: Floats, found: Floats) -> float:
    n = found.shape[1]
    sizes = np.full(n, np.float32(-1.0))
    places = np.zeros(n, np.intp)
    left_out = np.float32(-1.0)
    for place in range(len(size)):
        if size[place] <= sizes[n - 1]:
            left_out = max(left_out, size[place])
            continue
        left_out = max(left_out, sizes[n - 1])
        at = n - 1
        while at and sizes[at - 1] < size[place]:
            sizes[at], places[at] = sizes[at - 1], places[at - 1]
            at -= 1
        sizes[at], places[at] = size[place], place
    for i in range(n):
        found[0, i] = sizes[i] * spread[places[i]]
        found[1, i] = own[places[i]]
    return np.nan if left_out == sizes[n - 1] else float(sizes[0])


@kernel
def weigh(
    error: Floats,
    bias: Floats,
    deviation: Floats,
    spread: Floats,
    own: Floats,
    away_for: Counts,
    hold_after: int,
    two_sided: bool,
    unit: np.float32,
    stops: Indices,
    kept: Floats,
    fresh: Floats,
    largest: npt.NDArray[np.float64],
    found: Floats,
) -> None:
    """What is remembered of a sample: departures, and the strongest for every size of place.

    Parameters
    ----------
    error, bias, deviation : ndarray, shape (places,), float32
        Forecast error, what is usual of it, and the departure that counts.
    spread, own : ndarray, shape (places,), float32
        Noise, and the places' own.
    away_for : ndarray, shape (places,), int32
        Samples for which each has been away.
    hold_after : int
        Samples after which a place that is away says nothing of the others.
    two_sided : bool
        Whether departures either way count, or rises alone.
    unit : float32
        Factor by which departures are kept.
    stops : ndarray of int, shape (sizes,)
        Where the places of each size end.
    kept, fresh : ndarray, shape (places,), float32
        Get departures times the unit, and those in noise units; 0 where a place is held.
    largest : ndarray, shape (sizes,), float64
        Gets the largest of each size, see `strongest`.
    found : ndarray, shape (sizes, 2, n), float32
        Gets what `strongest` tells of each size; of fewer than n places, of as many.
    """
    for i in range(len(error)):
        kept[i] = (error[i] - bias[i]) * unit
    for i in range(len(error)):
        fresh[i] = _size(deviation[i], two_sided) / spread[i]
    for i in range(len(error)):
        if away_for[i] > hold_after:
            fresh[i] = np.float32(0.0)
    first = 0
    for size in range(len(stops)):
        stop = stops[size]
        n = min(found.shape[2], stop - first)
        largest[size] = _strongest(
            fresh[first:stop], spread[first:stop], own[first:stop], found[size, :, :n]
        )
        first = stop


@kernel
def count(
    error: Floats,
    bias: Floats,
    deviation: Floats,
    spread: Floats,
    gate: np.float32,
    two_sided: bool,
    aside: Flags,
    away_for: Counts,
    stirred_for: Counts,
    habit: Floats,
    limits: Counts,
    gain: np.float32,
    often: np.float32,
    hold: Flags,
    stays: Flags,
) -> int:
    """Count for how long places have been away, and which are so by habit.

    Parameters
    ----------
    error, bias, deviation, spread : ndarray, shape (places,), float32
        As for `weigh`.
    gate : float32
        Noise units beyond which a place is away.
    two_sided : bool
        As for `weigh`.
    aside : ndarray of bool, shape (places,) or (0,)
        Places, if any, whose sample says nothing.
    away_for, stirred_for : ndarray, shape (places,), int32
        Samples for which each has been away, and for which its errors may tell of an event.
    habit : ndarray, shape (places,), float32
        Share of the last samples in which a place was briefly away.
    limits : ndarray, shape (3,), int32
        Samples up to which that is brief, for which errors are remembered, and after which a
        place settles.
    gain, often : float32
        Share that one sample has in ``habit``, and above which that is a habit.
    hold, stays : ndarray of bool, shape (places,)
        Get the places whose errors do not count, and those whose forecast stays.

    Returns
    -------
    int
        Whether any place departs now, has been away, stays, is far from its fresh forecast either
        way, and is to settle: the bits `DEPARTS` to `SETTLES`.
    """
    n = len(error)
    brief, window, settle_after = limits
    departs = stay = far = False
    for i in range(n):
        hold[i] = _size(deviation[i], two_sided) > gate * spread[i]
        departs |= hold[i]
    for i in range(n):
        far |= abs(error[i] - bias[i]) > gate * spread[i]
    for i in range(n):
        stays[i] = hold[i]
    if len(aside):
        for i in range(n):
            stays[i] |= aside[i]
            stay |= aside[i]
    longest = np.int32(0)
    for i in range(n):
        for_now = away_for[i] + (np.int32(1) if hold[i] else np.int32(-2))
        away_for[i] = max(for_now, np.int32(0))
        longest = max(longest, away_for[i])
    for i in range(n):
        left = max(stirred_for[i] - np.int32(1), np.int32(0))
        stirred_for[i] = window if away_for[i] > brief else left
    for i in range(n):
        briefly = np.float32(1.0) if hold[i] and away_for[i] <= brief else np.float32(0.0)
        share = habit[i] + (briefly - habit[i]) * gain
        habit[i] = share if share > _NONE else np.float32(0.0)
        hold[i] &= not habit[i] > often
    found = DEPARTS * departs + AWAY * (longest > 0) + STAYS * (departs or stay)
    return int(found + FAR * far + SETTLES * (longest >= settle_after))


@part
def _size(departure: Any, two_sided: bool) -> Any:
    return abs(departure) if two_sided else max(departure, np.float32(0.0))
