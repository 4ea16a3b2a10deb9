"""Which frames of a take to sample, so that nothing of a length can lie between two of them.

Plain arithmetic on frame numbers.  What a file says of its frames without decoding them, the size
of every packet or of every still, directs samples beside those at the stride and never replaces
one: a smooth flash need not change a size at all.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.int64]

# Frames over which sizes are compared, and how far beyond their spread one stands out.
_AROUND = 256
_STANDS_OUT = 10.0
# Extra samples, per sample at the stride, beyond which sizes say nothing of where to look.
_MOST_EXTRA = 0.05
_TO_SIGMA = 1.4826


def standing_out(sizes: Numbers, start: int, stop: int, stride: int) -> Numbers:
    """Frames whose size is unlike that of the frames around them, one per stride at most.

    Parameters
    ----------
    sizes : ndarray of int64, shape (frames,)
        Bytes of every frame of the take; those below 1 are not looked at.
    start, stop, stride : int
        The frames that are sampled, half-open, and how far apart.

    Returns
    -------
    ndarray of int64
        Ascending; none where so many stand out that this is a habit of the take.
    """
    far = np.zeros(max(0, stop - start))
    for first in range(start, stop, _AROUND):
        part = sizes[first : min(stop, first + _AROUND)].astype(np.float64)
        known = part > 0
        if np.count_nonzero(known) < _AROUND // 4:
            continue
        middle = np.median(part[known])
        off = np.abs(part - middle)
        spread = max(_TO_SIGMA * float(np.median(off[known])), 1e-3 * float(middle), 1.0)
        far[first - start : first - start + len(part)] = np.where(known, off / spread, 0.0)
    found = np.array(_farthest(far, stride), np.int64)
    most = _MOST_EXTRA * (stop - start) / stride
    return found + start if len(found) <= most else found[:0]


def _farthest(far: npt.NDArray[np.float64], stride: int) -> Iterator[int] | list[int]:
    """The farthest entry of every stride, where it stands out."""
    if not (far > _STANDS_OUT).any():
        return []
    strides = np.flatnonzero(np.maximum.reduceat(far, np.arange(0, len(far), stride)) > _STANDS_OUT)
    return [int(n) * stride + int(far[n * stride : (n + 1) * stride].argmax()) for n in strides]


def at_stride(start: int, stop: int, stride: int, extra: Numbers) -> Numbers:
    """Frames to sample where any frame can be had by itself, ascending."""
    return np.union1d(np.arange(start, stop, stride, dtype=np.int64), extra)


@dataclass(frozen=True, slots=True)
class Group:
    """A keyframe to begin with, and the frames that are wanted from there on, ascending."""

    key: int
    wanted: tuple[int, ...]


def in_groups(
    keys: Sequence[int] | Numbers, start: int, stop: int, stride: int, extra: Numbers
) -> list[Group]:
    """Frames to sample where others have to be decoded first.

    A keyframe is had by itself.  From one sample the next is the last keyframe within the stride;
    where there is none, the group is decoded on, no farther than is needed for the next keyframe to
    be within the stride.  Of a group of 250 frames at a stride of 200 that is its first 51.

    Parameters
    ----------
    keys : sequence of int
        Keyframes that can be begun with, ascending, the first one 0.
    start, stop, stride : int
        As in `standing_out`.
    extra : ndarray of int64
        Other frames that are wanted.

    Returns
    -------
    list of Group
        In order; among all that is wanted no two neighbours are farther apart than the stride.
    """
    keys = np.asarray(keys, np.int64)
    groups: list[tuple[int, list[int]]] = []
    last = start - 1
    while (limit := last + stride) < stop:
        key = int(keys[np.searchsorted(keys, limit, side="right") - 1])
        if key > last:
            last = key
        else:
            later = np.searchsorted(keys, limit, side="right")
            target = int(keys[later]) if later < len(keys) else stop
            last = target - stride * ((target - last - 1) // stride)
        if not groups or groups[-1][0] != key:
            groups.append((key, []))
        groups[-1][1].append(last)
    return _with_extra(groups, keys, extra)


def _with_extra(groups: list[tuple[int, list[int]]], keys: Numbers, extra: Numbers) -> list[Group]:
    wanted = {key: set(frames) for key, frames in groups}
    for frame in extra.tolist():
        key = int(keys[np.searchsorted(keys, frame, side="right") - 1])
        wanted.setdefault(key, set()).add(frame)
    return [Group(key, tuple(sorted(wanted[key]))) for key in sorted(wanted)]
