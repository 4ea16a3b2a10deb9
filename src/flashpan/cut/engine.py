"""`cut_ranges`: from ranges of a take to clips that are proved to hold its frames."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path

import av

from flashpan.atomic import new_file, new_folder, sync_folder
from flashpan.cut import files, pages
from flashpan.cut.base import Clip, Cut, How, Written
from flashpan.cut.bridge import bridge
from flashpan.cut.exact import SUFFIX, store_exactly
from flashpan.cut.remux import copy_passage, muxer_for
from flashpan.cut.ring import FrameRing
from flashpan.cut.sidecar import digest, write_sidecar
from flashpan.cut.steady import leave_to_disk
from flashpan.cut.stored import copy_bytes, store_of, write_frames
from flashpan.cut.verify import clip_hashes, first_difference, source_hashes
from flashpan.errors import ClipDiffers, CutRefused, TakeError, UnreadableTake, UsageError
from flashpan.model import TakeInfo
from flashpan.ranges import inclusive
from flashpan.readers._video_decode import PacketIndex
from flashpan.readers.packets import PacketTable, packet_table

_OF_PACKETS = frozenset({"copy", "bridge"})
_STORED = frozenset({"raw", "npy", "yuv4mpegpipe", "pipe"})

# What a muxer hands on from the disk; all else that it says is about what it was given.
_OF_THE_DISK = frozenset(
    {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS, errno.EACCES, errno.EPERM}
)

Write = Callable[[Path], Written]
Prove = Callable[[Path, Written], str]


def cut_ranges(cuts: Iterable[Cut]) -> Iterator[Clip]:
    """Cut ranges out of takes, one after the other, and prove each clip.

    Nothing appears under a clip's name before it has been proved; its sidecar is there first.

    Parameters
    ----------
    cuts : iterable of Cut
        In any order; ranges of one take that follow one another share the work of reading
        where its frames are.

    Yields
    ------
    Clip
        One report per cut, as soon as the clip is there.

    Raises
    ------
    UsageError
        A range lies outside the take, or the take came through a pipe.
    CutRefused
        The way asked for cannot keep its promise for this take.
    ClipDiffers
        A clip does not hold the take's frames; it is kept as ``<name>.differs<suffix>``.
    TakeError
        Something is there under the clip's name, or the clip cannot be written.
    """
    cutter = Cutter()
    for cut in cuts:
        yield cutter.cut(cut)


class Cutter:
    """Cuts ranges one at a time, and remembers where the frames of the present take are.

    Parameters
    ----------
    index : PacketIndex, optional
        What a search has noted of the first take's packets.
    """

    def __init__(self, index: PacketIndex | None = None) -> None:
        self._index = index
        self._table: PacketTable | None = None

    def table(self, take: TakeInfo) -> PacketTable:
        """The packet table of a video, read once for all ranges that follow one another."""
        if self._table is None or self._table.path != take.path:
            self._table = packet_table(take, self._index)
            self._index = None
        return self._table

    def cut(self, cut: Cut) -> Clip:
        """Cut one range; see `cut_ranges`."""
        _check(cut)
        if kind(cut) == "video":
            return _cut_video(cut, self.table(cut.take))
        return _CUTS[kind(cut)](cut)


def cut_held(cut: Cut, ring: FrameRing) -> Clip:
    """Cut one range out of the frames that a ring holds of a pipe: Y4M, or raw pixels.

    Raises
    ------
    TakeError
        The ring does not hold the range; see also `cut_ranges`.
    """
    suffix = ".y4m" if ring.start else ".raw"

    _check_span(cut)

    def write(part: Path) -> Written:
        return write_frames(cut, ring.start, ring.frames(cut.span), part)

    return _publish(cut, cut.path(suffix), new_file, write, proof(cut))


def kind(cut: Cut) -> str:
    """What sort of take a cut is made of: ``video``, ``stills``, ``pages`` or ``stored``."""
    container = cut.take.container
    if container in _STORED:
        return "stored"
    return {"stills": "stills", "tiff": "pages"}.get(container, "video")


def _check(cut: Cut) -> None:
    _check_span(cut)
    if cut.take.path == "-":
        raise UsageError("-: a pipe cannot be read twice; save the take to a file first")


def _check_span(cut: Cut) -> None:
    stop = cut.take.n_frames
    if not 0 <= cut.span.start < cut.span.stop or (stop is not None and cut.span.stop > stop):
        raise UsageError(
            f"{cut.take.path}: frames {cut.span.start} to {cut.span.stop - 1} are no part of"
            f" {stop if stop is not None else 'its'} frames; frames are numbered from 0"
        )


def _cut_video(cut: Cut, table: PacketTable) -> Clip:
    if table.packet_of is not None and cut.span.stop > len(table.packet_of):
        raise UsageError(
            f"{cut.take.path}: has {len(table.packet_of)} frames, and no frame {cut.span.stop - 1}"
        )
    how = chosen_way(cut, table)
    way = {How.COPY: copy_passage, How.BRIDGE: bridge, How.EXACT: store_exactly}[how]
    suffix = SUFFIX if how is How.EXACT else Path(cut.take.path).suffix

    def write(part: Path) -> Written:
        try:
            written = way(cut, table, part)
            if cut.verify and not written.hashes:
                written = replace(written, hashes=source_hashes(table, cut.span))
        except av.FFmpegError as error:
            raise _told(cut, error) from error
        return written

    try:
        return _publish(cut, cut.path(suffix), new_file, write, proof(cut))
    except CutRefused:
        if cut.how is not How.AUTO or how is How.EXACT:
            raise
    return _cut_video(replace(cut, how=How.EXACT), table)


def _told(cut: Cut, error: av.FFmpegError) -> Exception:
    """An error with a cure: of the disk, as `new_file` words it, or of the container."""
    if isinstance(error, OSError) and error.errno is not None and error.errno in _OF_THE_DISK:
        return OSError(error.errno, os.strerror(error.errno))
    return CutRefused(
        f"{cut.take.path}: cannot be written so ({error.strerror}); choose another --how"
    )


def chosen_way(cut: Cut, table: PacketTable) -> How:
    """What `How.AUTO` means for a take: packets where each is a frame by itself."""
    if cut.how is not How.AUTO:
        return cut.how
    writable = muxer_for(cut.take.container, Path(cut.take.path).suffix) is not None
    return How.COPY if table.intra and table.packet_of is not None and writable else How.EXACT


def _cut_stills(cut: Cut) -> Clip:
    final = cut.path("")

    def write(part: Path) -> Written:
        return files.copy_stills(cut, part)

    return _publish(cut, final, new_folder, write, proof(cut))


def _cut_pages(cut: Cut) -> Clip:
    def write(part: Path) -> Written:
        return pages.copy_pages(cut, part)

    return _publish(cut, cut.path(Path(cut.take.path).suffix), new_file, write, proof(cut))


def _cut_stored(cut: Cut) -> Clip:
    suffix = Path(cut.take.path).suffix or ".raw"
    return _publish(cut, cut.path(suffix), new_file, lambda part: copy_bytes(cut, part), proof(cut))


_CUTS = {"stills": _cut_stills, "pages": _cut_pages, "stored": _cut_stored}
_HASHES: dict[str, Callable[[Cut, Path], Sequence[str]]] = {
    "video": lambda cut, clip: clip_hashes(clip, cut.take.pixel_format),
    "stills": files.hashes_of,
    "pages": lambda _, clip: pages.hashes_of(clip),
    "stored": lambda cut, clip: store_of(cut, clip).hashes(),
}


def proof(cut: Cut) -> Prove:
    """How a clip is held against what was written: says what differs, or nothing."""
    hashes = _HASHES[kind(cut)]

    def prove(clip: Path, written: Written) -> str:
        try:
            return first_difference(cut, written, hashes(cut, clip))
        except UnreadableTake as error:
            return str(error).replace(f"{clip}: ", "")

    return prove


def _publish(
    cut: Cut,
    final: Path,
    new: Callable[..., AbstractContextManager[Path]],
    write: Write,
    prove: Prove,
) -> Clip:
    """Write, prove, describe, and only then give the clip its name."""
    _spare_source(cut, final)
    with new(final, overwrite=cut.overwrite) as part:
        written = write(part)
        difference = ""
        if cut.verify:
            leave_to_disk(part)
            difference = prove(part, written)
        if difference:
            raise _marked(cut, final, part, written, difference)
        n_bytes = size_of(part)
        sidecar = write_sidecar(cut, final, written, True if cut.verify else None, n_bytes)
    return _report(cut, final, sidecar, written, n_bytes)


def _marked(cut: Cut, final: Path, part: Path, written: Written, difference: str) -> ClipDiffers:
    """Keep a clip that is not the take under a name that says so."""
    kept = final.with_name(f"{final.stem}.differs{final.suffix}")
    number = 2
    while os.path.lexists(kept):
        kept = final.with_name(f"{final.stem}.differs-{number}{final.suffix}")
        number += 1
    write_sidecar(cut, kept, written, False, size_of(part), difference)
    part.rename(kept)
    sync_folder(kept.parent)
    return ClipDiffers(
        f"{cut.take.path}: the clip {kept} differs from it ({difference}); cut it again"
        f"{', or with --how exact' if written.how in _OF_PACKETS else ''}"
    )


def _spare_source(cut: Cut, final: Path) -> None:
    """Refuse to write over the take itself, or over a folder that holds it."""
    source, target = Path(cut.take.path).resolve(), final.resolve()
    if target == source or target in source.parents:
        raise TakeError(f"{final}: is or holds the take itself; choose another name or folder")


def size_of(part: Path) -> int:
    """Bytes of a clip: of its file, or of the files of its folder."""
    if part.is_dir():
        return sum(file.stat().st_size for file in part.iterdir())
    return part.stat().st_size


def _report(cut: Cut, final: Path, sidecar: Path, written: Written, n_bytes: int) -> Clip:
    first, last = inclusive(cut.span)
    return Clip.of(
        written,
        path=final,
        sidecar=sidecar,
        first=first,
        last=last,
        n_bytes=n_bytes,
        verified=True if cut.verify else None,
        digest=digest(written.hashes),
    )
