"""A flash lamp lights the whole set, for a single frame unless told otherwise."""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

import numpy as np

from sample_generators.scenarios.base import Plan, Scene, Spell, Subject
from sample_generators.sensor import Picture

GAIN = 0.8
"""What it adds to the set's light in the middle of the picture."""


class FullFlash(Spell):
    """Light on everything, a little less towards the corners."""

    kind: ClassVar[str] = "flash"

    def __init__(self, start: float, plan: Plan, length_frames: int) -> None:
        super().__init__(start, plan, length_frames)
        down, across = (np.linspace(-1, 1, n, dtype=np.float32) for n in plan.shape)
        corners = 1 - 0.2 * (down[:, None] ** 2 + across[None, :] ** 2)
        self._lit = 1 + np.float32(GAIN * plan.settings.contrast) * corners

    def draw(self, canvas: Picture) -> None:
        """See `Spell.draw`."""
        canvas *= self._lit


def build(plan: Plan) -> Scene:
    """Return a textured set with one flash per start."""
    length = plan.settings.event_length
    flashes = [FullFlash(start, plan, 1 if length is None else length) for start in plan.starts]
    return plan.scene(plan.background("textured"), list(flashes))


SUBJECT = Subject(
    name="lamp",
    summary="a flash lamp lights everything, for one frame",
    usual_rate=Fraction(5_000),
    build=build,
)
