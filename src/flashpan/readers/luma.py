"""Luma of coded red, green and blue: the one place that turns colour into one number.

Source: Recommendation ITU-R BT.709-6, item 3.2 (E'Y = 0.2126 E'R + 0.7152 E'G +
0.0722 E'B).  The coefficients add up to exactly 1, so grey keeps its code value and
full scale stays full scale.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

RED, GREEN, BLUE = 2126, 7152, 722
"""BT.709 luma coefficients in ten-thousandths, so that rounding is exact."""


def rec709(
    red: npt.NDArray[Any], green: npt.NDArray[Any], blue: npt.NDArray[Any]
) -> npt.NDArray[Any]:
    """Weigh three colour planes into luma, at their own depth.

    Parameters
    ----------
    red, green, blue : ndarray, uint8 or uint16, one shape
        Gamma-coded colour values, right-aligned; strided views are fine.

    Returns
    -------
    ndarray
        Luma of the inputs' dtype and shape, C-contiguous, rounded to the nearest code
        value, halves up.

    Raises
    ------
    TypeError
        A plane is neither uint8 nor uint16, or the planes' types differ.
    """
    if red.dtype not in (np.uint8, np.uint16) or not red.dtype == green.dtype == blue.dtype:
        raise TypeError(
            f"colour planes must all be uint8 or all uint16, got {red.dtype}, {green.dtype}, "
            f"{blue.dtype}"
        )
    # 10000 · 65535 + 5000 fits in 32 bits without a sign.
    total = np.multiply(red, np.uint32(RED), dtype=np.uint32)
    total += np.multiply(green, np.uint32(GREEN), dtype=np.uint32)
    total += np.multiply(blue, np.uint32(BLUE), dtype=np.uint32)
    total += np.uint32(5000)
    total //= np.uint32(10000)
    return np.ascontiguousarray(total.astype(red.dtype))
