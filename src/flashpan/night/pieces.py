"""One long take, measured in pieces by many workers and decided in order by one.

Measuring a frame needs that frame and the one before it, and nothing else.  So a piece is a
stretch of frames with one frame of margin before it, and what comes of all pieces, in order, is
what comes of the take in one piece, to the bit.  That holds only where a reader can begin at any
frame and number it as it does from the start: stills, raw pixels and arrays can; a video can where
its packets are whole frames in a known order, and a piece then begins at a keyframe.  Every
frame's time stamp is held against the packets'.  Where anything is not as it must be, the take is
done whole.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from itertools import islice
from pathlib import Path
from typing import Any

from flashpan.find import Measured, opened
from flashpan.grid import Grid, lay_grid
from flashpan.measure import Measurer
from flashpan.model import Frame, TakeInfo, Tiles
from flashpan.night.arrayfile import read_arrays, write_arrays
from flashpan.night.job import Job, NotAsOnePiece, Report, do
from flashpan.night.permit import Permit
from flashpan.night.tilefile import Measurements, read_measurements
from flashpan.patience import heard, reading
from flashpan.readers.base import Reader
from flashpan.readers.packets import PacketTable, entry_frame, packet_table, pictures_from
from flashpan.readers.streamed import IndexedReader
from flashpan.readers.video import VideoReader

_PIECE_BYTES = 1 << 25
"""What the measurements of a piece may weigh."""
_LEAST_FRAMES, _MOST_FRAMES = 64, 2048
_BEGIN_FRAMES = 16
"""Decoded to learn whether a video builds frames on others, whatever its container says."""
_LOOK_EVERY_S = 0.02
_STOP = "stop"
_TABLE = "packets"


@dataclass(frozen=True, slots=True, kw_only=True)
class PiecePlan:
    """How a take is split.

    Attributes
    ----------
    job : Job
    folder : str
        Where measurements go, seen by all workers.
    bounds : tuple of int
        First frame of each piece, and the number of frames.
    """

    job: Job
    folder: str
    bounds: tuple[int, ...]

    @property
    def n_pieces(self) -> int:
        """How many pieces."""
        return len(self.bounds) - 1

    def path(self, number: int) -> Path:
        """Where the measurements of a piece are, while they wait."""
        return Path(self.folder, f"{number:06}.tiles")

    def stop(self, why: str) -> None:
        """Tell whoever waits for pieces that some will not come."""
        stop = Path(self.folder, _STOP)
        half = stop.with_name(f"{_STOP}.part")  # whoever waits must not read half a reason
        half.write_text(why, encoding="utf-8")
        half.replace(stop)


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece to be measured."""

    plan: PiecePlan
    number: int

    @property
    def start(self) -> int:
        """First frame."""
        return self.plan.bounds[self.number]

    @property
    def stop(self) -> int:
        """Frame after the last."""
        return self.plan.bounds[self.number + 1]

    @property
    def is_last(self) -> bool:
        """Whether the take ends with it."""
        return self.number == self.plan.n_pieces - 1


def plan_pieces(job: Job, folder: str, most_frames: int = _MOST_FRAMES) -> PiecePlan | str:
    """Say how a take may be split, or why it must be done whole.

    Raises
    ------
    FlashpanError
        The take cannot be read.
    """
    if job.settings.first is not None or job.settings.last is not None:
        return "only a part of it is asked for"
    if any(job.out.glob("*.events.json")):
        return "its log is there already"
    with reading(), opened(job.take, job.settings) as reader:
        length = max(2, min(most_frames, _frames_per_piece(reader, job)))
        bounds = _bounds(reader, length, Path(folder))
    if isinstance(bounds, str):
        return bounds
    if len(bounds) < 3:
        return "it is too short to split"
    return PiecePlan(job=job, folder=folder, bounds=tuple(bounds))


def measure_piece(piece: Piece) -> None:
    """Measure one piece, and leave its measurements in the plan's folder.

    Raises
    ------
    NotAsOnePiece
        Its frames are not what they must be.
    """
    job = piece.plan.job
    allowed = Permit(job.dest, job.permit)
    with reading(), opened(job.take, job.settings) as reader:
        known = reader.info.warnings
        measured, n_bytes = _measured(reader, piece, allowed)
        if reader.info.warnings != known:
            raise NotAsOnePiece(f"damage in frames {piece.start} to {piece.stop - 1}")
    _require_all(measured, piece)
    Measurements.of(measured, n_bytes).write(piece.plan.path(piece.number))


def decide(plan: PiecePlan) -> Report | str:
    """Search and cut a take by the measurements of its pieces, as they come.

    Returns
    -------
    Report or str
        Why it must be done whole after all.
    """
    try:
        return do(plan.job, gathered(plan))
    except NotAsOnePiece as error:
        return str(error)


def gathered(plan: PiecePlan) -> Measured:
    """The measurements of a take, piece after piece, each taken away once it has been used."""

    def measured(reader: Reader, grid: Grid) -> Iterator[tuple[Tiles, str]]:
        allowed = Permit(plan.job.dest, plan.job.permit)
        stamps: list[int | None] = []
        n_bytes, builds_on_others = reader.bytes_read, False
        for number in range(plan.n_pieces):
            piece = _awaited(plan, number, allowed)
            yield from piece
            stamps += piece.stamps
            n_bytes += piece.bytes_read
            builds_on_others |= bool({"P", "B"} & set(piece.picture_types))
            plan.path(number).unlink()
        _conclude(reader, stamps, n_bytes, builds_on_others)

    return measured


def _frames_per_piece(reader: Reader, job: Job) -> int:
    rows, cols = _grid(reader.info, job).shape
    return max(_LEAST_FRAMES, _PIECE_BYTES // (rows * cols * 16))


def _grid(info: TakeInfo, job: Job) -> Grid:
    wanted = job.settings.resolved(info)
    return lay_grid(info.shape, wanted.roi, wanted.ignore)


def _bounds(reader: Reader, length: int, folder: Path) -> list[int] | str:
    if isinstance(reader, VideoReader):
        return _video_bounds(reader, length, folder)
    if isinstance(reader, IndexedReader) and reader.info.n_frames is not None:
        return [*range(0, reader.info.n_frames, length), reader.info.n_frames]
    return "its frames can only be read one after the other"


def _video_bounds(reader: VideoReader, length: int, folder: Path) -> list[int] | str:
    """Bounds such that the frame before each of them can be begun with."""
    reader.keeps_index = True
    for _ in islice(reader.frames(), _BEGIN_FRAMES):
        pass
    n_frames = reader.pass_over()
    if n_frames is None:
        return "it is damaged"
    table = packet_table(replace(reader.info, n_frames=n_frames), reader.packet_index)
    if not table.is_whole:
        return "its packets are no whole frames in a known order"
    _write_table(table, folder / _TABLE)
    starts = [0]
    for wanted in range(length, n_frames, length):
        start = entry_frame(table, wanted - 1) + 1
        if start - starts[-1] > length // 2:
            starts.append(start)
    return [*starts, n_frames]


def _measured(
    reader: Reader, piece: Piece, allowed: Permit
) -> tuple[list[tuple[Frame, Tiles]], int]:
    """Frames of a piece with their measurements, and the bytes read for them."""
    measurer = Measurer(reader.info, _grid(reader.info, piece.plan.job))
    margin = max(piece.start - 1, 0)
    n_bytes, measured = reader.bytes_read, []
    frames = _frames_from(reader, margin, piece.plan)
    for frame in islice(frames, piece.stop - margin):
        tiles = measurer.measure(frame)
        if frame.index < piece.start:
            n_bytes = reader.bytes_read
        else:
            # nothing needs the picture any more
            measured.append((replace(frame, luma=frame.luma[:0]), tiles))
        allowed.check()
    n_bytes = reader.bytes_read - n_bytes
    if piece.is_last and next(frames, None) is not None:
        raise NotAsOnePiece("it has more frames than it said")
    return measured, n_bytes


def _frames_from(reader: Reader, start: int, plan: PiecePlan) -> Iterator[Frame]:
    if isinstance(reader, IndexedReader):
        return reader.frames_from(start)
    assert isinstance(reader, VideoReader)
    table = _read_table(Path(plan.folder, _TABLE), plan.job.take)
    pictures = reader.frames_of(pictures_from(table, start), start)
    return _held_against(pictures, table)


def _held_against(frames: Iterator[Frame], table: PacketTable) -> Iterator[Frame]:
    """Frames whose time stamps are those of the packets that must hold them."""
    stamps = table.pts[table.frames_in_packets()].tolist()
    for frame in frames:
        if frame.index >= len(stamps) or frame.pts != stamps[frame.index]:
            raise NotAsOnePiece(f"frame {frame.index} is not the one that its packet holds")
        yield frame


def _require_all(measured: list[tuple[Frame, Tiles]], piece: Piece) -> None:
    """Every frame of the piece, and no other, in order."""
    indices = [tiles.index for _, tiles in measured]
    if indices != list(range(piece.start, piece.stop)):
        raise NotAsOnePiece(f"frames {piece.start} to {piece.stop - 1} do not all decode")


def _awaited(plan: PiecePlan, number: int, allowed: Permit) -> Measurements:
    path, stop = plan.path(number), Path(plan.folder, _STOP)
    while not path.exists():
        heard()  # others read; who does not come back at that is given up there
        if stop.exists():
            raise NotAsOnePiece(stop.read_text(encoding="utf-8"))
        allowed.check()
        time.sleep(_LOOK_EVERY_S)
    return read_measurements(path)


def _conclude(
    reader: Reader, stamps: list[int | None], n_bytes: int, builds_on_others: bool
) -> None:
    """Leave the reader as reading it to its end would."""
    if not isinstance(reader, VideoReader):
        reader.bytes_read = n_bytes
        return
    if reader.pass_over() != len(stamps):
        raise NotAsOnePiece("its packets have changed meanwhile")
    if reader.packet_index is not None and builds_on_others:
        reader.packet_index.is_predicted = True
    reader.decoded_elsewhere(stamps)


def _write_table(table: PacketTable, path: Path) -> None:
    columns = {one.name: getattr(table, one.name) for one in fields(table) if one.name != "path"}
    write_arrays(path, columns)


def _read_table(path: Path, take: str) -> PacketTable:
    columns: dict[str, Any] = read_arrays(path)
    plain = {name: columns.pop(name).item() for name in ("is_whole", "intra", "codec")}
    return PacketTable(path=take, **columns, **plain)
