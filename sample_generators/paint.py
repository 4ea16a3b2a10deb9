"""Soft-edged shapes on a float picture: coverage in fractions of a pixel, so that a
displacement of a hundredth of a pixel changes the picture as it would on a sensor.

Positions are ``(y, x)`` in pixels, the centre of the top left pixel being ``(0, 0)``.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from sample_generators.sensor import Picture

Coverage = npt.NDArray[np.floating]
Point = tuple[float, float]
Window = tuple[slice, slice]


def window(
    shape: tuple[int, int], top: float, left: float, bottom: float, right: float
) -> Window | None:
    """Return the slices of the pixels within these bounds, ``None`` where there are none."""
    y0, y1 = max(0, int(np.floor(top))), min(shape[0], int(np.ceil(bottom)) + 1)
    x0, x1 = max(0, int(np.floor(left))), min(shape[1], int(np.ceil(right)) + 1)
    return (slice(y0, y1), slice(x0, x1)) if y0 < y1 and x0 < x1 else None


def around(shape: tuple[int, int], centre: Point, reach: float) -> Window | None:
    """Return the window of pixels within ``reach`` of a point."""
    y, x = centre
    return window(shape, y - reach, x - reach, y + reach, x + reach)


def grid(win: Window) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the rows, as a column, and the columns, as a row, of a window."""
    rows, cols = win
    y = np.arange(rows.start, rows.stop, dtype=np.float64)[:, None]
    return y, np.arange(cols.start, cols.stop, dtype=np.float64)[None, :]


def blend(canvas: Picture, win: Window, coverage: Coverage, value: float | Coverage) -> None:
    """Lay ``value`` over a window, as opaque as ``coverage`` says (0 to 1)."""
    patch = canvas[win]
    canvas[win] = patch + coverage * (value - patch)


def disc(canvas: Picture, centre: Point, radius: float, value: float, opacity: float = 1.0) -> None:
    """Paint a disc."""
    ellipse(canvas, centre, radius, radius, value, opacity)


def ellipse(
    canvas: Picture, centre: Point, ry: float, rx: float, value: float, opacity: float = 1.0
) -> None:
    """Paint an upright ellipse with half axes ``ry`` and ``rx``."""
    cy, cx = centre
    win = window(canvas.shape, cy - ry - 1, cx - rx - 1, cy + ry + 1, cx + rx + 1)
    if win is None or min(ry, rx) <= 0:
        return
    y, x = grid(win)
    radial = np.hypot((y - cy) / ry, (x - cx) / rx)
    coverage = np.clip((1.0 - radial) * min(ry, rx) + 0.5, 0.0, 1.0)
    blend(canvas, win, coverage * opacity, value)


def rectangle(
    canvas: Picture,
    top: float,
    left: float,
    bottom: float,
    right: float,
    value: float,
    opacity: float = 1.0,
) -> None:
    """Paint an upright rectangle; its bounds are pixel edges, not centres."""
    win = window(canvas.shape, top - 1, left - 1, bottom + 1, right + 1)
    if win is None:
        return
    blend(canvas, win, _box_coverage(win, top, left, bottom, right) * opacity, value)


def square_light(canvas: Picture, centre: Point, size: float, amount: float) -> None:
    """Add an evenly bright square of light; a negative amount takes light away."""
    y, x = centre
    top, left, bottom, right = (
        edge + 0.5 for edge in (y - size / 2, x - size / 2, y + size / 2, x + size / 2)
    )
    win = window(canvas.shape, top - 1, left - 1, bottom + 1, right + 1)
    if win is not None:
        canvas[win] += amount * _box_coverage(win, top, left, bottom, right)


def _box_coverage(win: Window, top: float, left: float, bottom: float, right: float) -> Coverage:
    y, x = grid(win)
    down = np.clip(np.minimum(y + 1, bottom) - np.maximum(y, top), 0.0, 1.0)
    across = np.clip(np.minimum(x + 1, right) - np.maximum(x, left), 0.0, 1.0)
    return np.asarray(down * across)


def segment_distance(win: Window, start: Point, stop: Point) -> tuple[Coverage, Coverage]:
    """Return each pixel's distance from a segment and its position along it (0 to 1)."""
    y, x = grid(win)
    dy, dx = stop[0] - start[0], stop[1] - start[1]
    length2 = max(dy * dy + dx * dx, 1e-12)
    along = np.clip(((y - start[0]) * dy + (x - start[1]) * dx) / length2, 0.0, 1.0)
    distance = np.hypot(y - start[0] - along * dy, x - start[1] - along * dx)
    return distance, along


def capsule(
    canvas: Picture, start: Point, stop: Point, radius: float, value: float, opacity: float = 1.0
) -> None:
    """Paint a thick line with round ends."""
    reach = radius + 1
    top, bottom = sorted((start[0], stop[0]))
    left, right = sorted((start[1], stop[1]))
    win = window(canvas.shape, top - reach, left - reach, bottom + reach, right + reach)
    if win is None or radius <= 0:
        return
    distance, _ = segment_distance(win, start, stop)
    blend(canvas, win, np.clip(radius + 0.5 - distance, 0.0, 1.0) * opacity, value)


def gaussian(win: Window, centre: Point, sigma: float) -> Coverage:
    """Return a round hill of height 1 over a window."""
    y, x = grid(win)
    down = np.exp(-0.5 * ((y - centre[0]) / sigma) ** 2)
    across = np.exp(-0.5 * ((x - centre[1]) / sigma) ** 2)
    return np.asarray(down * across)


def glow(canvas: Picture, centre: Point, sigma: float, amount: float) -> None:
    """Add a round hill of light."""
    win = around(canvas.shape, centre, 4 * sigma)
    if win is not None:
        canvas[win] += amount * gaussian(win, centre, sigma)


def haze(canvas: Picture, centre: Point, sigma: float, value: float, opacity: float) -> None:
    """Veil the picture with a round puff."""
    win = around(canvas.shape, centre, 4 * sigma)
    if win is not None and opacity > 0:
        # Taking off the rim value makes the puff end at zero on its window's border.
        puff = np.clip(gaussian(win, centre, sigma) - np.exp(-8.0), 0.0, 1.0)
        blend(canvas, win, puff * opacity, value)
