"""Boxes of MP4 and MOV files (ISO/IEC 14496-12): what must be known before FFmpeg reads them."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import BinaryIO, NamedTuple

_FIRST_BOXES = frozenset({"ftyp", "moov", "mdat", "wide", "free", "skip", "pnot"})

# Which boxes lead to those that count frames.
_INSIDE = {
    "": ("moov", "moof"),
    "moov": ("trak",),
    "trak": ("mdia",),
    "mdia": ("minf",),
    "minf": ("stbl",),
    "stbl": ("stsz",),
    "moof": ("traf",),
    "traf": ("trun",),
}
_FIELDS_PER_SAMPLE = 0xF00  # flags of a track run: duration, size, flags, time offset


class Box(NamedTuple):
    """A box of an ISO base media file (ISO/IEC 14496-12, clause 4.2).

    Attributes
    ----------
    kind : str
        Its four letters.
    body, stop : int
        Bytes at which what it holds begins, and at which it ends.
    is_cut : bool
        Whether the file, or the box around it, ends before.
    """

    kind: str
    body: int
    stop: int
    is_cut: bool


def top_level_boxes(path: str) -> Iterator[Box]:
    """Outermost boxes; none where the file does not start with one of the usual kinds."""
    with open(path, "rb") as file:
        end = os.fstat(file.fileno()).st_size
        for number, box in enumerate(_boxes(file, 0, end)):
            if number == 0 and box.kind not in _FIRST_BOXES:
                return
            yield box


def plain_samples(path: str) -> int:
    """Frames that an index declares without a word on any of them: what it says costs no bytes.

    Those are the ones of one size, in ``stsz`` (8.7.3.2), and those of default values, in ``trun``
    (8.8.8).  0 for a file of another kind.
    """
    if next(top_level_boxes(path), None) is None:
        return 0
    with open(path, "rb") as file:
        return sum(_plain(file, "", 0, os.fstat(file.fileno()).st_size))


def _plain(file: BinaryIO, around: str, start: int, stop: int) -> Iterator[int]:
    for box in _boxes(file, start, stop):
        if box.kind not in _INSIDE[around]:
            continue
        if box.kind in _INSIDE:
            yield from _plain(file, box.kind, box.body, min(box.stop, stop))
            continue
        file.seek(box.body)
        flags, *words = (int.from_bytes(file.read(4), "big") for _ in range(3))
        if box.kind == "trun":
            yield 0 if flags & _FIELDS_PER_SAMPLE else words[0]
        else:
            yield words[1] if words[0] else 0


def _boxes(file: BinaryIO, at: int, end: int) -> Iterator[Box]:
    """Boxes that lie one behind the other, up to what is none."""
    while at + 8 <= end:
        file.seek(at)
        head = file.read(16)
        kind, size, body = head[4:8].decode("latin-1"), int.from_bytes(head[:4], "big"), at + 8
        if size == 1:
            size, body = int.from_bytes(head[8:16], "big"), at + 16
        size = end - at if size == 0 else size  # 0: to the end of the file
        if size < 8 or not (kind.isascii() and kind.isprintable()):
            return
        at += size
        yield Box(kind, body, at, at > end)
