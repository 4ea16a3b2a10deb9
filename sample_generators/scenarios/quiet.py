"""Nothing happens: only noise and what disturbances are added."""

from __future__ import annotations

from fractions import Fraction

from sample_generators.scenarios.base import Plan, Scene, Subject


def build(plan: Plan) -> Scene:
    """Return a still scene."""
    return plan.scene(plan.background("textured"), [])


SUBJECT = Subject(
    name="quiet",
    summary="nothing happens",
    usual_rate=Fraction(5_000),
    build=build,
    most_events=0,
)
