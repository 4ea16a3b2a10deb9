"""A lamp fails: the set, or one side of it, darkens for some frames or for good."""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar

import numpy as np

from sample_generators.scenarios.base import Plan, Scene, Spell, Subject
from sample_generators.sensor import Picture

SHARE = 0.5
"""Part of the light that the lamp gave."""
LENGTHS_FRAMES = (1, 3, 12, 40, 0)


class Failure(Spell):
    """One lamp out, that of the whole set or of one side."""

    kind: ClassVar[str] = "dimming"

    def __init__(self, start: float, plan: Plan, length_frames: int) -> None:
        super().__init__(start, plan, length_frames)
        cols = plan.shape[1]
        side = int(plan.rng.integers(-1, 2))
        across = np.linspace(-1, 1, cols, dtype=np.float32)[None, :]
        lit = 1 / (1 + np.exp(-8 * side * across)) if side else np.ones((1, cols))
        lost = min(1.0, SHARE * plan.settings.contrast)
        self._left = (1 - lost * lit).astype(np.float32)

    def draw(self, canvas: Picture) -> None:
        """See `Spell.draw`."""
        canvas *= self._left


def build(plan: Plan) -> Scene:
    """Return a textured set in which a lamp fails at every start."""
    asked = plan.settings.event_length
    lengths = [
        int(plan.rng.choice(LENGTHS_FRAMES)) if asked is None else asked for _ in plan.starts
    ]
    failures = [Failure(start, plan, n) for start, n in zip(plan.starts, lengths, strict=True)]
    return plan.scene(plan.background("textured"), list(failures))


SUBJECT = Subject(
    name="dimming",
    summary="a lamp fails: everything or one side darkens, for some frames or for good",
    usual_rate=Fraction(2_000),
    build=build,
)
