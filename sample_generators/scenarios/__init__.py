"""The scenarios, one module each; names to modules here, loaded when asked for."""

from __future__ import annotations

from importlib import import_module

from sample_generators.errors import SampleError
from sample_generators.scenarios.base import Happening, Part, Plan, Scenario, Scene, Subject

NAMES = (
    "storm",
    "pane",
    "balloon",
    "drop",
    "spark",
    "impact",
    "release",
    "quiet",
    "pellet",
    "lamp",
    "dimming",
    "appear",
)


def find_subject(name: str) -> Subject:
    """Return the scenario kind of that name.

    Raises
    ------
    SampleError
        There is none; the message lists those that exist.
    """
    if name not in NAMES:
        raise SampleError(f"no scenario called {name!r}; there are: {', '.join(NAMES)}")
    subject = import_module(f"{__name__}.{name}").SUBJECT
    assert isinstance(subject, Subject)
    return subject


__all__ = ["NAMES", "Happening", "Part", "Plan", "Scenario", "Scene", "Subject", "find_subject"]
