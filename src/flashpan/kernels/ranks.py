"""Medians and largest of one frame's numbers, by loops without branches that guess.

Comparing numbers that are in no order is what processors are slow at: every second guess of
which is larger is wrong.  Counting how many begin with which bits needs none.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel, part

Floats = npt.NDArray[np.float32]
Keys = npt.NDArray[np.uint32]

_DIGIT_BITS = 11
_SIGN = np.uint32(1 << 31)
_ALL = np.uint32(0xFFFFFFFF)


@kernel
def middle(values: Floats) -> float:
    """Median; of an even number the mean of the middle two, rounded to float32.

    Parameters
    ----------
    values : ndarray, shape (n,), float32
        At least one, none of them NaN.
    """
    return _middle(values)


@kernel
def less_middle(rows: Floats) -> None:
    """Take from every row its median, in place.

    Parameters
    ----------
    rows : ndarray, shape (n, columns), float32
        None of them NaN.
    """
    for row in rows:
        usual = np.float32(_middle(row))
        for i in range(len(row)):
            row[i] -= usual


@part
def _middle(values: Floats) -> float:
    n = len(values)
    keys = _keys(values)
    at, n_equal_before = _find(keys.copy(), n // 2, 32)
    if n % 2:
        return float(_value(at))
    before = at
    if n_equal_before == 0:
        before = np.uint32(0)
        for i in range(n):
            before = max(before, keys[i] if keys[i] < at else np.uint32(0))
    return float((_value(before) + _value(at)) * np.float32(0.5))


@part
def _keys(values: Floats) -> Keys:
    """Whole numbers that are in the order of the values."""
    bits = values.view(np.uint32)
    keys = np.empty(len(values), np.uint32)
    for i in range(len(values)):
        keys[i] = bits[i] ^ (_ALL if bits[i] & _SIGN else _SIGN)
    return keys


@part
def _value(key: np.uint32) -> Any:
    one = np.empty(1, np.uint32)
    one[0] = key ^ (_SIGN if key & _SIGN else _ALL)
    return one.view(np.float32)[0]


@part
def _find(keys: npt.NDArray[Any], rank: int, n_bits: int) -> tuple[Any, int]:
    """The key of a rank, and how many that equal it come before it; moves the keys about.

    Eleven bits are settled at a time; only keys that have those are looked at further.
    """
    counts = np.empty(1 << _DIGIT_BITS, np.int32)
    n = len(keys)
    left = n_bits
    while left:
        width = min(_DIGIT_BITS, left)
        left -= width
        shift, mask = np.uint64(left), np.uint64((1 << width) - 1)
        for digit in range(1 << width):
            counts[digit] = 0
        for i in range(n):
            counts[(keys[i] >> shift) & mask] += 1
        digit = 0
        while counts[digit] <= rank:
            rank -= counts[digit]
            digit += 1
        n_left = 0
        for i in range(n):
            keys[n_left] = keys[i]
            n_left += (keys[i] >> shift) & mask == np.uint64(digit)
        n = n_left
    return keys[0], rank


@kernel
def middle_size(values: npt.NDArray[np.float64]) -> float:
    """Median of numbers none of which is below 0 or NaN; of an even number the middle two's mean.

    Parameters
    ----------
    values : ndarray, shape (n,), float64
        At least one.
    """
    n = len(values)
    keys = values.view(np.uint64)  # they are in the order of the numbers
    at, n_equal_before = _find(keys.copy(), n // 2, 64)
    found = np.empty(2, np.uint64)
    found[0] = found[1] = at
    if n % 2 == 0 and n_equal_before == 0:
        found[0] = 0
        for i in range(n):
            found[0] = max(found[0], keys[i] if keys[i] < at else np.uint64(0))
    one, other = found.view(np.float64)
    return float((one + other) * 0.5) if n % 2 == 0 else float(other)


@kernel
def median_rows(rows: Floats) -> Floats:
    """Median over the rows of every column.

    Parameters
    ----------
    rows : ndarray, shape (n, columns), float32
        At least one row.

    Returns
    -------
    ndarray, shape (columns,), float32
        Of an even number of rows the sum of the middle two times a half.
    """
    n = len(rows)
    ordered = rows.copy()
    _sort_columns(ordered)
    found = np.empty(rows.shape[1], np.float32)
    low, high = ordered[(n - 1) // 2], ordered[n // 2]
    for col in range(len(found)):
        found[col] = (low[col] + high[col]) * np.float32(0.5)
    return found


@part
def _sort_columns(rows: Floats) -> None:
    """Sort every column by exchanges in a fixed order (Batcher 1968; Knuth 5.2.2, from memory)."""
    n = len(rows)
    top = 1
    while 2 * top < n:
        top *= 2
    size = top
    while size > 0:
        first, bit, apart = top, 0, size
        while True:
            for i in range(n - apart):
                if i & size == bit:
                    _exchange(rows[i], rows[i + apart])
            if first == size:
                break
            apart, first, bit = first - size, first // 2, size
        size //= 2


@part
def _exchange(one: Floats, other: Floats) -> None:
    for col in range(len(one)):
        low, high = min(one[col], other[col]), max(one[col], other[col])
        one[col], other[col] = low, high
