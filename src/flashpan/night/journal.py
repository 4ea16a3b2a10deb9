"""What a run does, as JSON lines for a pipeline.

Every line is one object with ``time`` (UTC, ISO 8601) and ``what``; later versions only add
keys and kinds of lines.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from datetime import UTC, datetime
from types import TracebackType
from typing import Any, Self

from flashpan.errors import UsageError


class Journal:
    """Lines that are appended to a file, each at once and whole.

    Parameters
    ----------
    path : path-like, optional
        The file; lines are added to what it holds.  Without one, nothing is written.
    on_line : callable, optional
        Called with each line's object.

    Raises
    ------
    UsageError
        The file cannot be written.
    """

    def __init__(
        self,
        path: str | os.PathLike[str] | None = None,
        on_line: Callable[[dict[str, Any]], object] | None = None,
    ) -> None:
        self._path, self._on_line = path, on_line
        self._descriptor: int | None = None
        if path is not None:
            try:
                self._descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
            except OSError as error:
                raise UsageError(
                    f"--log-file {os.fspath(path)}: cannot be written ({error.strerror});"
                    " choose another place"
                ) from error

    def write(self, what: str, **facts: Any) -> None:
        """Add a line.

        Parameters
        ----------
        what : str
            The kind of line: ``night-begins``, ``take-begins``, ``take-done``, ``take-failed``,
            ``take-skipped``, ``take-unreadable``, ``night-ends``.
        facts
            What JSON holds.
        """
        said = {"time": datetime.now(UTC).isoformat(timespec="milliseconds"), "what": what, **facts}
        if self._on_line is not None:
            self._on_line(said)
        if self._descriptor is not None:
            self._append(json.dumps(said).encode("ascii") + b"\n")

    def _append(self, line: bytes) -> None:
        """A log that cannot be written any more is no reason to lose the night."""
        try:
            os.write(self._descriptor or -1, line)
        except OSError:
            self.close()

    def close(self) -> None:
        """Close the file; may be called twice."""
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            os.close(descriptor)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
