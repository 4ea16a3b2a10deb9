"""How many bytes clips will need, and whether the disk has them to spare.

The check is made before anything is written and leaves a reserve, because a disk that is
filled to the last byte stops more than this program.  It cannot see quotas, nor what others
write meanwhile: a disk that fills all the same ends the clip with one line and no half file
(`flashpan.atomic.new_file`, `new_folder`).
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from flashpan.errors import TakeError

_CONTAINER_BYTES = 64 * 1024
"""Headers, metadata and index of a container, beside what each packet adds."""
_PACKET_BYTES = 64
"""What the index and the framing of any container here add to a packet, and more."""

BUDGET_CURE = "give a smaller --budget"
"""Ends the error for too little room; a night, which has no budget, takes it away."""
_MOST_RESERVE_BYTES = 1 << 30
_LEAST_RESERVE_BYTES = 1 << 20
_RESERVE_PART = 50


@dataclass(frozen=True, slots=True)
class Need:
    """What one clip will take on disk.

    Attributes
    ----------
    n_bytes : int
        Of all its files together.
    n_files : int
        Files, each of which may waste part of a block.
    basis : str
        What the figure rests on, for people.
    """

    n_bytes: int
    n_files: int
    basis: str


@dataclass(frozen=True, slots=True)
class Space:
    """A disk against what shall be written to it; all in bytes.

    Attributes
    ----------
    needed_bytes, free_bytes, reserve_bytes : int
        ``free_bytes`` is what an ordinary user may fill, the reserve included.
    """

    needed_bytes: int
    free_bytes: int
    reserve_bytes: int

    @property
    def missing_bytes(self) -> int:
        """What has to be freed; 0 where all fits."""
        return max(0, self.needed_bytes + self.reserve_bytes - self.free_bytes)

    def __str__(self) -> str:
        return (
            f"about {format_bytes(self.needed_bytes)} to write,"
            f" {format_bytes(self.free_bytes)} free"
        )


def packets_need(sizes_bytes: Iterable[int]) -> Need:
    """For packets that are copied: their sizes, and what a container adds at most."""
    sizes = list(sizes_bytes)
    n_bytes = sum(sizes) + len(sizes) * _PACKET_BYTES + _CONTAINER_BYTES
    return Need(n_bytes, 1, "the sizes of its packets")


def files_need(sizes_bytes: Iterable[int]) -> Need:
    """For stills that are copied: the sizes of the files."""
    sizes = list(sizes_bytes)
    return Need(sum(sizes), len(sizes), "the sizes of its files")


def raw_need(n_frames: int, frame_bytes: int, header_bytes: int = 0) -> Need:
    """For headerless pixels: so many frames of known size in one file."""
    return Need(n_frames * frame_bytes + header_bytes, 1, "the size of a frame")


def lossless_need(n_frames: int, samples_per_frame: int, bit_depth: int) -> Need:
    """For lossless video: the worst case, in which coding saves nothing.

    An eighth is added, since noise that fills every bit makes a lossless coder longer than
    what it codes.

    Parameters
    ----------
    n_frames : int
    samples_per_frame : int
        All planes together: rows times cols for grey, three times that for RGB.
    bit_depth : int
        1 to 16.
    """
    raw = n_frames * samples_per_frame * (1 if bit_depth <= 8 else 2)
    n_bytes = raw + raw // 8 + n_frames * _PACKET_BYTES + _CONTAINER_BYTES
    return Need(n_bytes, 1, "pictures that coding cannot shorten")


def require_space(
    destination: str | os.PathLike[str],
    needs: Iterable[Need],
    reserve_bytes: int | None = None,
) -> Space:
    """Refuse to begin what would fill the disk.

    Parameters
    ----------
    destination : path-like
        The folder; may not exist yet.
    needs : iterable of Need
        Of every clip that will be written there.
    reserve_bytes : int, optional
        What shall stay free; a fiftieth of the disk, from 1 MiB to 1 GiB, by default.

    Returns
    -------
    Space
        For printing.

    Raises
    ------
    TakeError
        Not enough room, in bytes or in files; one line with the numbers and the cure.
    """
    wanted = list(needs)
    disk = _disk(destination)
    if reserve_bytes is None:
        part = disk.f_blocks * disk.f_frsize // _RESERVE_PART
        reserve_bytes = max(_LEAST_RESERVE_BYTES, min(_MOST_RESERVE_BYTES, part))
    n_files = sum(need.n_files for need in wanted)
    space = Space(
        needed_bytes=sum(need.n_bytes for need in wanted) + n_files * disk.f_frsize,
        free_bytes=disk.f_bavail * disk.f_frsize,
        reserve_bytes=reserve_bytes,
    )
    for fault in _faults(space, n_files, disk):
        raise TakeError(f"{destination}: {fault}")
    return space


def format_bytes(n_bytes: int) -> str:
    """Bytes for people, in powers of 1000: ``812 bytes``, ``1.2 kB``, ``34 GB``."""
    if n_bytes < 1000:
        return f"{n_bytes} bytes"
    size = float(n_bytes)
    for unit in ("kB", "MB", "GB"):
        size /= 1000
        if size < 999.5:
            return f"{size:.2g} {unit}" if size < 10 else f"{size:.0f} {unit}"
    return f"{size / 1000:.3g} TB"


def _faults(space: Space, n_files: int, disk: os.statvfs_result) -> Iterator[str]:
    if disk.f_blocks and space.missing_bytes:
        yield (
            f"the clips need about {format_bytes(space.needed_bytes)} and"
            f" {format_bytes(space.free_bytes)} are free, of which"
            f" {format_bytes(space.reserve_bytes)} must stay free;"
            f" free {format_bytes(space.missing_bytes)}, choose another folder"
            f" or {BUDGET_CURE}"
        )
    # file systems that make room for files as they go count none
    if disk.f_files and n_files > disk.f_favail:
        yield (
            f"the clips are {n_files:,} files and the disk takes {disk.f_favail:,} more;"
            " choose another folder, or one file for each clip"
        )


def _disk(destination: str | os.PathLike[str]) -> os.statvfs_result:
    """The file system that a folder is on, or will be on."""
    where = Path(os.path.abspath(destination))
    while not where.exists() and where != where.parent:
        where = where.parent
    try:
        return os.statvfs(where)
    except OSError as error:
        raise TakeError(
            f"{destination}: cannot be looked at ({error.strerror}); choose another folder"
        ) from error
