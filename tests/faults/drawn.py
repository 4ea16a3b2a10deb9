"""How many examples Hypothesis draws: a fixed few, or thousands that are new each time."""

import os

from hypothesis import HealthCheck, settings

_LONG = bool(os.environ.get("FLASHPAN_LONG_TESTS"))

drawn = settings(
    max_examples=4000 if _LONG else 120,
    derandomize=not _LONG,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
