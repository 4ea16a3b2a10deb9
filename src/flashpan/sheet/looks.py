"""Strips of small pictures, one strip per event, stored beside a take's log.

``<take>.strips/`` holds a JPEG for each frame that is shown and ``strips.json``, which says what
they are.  Sheets, the report of a night and the review page are all made of them, so that a
night can be looked through when its takes are no longer at hand.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Self

import cv2
import numpy as np

from flashpan.atomic import new_folder
from flashpan.cut.anyframe import AnyFrame
from flashpan.cut.burnin import enlarged, in_colour
from flashpan.cut.native import NativePicture
from flashpan.cut.tone import Pixels8, toned
from flashpan.errors import TakeError
from flashpan.jsontext import loads
from flashpan.model import EventLog, Region, ScoreTrace
from flashpan.sheet.strip import Shown, strip_of
from flashpan.sheet.tones import strip_tone, tone_text

SUFFIX = ".strips"
INDEX_NAME = "strips.json"
MOST_COLS, MOST_ROWS = 480, 360
MOST_EVENTS = 200
_CLOSE_COLS, _CLOSE_ROWS = 240, 180
_CLOSE_BELOW = 1 / 6
_LEAST_CLOSE_PX = 24
_QUALITY = 92
_PLAIN_NAME = re.compile(r"e\d{3,}_f\d{6,}(_close)?\.jpg")


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallFrame:
    """One frame of a strip, as a file.

    Attributes
    ----------
    frame, role
        See `flashpan.sheet.strip.Shown`.
    file : str
        The whole picture, in the strips' folder.
    close_file : str
        The place of the event from near; empty where the whole picture shows it well enough.
    """

    frame: int
    role: str
    file: str
    close_file: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """What is shown of one event.

    Attributes
    ----------
    event : int
        Its number in the log.
    frames : tuple of SmallFrame
        Ascending.
    tone : str
        What was done to the tones, for the caption.
    close : tuple of int or None
        Part of the picture that is shown from near, ``x, y, width, height``.
    """

    event: int
    frames: tuple[SmallFrame, ...]
    tone: str
    close: tuple[int, int, int, int] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Strips:
    """All strips of a take.

    Attributes
    ----------
    folder : Path
    shape : tuple of int
        Rows and columns of the take's pictures.
    strips : tuple of Strip
        In the order of the log; events that left no picture have none.
    left_out : int
        Events that are weaker than the most that are shown.
    """

    folder: Path
    shape: tuple[int, int]
    strips: tuple[Strip, ...]
    left_out: int = 0

    @classmethod
    def read(cls, folder: str | os.PathLike[str]) -> Self:
        """Read what `store_strips` wrote.

        Raises
        ------
        TakeError
            There are none, or they are damaged.
        """
        path = Path(folder, INDEX_NAME)
        try:
            data = loads(path.read_text(encoding="utf-8"))
            return cls(
                folder=Path(folder),
                shape=(int(data["shape"][0]), int(data["shape"][1])),
                strips=tuple(map(_strip, data["strips"])),
                left_out=int(data["left_out"]),
            )
        except OSError as error:
            raise TakeError(f"{path}: cannot be read ({error.strerror}); make it again") from error
        except (KeyError, TypeError, ValueError, IndexError) as error:
            raise TakeError(f"{path}: is damaged ({error!s:.60}); make it again") from error

    def picture(self, file: str) -> Pixels8:
        """One of the pictures, shape (rows, cols, 3), red first.

        Raises
        ------
        TakeError
            It is not there or damaged.
        """
        path = self.folder / file
        try:
            decoded = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
        except OSError as error:
            raise TakeError(f"{path}: cannot be read ({error.strerror}); make it again") from error
        if decoded is None:
            raise TakeError(f"{path}: is damaged; make it again")
        return np.asarray(decoded[..., ::-1], np.uint8)

    def of(self, event: int) -> Strip | None:
        """The strip of an event, if it has one."""
        return next((strip for strip in self.strips if strip.event == event), None)


def store_strips(
    log: EventLog,
    trace: ScoreTrace | None,
    pictures: AnyFrame,
    folder: Path,
    *,
    most_events: int = MOST_EVENTS,
) -> Strips:
    """Fetch the pictures of all events and store them small; whole or not at all.

    Parameters
    ----------
    log : EventLog
    trace : ScoreTrace or None
        Every frame's scores, where they are known: see `flashpan.sheet.strip.strip_of`.
    pictures : AnyFrame
        The take, open.
    folder : Path
        Is replaced where it is there.
    most_events : int
        Of more events the strongest are shown.

    Raises
    ------
    TakeError
        The folder cannot be written.
    """
    ranked = sorted(range(len(log.events)), key=lambda k: -log.events[k].strength)
    shown = sorted(ranked[:most_events])
    rows, cols = log.take.shape
    left_out = len(log.events) - len(shown)
    with new_folder(folder, overwrite=True) as part:
        strips = [
            _stored(number, log, trace, pictures, part)
            for number in sorted(shown, key=lambda k: log.events[k].onset)
        ]
        strips = sorted(filter(lambda strip: strip.frames, strips), key=lambda strip: strip.event)
        data = {
            "shape": [rows, cols],
            "left_out": left_out,
            "strips": [asdict(strip) for strip in strips],
        }
        (part / INDEX_NAME).write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")
    return Strips(folder=folder, shape=(rows, cols), strips=tuple(strips), left_out=left_out)


def _stored(
    number: int, log: EventLog, trace: ScoreTrace | None, pictures: AnyFrame, part: Path
) -> Strip:
    event, (start, stop) = log.events[number], frames_of(log)
    fetched = list(_fetched(strip_of(event, start, stop, trace=trace), pictures))
    tone = strip_tone([picture for _, picture in fetched])
    close = close_up(event.box, log.take.shape)
    frames = []
    for shown, picture in fetched:
        seen, name = toned(picture, tone), f"e{number:03d}_f{shown.frame:06d}"
        _write(part / f"{name}.jpg", fitted(seen, MOST_COLS, MOST_ROWS))
        if close is not None:
            _write(part / f"{name}_close.jpg", fitted(_part(seen, close), _CLOSE_COLS, _CLOSE_ROWS))
        frames.append(
            SmallFrame(
                frame=shown.frame,
                role=shown.role,
                file=f"{name}.jpg",
                close_file="" if close is None else f"{name}_close.jpg",
            )
        )
    said = tone_text(tone) if frames else ""
    return Strip(
        event=number, frames=tuple(frames), tone=said, close=close.as_box() if close else None
    )


def frames_of(log: EventLog) -> tuple[int, int]:
    """Frames of a take that were searched, half-open."""
    start = int(log.settings.get("first") or 0)
    return start, start + log.totals.frames


def _fetched(shown: tuple[Shown, ...], pictures: AnyFrame) -> Iterator[tuple[Shown, NativePicture]]:
    """The frames that decode."""
    for one in shown:
        try:
            yield one, pictures.picture(one.frame)
        except TakeError:
            continue


def close_up(box: Region, shape: tuple[int, int]) -> Region | None:
    """The part to be shown from near; None where the event fills enough of the picture.

    It is in the proportion of the picture, half as large again as the event's box, and has 24
    rows and columns at least.
    """
    rows, cols = shape
    share = max(box.width / cols, box.height / rows)
    least = max(_LEAST_CLOSE_PX / cols, _LEAST_CLOSE_PX / rows)
    if share > _CLOSE_BELOW or least > _CLOSE_BELOW:
        return None
    part = max(1.5 * share, least)
    height, width = max(1, round(rows * part)), max(1, round(cols * part))
    top = min(max(0, box.top + box.height // 2 - height // 2), rows - height)
    left = min(max(0, box.left + box.width // 2 - width // 2), cols - width)
    return Region(top, left, height, width)


def _part(picture: Pixels8, region: Region) -> Pixels8:
    return picture[region.top : region.bottom, region.left : region.right]


def fitted(picture: Pixels8, most_cols: int, most_rows: int) -> Pixels8:
    """Reduced by areas to fit, or enlarged by a whole factor, pixel by pixel; three channels."""
    rows, cols = picture.shape[:2]
    scale = min(most_cols / cols, most_rows / rows)
    if scale >= 1:
        return in_colour(enlarged(picture, int(scale)))
    size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
    return in_colour(np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8))


def as_jpeg(picture: Pixels8, quality: int = _QUALITY) -> bytes:
    """A picture (rows, cols, 3), red first, as JPEG without thinning out its colours."""
    options = [cv2.IMWRITE_JPEG_QUALITY, quality]
    options += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    done, coded = cv2.imencode(".jpg", np.ascontiguousarray(picture[..., ::-1]), options)
    assert done
    return coded.tobytes()


def _write(path: Path, picture: Pixels8) -> None:
    path.write_bytes(as_jpeg(picture))


def _strip(data: dict[str, Any]) -> Strip:
    close = data["close"]
    return Strip(
        event=int(data["event"]),
        tone=str(data["tone"]),
        close=None if close is None else tuple(int(side) for side in close),  # type: ignore[arg-type]
        frames=tuple(_small(one) for one in data["frames"]),
    )


def _small(data: dict[str, Any]) -> SmallFrame:
    file, close_file = str(data["file"]), str(data["close_file"])
    for name in filter(None, (file, close_file)):
        if not _PLAIN_NAME.fullmatch(name):
            raise ValueError(f"name {name!r}")
    return SmallFrame(
        frame=int(data["frame"]), role=str(data["role"]), file=file, close_file=close_file
    )
