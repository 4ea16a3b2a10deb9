"""Rolling shutter: the lower a row, the later it looks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from sample_generators.disturb.base import Run, Stage, TakeFacts
from sample_generators.errors import SampleError
from sample_generators.sensor import Picture


@dataclass(frozen=True, slots=True)
class RollingShutter:
    """Rows read one after the other over ``readout`` of a frame interval.

    Row r of frame t sees the instants from t + r/rows · readout on: so much of it is
    already the scene of frame t + 1.  The take applies it to the scene itself
    (`rolled`), as it moves onsets: light may first show one frame earlier, low in the
    picture.  Give `Flicker` the same ``line_delay``.

    ``edge`` is for a flash that is shorter than the readout: rows below that part of the
    height see it one frame earlier than those above, and the border between is sharp.
    """

    stage: ClassVar[Stage] = Stage.PICTURE

    readout: float = 0.5
    edge: float | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.readout <= 1:
            raise SampleError(f"rolling shutter {self.readout}: give 0 to 1 of a frame interval")
        if self.edge is not None and not 0 <= self.edge <= 1:
            raise SampleError(f"rolling shutter edge {self.edge}: give 0 to 1 of the height")

    def rolled(self, this: Picture, following: Picture) -> Picture:
        """Mix a frame's scene with the next one's, row by row."""
        if this is following:
            return this
        if self.edge is not None:
            border = round(self.edge * len(this))
            return np.concatenate([this[:border], following[border:]])
        late = np.arange(len(this), dtype=np.float32)[:, None] / len(this)
        return np.asarray(this + np.float32(self.readout) * late * (following - this), np.float32)

    def start(self, take: TakeFacts) -> Run:
        """See `Disturbance.start`; nothing is left to do once the scene is rolled."""
        return lambda picture, t: picture
