"""Branching lines that grow: lightning channels and cracks.

A `Track` is drawn once into two maps; growth is then one comparison per frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sample_generators.paint import Point, segment_distance, window
from sample_generators.sensor import Picture

Line = npt.NDArray[np.float64]
"""Vertices ``(y, x)``, shape (n, 2)."""


@dataclass(frozen=True, slots=True)
class Track:
    """Drawn lines.

    Attributes
    ----------
    profile : ndarray, shape (rows, cols), float32
        Coverage of the fully grown lines, 0 to 1.
    distance : ndarray, shape (rows, cols), float32
        Length along the lines, in pixels, at which growth reaches each pixel.
    """

    profile: Picture
    distance: Picture

    def grown(self, length_px: float) -> Picture:
        """Return the coverage when growth has come so far; the tip moves by parts of a pixel."""
        return np.asarray(self.profile * self.reached(length_px), np.float32)

    def reached(self, length_px: float) -> Picture:
        """Return 1 where growth has passed, 0 where it has not come yet."""
        return np.asarray(np.clip(np.float32(length_px) - self.distance, 0.0, 1.0), np.float32)


def wander(rng: np.random.Generator, start: Point, stop: Point, roughness: float) -> Line:
    """Return a jagged line between two points, by midpoint displacement."""
    line = np.array([start, stop], np.float64)
    while np.hypot(*(line[1] - line[0])) > 4.0:
        middle = (line[:-1] + line[1:]) / 2
        step = np.hypot(*(line[1] - line[0]))
        middle += rng.normal(0.0, roughness * step, middle.shape)
        line = np.insert(line, np.arange(1, len(line)), middle, axis=0)
    return line


def lengths(line: Line) -> npt.NDArray[np.float64]:
    """Return the length along a line at each vertex, shape (n,)."""
    steps = np.hypot(*np.diff(line, axis=0).T)
    return np.concatenate([[0.0], np.cumsum(steps)])


class TrackDrawing:
    """A track while its lines are being added."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self.profile: Picture = np.zeros(shape, np.float32)
        self.distance: Picture = np.full(shape, np.float32(1e9))

    def add(self, line: Line, start_px: float, sigma_px: float, strength: float = 1.0) -> None:
        """Draw a line with a Gaussian cross-section that growth enters at ``start_px``."""
        along = lengths(line) + start_px
        for i in range(len(line) - 1):
            self._segment(line[i], line[i + 1], along[i], along[i + 1], sigma_px, strength)

    def _segment(
        self, start: Line, stop: Line, first: float, last: float, sigma_px: float, strength: float
    ) -> None:
        reach = 3.5 * sigma_px
        (top, left), (bottom, right) = np.minimum(start, stop), np.maximum(start, stop)
        win = window(self.profile.shape, top - reach, left - reach, bottom + reach, right + reach)
        if win is None:
            return
        distance, along = segment_distance(win, (start[0], start[1]), (stop[0], stop[1]))
        profile = strength * np.exp(-0.5 * (distance / sigma_px) ** 2) * (distance < reach)
        wins = profile > self.profile[win]
        self.profile[win][wins] = profile[wins]
        self.distance[win][wins] = (first + along * (last - first))[wins]

    def finish(self) -> Track:
        """Return the drawn track."""
        return Track(self.profile, self.distance)
