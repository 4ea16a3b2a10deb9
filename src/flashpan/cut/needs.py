"""How many bytes each clip will take, before anything is written: at least as many as it does."""

from __future__ import annotations

import os
from contextlib import closing
from itertools import islice
from pathlib import Path

from av.video.format import VideoFormat

from flashpan.cut.base import Cut, How, StillFiles
from flashpan.cut.engine import Cutter, chosen_way, kind
from flashpan.cut.remux import passage
from flashpan.cut.space import Need, files_need, lossless_need, packets_need, raw_need
from flashpan.errors import CutRefused
from flashpan.model import TakeInfo
from flashpan.readers.base import Source
from flashpan.readers.geometry import parse_geometry
from flashpan.readers.multipage import MultiPageReader
from flashpan.readers.npy import NpyReader
from flashpan.readers.packets import PacketTable
from flashpan.readers.sequence import find_sequence
from flashpan.readers.y4m import parse_header, read_line

_HEADER_BYTES = 4096


def clip_need(cut: Cut, cutter: Cutter) -> Need:
    """What the clip of one range will take on disk, its sidecar aside.

    Parameters
    ----------
    cut : Cut
        What is to be cut; not of a pipe.
    cutter : Cutter
        That will cut it: the packet table is read once for both.
    """
    if kind(cut) == "video":
        return _video_need(cut, cutter.table(cut.take))
    if kind(cut) == "stills":
        return _stills_need(cut)
    return raw_need(cut.n_frames, frame_bytes(cut.take, cut.raw), _HEADER_BYTES)


def frame_bytes(take: TakeInfo, raw: str | None) -> int:
    """Bytes of one frame, or page, of a take that is stored frame by frame."""
    if raw is not None:
        return parse_geometry(raw).frame_bytes
    if take.container == "yuv4mpegpipe":
        with open(take.path, "rb") as file:
            header = parse_header(read_line(file) or b"", take.path)
        return header.luma_bytes + header.other_bytes + len(b"FRAME\n")
    if take.container == "npy":
        with closing(NpyReader(Source(path=take.path))) as stack:
            return stack.stored(0).nbytes
    with closing(MultiPageReader(Source(path=take.path))) as pages:
        return pages.page_bytes + _HEADER_BYTES


def _video_need(cut: Cut, table: PacketTable) -> Need:
    how = chosen_way(cut, table)
    if how is How.EXACT:
        return _exact_need(cut.take, cut.n_frames)
    try:
        kept = passage(table, cut.span)
    except CutRefused:
        return Need(0, 1, "refused")  # the cutter will say why
    copied = packets_need(table.size[kept.start : kept.stop][kept.is_kept].tolist())
    if how is How.COPY:
        return copied
    new = _exact_need(cut.take, _until_keyframe(cut, table))
    return Need(copied.n_bytes + new.n_bytes, 1, copied.basis)


def _until_keyframe(cut: Cut, table: PacketTable) -> int:
    """Frames of the range before its first keyframe: those that a bridge codes anew."""
    packets = table.frames_in_packets()[cut.span.start : cut.span.stop]
    keys = (place for place, number in enumerate(packets) if table.is_key[number])
    return next(islice(keys, 1), len(packets))


def _exact_need(take: TakeInfo, n_frames: int) -> Need:
    rows, cols = take.shape
    parts = VideoFormat(take.pixel_format, cols, rows).components
    samples = sum(part.width * part.height for part in parts)
    return lossless_need(n_frames, samples, max(part.bits for part in parts))


def _stills_need(cut: Cut) -> Need:
    if cut.files is not StillFiles.COPY:
        return Need(0, cut.n_frames, "links")
    stills = find_sequence(cut.take.path)
    names = stills.names[cut.span.start : cut.span.stop]
    return files_need(os.stat(Path(stills.folder, name)).st_size for name in names)
