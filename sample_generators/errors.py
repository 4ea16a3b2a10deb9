"""The one exception of this package."""

from __future__ import annotations


class SampleError(ValueError):
    """A take that cannot be made as asked; ``str()`` is one line with the cure."""
