"""When a take was shot, by the clock on the wall.

A container's own creation time says when recording began, where the camera wrote one.  Else the
time of the file counts, of stills the latest: when it was last written, which is when the take
had been saved, and is kept by copies that keep times.  Container times are in UTC; a camera whose
clock is wrong or that writes its local time there is believed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import av

from flashpan.errors import FlashpanError
from flashpan.night.found import stamp
from flashpan.readers._video_open import looks_like_video, open_container

CONTAINER, FILE = "container", "file"

_KEYS = ("creation_time", "com.apple.quicktime.creationdate", "date")
# Clocks that were never set say 1904 (MP4, ISO/IEC 14496-12), 1970 or 1980.
_EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Shot:
    """When a take was shot.

    Attributes
    ----------
    at : str
        UTC, ISO 8601; empty where nothing is known.
    source : str
        ``container`` or ``file``.
    """

    at: str
    source: str


def shot_at(path: str) -> Shot:
    """Say when a take was shot; opens a video's container, and decodes nothing.

    Parameters
    ----------
    path : str
        As for `flashpan.open_take`.
    """
    made = _created(path) if looks_like_video(path) else None
    if made is not None:
        return Shot(time_text(made), CONTAINER)
    known = stamp(path)
    return Shot("" if known is None else of_file_time(known[2]), FILE)


def of_file_time(mtime_ns: int) -> str:
    """A file's time as text."""
    return time_text(datetime.fromtimestamp(mtime_ns // 1_000_000_000, UTC))


def time_text(time: datetime) -> str:
    """UTC in ISO 8601, to the second."""
    return time.astimezone(UTC).isoformat(timespec="seconds")


def _created(path: str) -> datetime | None:
    """The creation time that a container or its streams state, the first that makes sense."""
    try:
        with open_container(path) as container:
            said = [container.metadata, *(stream.metadata for stream in container.streams)]
            return next(_times(said), None)
    except (FlashpanError, av.FFmpegError, OSError, ValueError):
        return None


def _times(said: list[dict[str, str]]) -> Iterator[datetime]:
    for metadata in said:
        for key in _KEYS:
            time = _parsed(metadata.get(key, ""))
            if time is not None and time >= _EARLIEST:
                yield time


def _parsed(text: str) -> datetime | None:
    """A full date and time; a date alone says nothing of the hour."""
    if len(text) < len("2000-01-01T00:00"):
        return None
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        return None
    return time if time.tzinfo else time.replace(tzinfo=UTC)
