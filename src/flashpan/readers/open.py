"""`open_take`: from a path to the reader that is the one for it."""

from __future__ import annotations

import os
from collections.abc import Callable
from fractions import Fraction
from typing import TypeVar, cast

from flashpan.errors import FlashpanError, PlugInError, UnreadableTake, UsageError, quoted
from flashpan.readers.base import Reader, Source
from flashpan.readers.sequence import is_pattern
from flashpan.registry import READERS, load, names
from flashpan.units import LEAST_RATE, MOST_RATE, exact

Rate = int | float | str | Fraction
Result = TypeVar("Result")

_KINDS = (
    "video files, numbered stills (TIFF, PNG, JPEG, DPX, DNG, BMP, PGM), multi-page TIFF, "
    ".npy stacks, Y4M, and headerless pixels with --raw WIDTHxHEIGHT:FORMAT"
)


def open_take(
    path: str | os.PathLike[str],
    *,
    raw: str | None = None,
    capture_rate: Rate | None = None,
    playback_rate: Rate | None = None,
    trigger_frame: int | None = None,
) -> Reader:
    """Open a take with the first reader that accepts it.

    Parameters
    ----------
    path : str or path-like
        File, folder of numbered stills, pattern (``shot_%06d.tif``, ``shot_*.png``) or
        ``-`` for standard input.
    raw : str, optional
        Geometry of headerless pixels, ``WIDTHxHEIGHT:FORMAT[+OFFSET]``.
    capture_rate, playback_rate : int, float, str or Fraction, optional
        Frames per second as shot and as watched; kept exactly, ``"30000/1001"`` included.
    trigger_frame : int, optional
        The frame that the camera calls time zero.

    Returns
    -------
    Reader
        Open; to be closed by the caller (``with open_take(…) as take``).

    Raises
    ------
    UnreadableTake
        No such file, or no reader can read it; one line that names the cure.
    UsageError
        A rate or the geometry is malformed.
    """
    source = Source(
        path=os.fspath(path),
        raw=raw,
        capture_rate=exact_rate(capture_rate, "capture rate"),
        playback_rate=exact_rate(playback_rate, "playback rate"),
        trigger_frame=trigger_frame,
    )
    if not (source.path == "-" or os.path.exists(source.path) or is_pattern(source.path)):
        raise UnreadableTake(f"{source.path}: no such file or folder; check the path")
    readers, skipped = _readers()
    for reader in readers:
        opened = _try(reader, source, skipped)
        if opened is not None:
            return opened
    passed = f" ({'; '.join(skipped)})" if skipped else ""
    raise UnreadableTake(f"{source.path}: not a take that can be read; there are: {_KINDS}{passed}")


def kind_of(path: str | os.PathLike[str]) -> str | None:
    """Name of the reader that would open a path, by its name and leading bytes alone.

    Returns
    -------
    str or None
        As registered; None where no reader takes it, without a geometry for headerless pixels.

    Raises
    ------
    UnreadableTake
        The path cannot be looked at.
    """
    source = Source(path=os.fspath(path))
    skipped: list[str] = []
    for reader in _readers()[0]:
        if _asked(reader, source, skipped):
            return reader.name
    return None


def exact_rate(value: Rate | None, what: str) -> Fraction | None:
    """Turn a rate into an exact fraction; a float counts as the decimal it prints as.

    Raises
    ------
    UsageError
        Not a number, or not above zero.
    """
    if value is None:
        return None
    try:
        rate = exact(str(value).strip())
    except ValueError:
        rate = Fraction(0)
    if not LEAST_RATE <= rate <= MOST_RATE:
        raise UsageError(
            f"{what} {quoted(value)} is no number above zero; for example 10000 or 30000/1001"
        )
    return rate


def _readers() -> tuple[list[type[Reader]], list[str]]:
    """Every registered reader in order of priority, and why some are missing."""
    readers: list[type[Reader]] = []
    skipped: list[str] = []
    for name in names(READERS):
        try:
            readers.append(cast(type[Reader], load(READERS, name)))
        except PlugInError as error:
            skipped.append(f"reader skipped: {error}")
    return sorted(readers, key=lambda reader: (reader.priority, reader.name)), skipped


def _try(reader: type[Reader], source: Source, skipped: list[str]) -> Reader | None:
    """Open with one reader; ``None`` where it declines or is itself broken."""
    return _guarded(
        reader, source, skipped, lambda: reader(source) if reader.accepts(source) else None
    )


def _asked(reader: type[Reader], source: Source, skipped: list[str]) -> bool:
    return bool(_guarded(reader, source, skipped, lambda: reader.accepts(source)))


def _guarded(
    reader: type[Reader], source: Source, skipped: list[str], work: Callable[[], Result]
) -> Result | None:
    """Do something with a reader; ``None`` where it is itself broken."""
    try:
        return work()
    except FlashpanError:
        raise
    except OSError as error:
        reason = error.strerror or str(error)
        raise UnreadableTake(f"{source.path}: {reason}; check the file and its rights") from error
    except Exception as error:  # a plug-in's own fault must not stop the others
        skipped.append(f"reader {reader.name} failed: {error}")
        return None
