"""Where the parts of a take begin, and where it states numbers: what a header may lie about.

Sources: ISO/IEC 14496-12 (boxes), the RIFF and AVI layout, RFC 8794 (EBML), TIFF 6.0 and its
BigTIFF extension, W3C PNG, ITU-T T.81 (JPEG); from memory.  Only what is needed to find sizes is
read.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

Order = Literal["big", "little"]
BIG: Order = "big"
LITTLE: Order = "little"
_HEAD, _TAIL, _PAYLOAD, _LINES = 384, 64, 256, 120

_ISO_HOLDERS = frozenset(
    ["moov", "trak", "mdia", "minf", "stbl", "dinf", "edts", "udta", "mvex", "moof", "traf", "gmhd"]
)
_EBML_HOLDERS = frozenset(
    bytes.fromhex(mark)
    for mark in (
        *("1a45dfa3", "18538067", "114d9b74", "1549a966", "1654ae6b"),
        *("ae", "e0", "1f43b675", "1c53bb6b", "bb", "b7"),
    )
)


@dataclass(frozen=True, slots=True)
class Field:
    """Bytes that state a number.

    ``order`` is None where nobody knows.
    """

    at: int
    width: int
    order: Order | None = None


@dataclass(frozen=True, slots=True)
class Structure:
    """Ascending places where parts begin, and the fields that state numbers."""

    parts: tuple[int, ...]
    fields: tuple[Field, ...]


def structure_of(data: bytes, family: str) -> Structure:
    """Find parts and fields of a whole specimen.

    Parameters
    ----------
    data : bytes
    family : str
        As in `Specimen`.
    """
    found = [*_WALKS.get(family, _plain)(data)]
    fields = [one for one in found if one.width and one.at + one.width <= len(data)]
    parts = sorted({one.at for one in found if 0 < one.at < len(data)})
    return Structure(tuple(parts), tuple(fields))


def _words(start: int, stop: int, width: int, order: Order | None) -> Iterator[Field]:
    """Every aligned word of a part, up to some hundred bytes."""
    for at in range(start, min(stop, start + _PAYLOAD) - width + 1, width):
        yield Field(at, width, order)


def _plain(data: bytes) -> Iterator[Field]:
    yield from _words(0, min(len(data), _HEAD), 2, None)
    yield from _words(0, min(len(data), _HEAD), 4, None)
    yield from _words(max(len(data) - _TAIL, 0) & ~3, len(data), 4, None)


def _iso(data: bytes, start: int = 0, stop: int | None = None) -> Iterator[Field]:
    stop = len(data) if stop is None else stop
    while start + 8 <= stop:
        size, kind = int.from_bytes(data[start : start + 4], BIG), data[start + 4 : start + 8]
        end = start + size if 8 <= size <= stop - start else stop
        yield Field(start, 4, BIG)
        if kind.decode("latin-1") in _ISO_HOLDERS:
            yield from _iso(data, start + 8, end)
        elif kind != b"mdat":
            width = 2 if kind == b"stsd" else 4
            yield from _words(start + 8, end, width, BIG)
        start = end


def _riff(data: bytes, start: int = 0, stop: int | None = None) -> Iterator[Field]:
    stop = len(data) if stop is None else stop
    while start + 8 <= stop:
        kind, size = data[start : start + 4], int.from_bytes(data[start + 4 : start + 8], LITTLE)
        end = min(start + 8 + size + (size & 1), stop)
        yield Field(start, 0)
        yield Field(start + 4, 4, LITTLE)
        if kind in (b"RIFF", b"LIST"):
            yield from _riff(data, start + 12, end)
        elif not kind[:2].isdigit():
            yield from _words(start + 8, end, 4, LITTLE)
        start = end


def _ebml_number(data: bytes, at: int, *, keep_mark: bool) -> tuple[int, int]:
    """A number of variable length, and its bytes."""
    first = data[at] if at < len(data) else 0
    width = 9 - first.bit_length() if first else 1
    value = int.from_bytes(data[at : at + width], BIG)
    return (value if keep_mark else value & ~(1 << 7 * width)), width


def _ebml(data: bytes, start: int = 0, stop: int | None = None) -> Iterator[Field]:
    stop = len(data) if stop is None else stop
    while start + 2 <= stop:
        _, mark_width = _ebml_number(data, start, keep_mark=True)
        size, size_width = _ebml_number(data, start + mark_width, keep_mark=False)
        begin = start + mark_width + size_width
        end = begin + size if size <= stop - begin else stop
        yield Field(start, mark_width, BIG)
        yield Field(start + mark_width, size_width, BIG)
        if data[start : start + mark_width] in _EBML_HOLDERS:
            yield from _ebml(data, begin, end)
        elif 0 < end - begin <= 8:
            yield Field(begin, end - begin, BIG)
        else:
            yield from _words(begin, min(end, begin + 64), 2, BIG)
        start = max(end, begin, start + 1)


def _tiff(data: bytes) -> Iterator[Field]:
    order = LITTLE if data[:2] == b"II" else BIG
    big = int.from_bytes(data[2:4], order) == 43
    offset, count, entry = (8, 8, 20) if big else (4, 2, 12)
    here = 8 if big else 4
    for _ in range(64):
        yield Field(here, offset, order)
        at = int.from_bytes(data[here : here + offset], order)
        if not 8 <= at < len(data) - count:
            return
        n_entries = int.from_bytes(data[at : at + count], order)
        yield Field(at, count, order)
        for k in range(min(n_entries, 64)):
            begin = at + count + k * entry
            yield Field(begin, 2, order)
            yield Field(begin + 2, 2, order)
            yield Field(begin + 4, offset, order)
            yield Field(begin + 4 + offset, 2, order)
            yield Field(begin + 4 + offset, offset, order)
        here = at + count + n_entries * entry


def _png(data: bytes) -> Iterator[Field]:
    at = 8
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4], BIG)
        yield Field(at, 4, BIG)
        if data[at + 4 : at + 8] == b"IHDR":
            yield from _words(at + 8, at + 16, 4, BIG)
            yield from _words(at + 16, at + 21, 1, BIG)
        at += size + 12


def _jpeg(data: bytes) -> Iterator[Field]:
    for match in re.finditer(rb"\xff[\xc0-\xcf\xd8-\xdf\xe0-\xef]", data):
        at, marker = match.start(), data[match.start() + 1]
        yield Field(at, 2, BIG)
        yield Field(at + 2, 2, BIG)
        if 0xC0 <= marker <= 0xC3:
            yield Field(at + 4, 1)
            yield from _words(at + 5, at + 9, 2, BIG)
            yield from _words(at + 9, at + 19, 1, BIG)


def _annexb(data: bytes) -> Iterator[Field]:
    for match in re.finditer(rb"\x00\x00\x01", data):
        begin = match.end()
        yield Field(match.start(), 0)
        for width in (1, 2, 4):
            yield from _words(begin, begin + 24, width, BIG)


def _text(data: bytes) -> Iterator[Field]:
    """Runs of digits in the first lines; their bytes are text, whatever their width."""
    for match in re.finditer(rb"\d+", data[:_LINES]):
        yield Field(match.start(), match.end() - match.start())


def _none(data: bytes) -> Iterator[Field]:
    return iter(())


_WALKS: dict[str, Callable[[bytes], Iterator[Field]]] = {
    "iso": _iso,
    "riff": _riff,
    "ebml": _ebml,
    "tiff": _tiff,
    "png": _png,
    "jpeg": _jpeg,
    "annexb": _annexb,
    "text": _text,
    "bytes": _none,
    "plain": _plain,
}
