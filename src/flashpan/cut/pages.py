"""Pages of a TIFF file, written to another without changing a sample."""

from __future__ import annotations

import hashlib
from contextlib import closing
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import tifffile

from flashpan.cut.base import Cut, Written
from flashpan.errors import CutRefused, UnreadableTake
from flashpan.readers.base import Source
from flashpan.readers.multipage import MultiPageReader
from flashpan.readers.picture import BadPicture
from flashpan.readers.streamed import EndOfTake
from flashpan.readers.tiff import page_bit_depth

_MAX_SAMPLE_VALUE, _SHORT = 281, 3
_BIG_BYTES = 4_000_000_000  # offsets of classic TIFF have 32 bits
_CFA = 32803
_CFA_TAGS = (33421, 33422)  # CFARepeatPatternDim, CFAPattern: TIFF/EP


def copy_pages(cut: Cut, part: Path) -> Written:
    """Write the pages of a range to ``part``, uncompressed, samples and bit depth as they were.

    Raises
    ------
    CutRefused
        Samples of less than eight bits, which TIFF could not keep here.
    UnreadableTake
        A page of the range is damaged.
    """
    hashes = []
    with closing(MultiPageReader(Source(path=cut.take.path))) as reader:
        first, _ = _stored(cut, reader, cut.span.start)
        big = first.nbytes * cut.n_frames > _BIG_BYTES
        with tifffile.TiffWriter(part, bigtiff=big) as writer:
            for index in range(*cut.span):
                samples, page = _stored(cut, reader, index)
                _refuse_narrow(cut, page)
                writer.write(samples, **_described(page))
                hashes.append(samples_md5(samples, page))
    return Written(how="pages", n_frames=len(hashes), hashes=tuple(hashes))


def hashes_of(path: Path) -> tuple[str, ...]:
    """MD5 of the samples of every page of a clip, and of how many bits they have."""
    hashes = []
    with closing(MultiPageReader(Source(path=str(path)))) as reader:
        for index in count():
            try:
                hashes.append(samples_md5(*reader.stored(index)))
            except (BadPicture, EndOfTake):
                return tuple(hashes)
    raise AssertionError


def samples_md5(samples: npt.NDArray[Any], page: tifffile.TiffPage) -> str:
    """MD5 of a page's samples in little-endian order, its shape and its bit depth."""
    digest = hashlib.md5(usedforsecurity=False)
    digest.update(f"{samples.shape} {samples.dtype.kind} {page_bit_depth(page)} ".encode())
    digest.update(f"{int(page.photometric)} ".encode())
    digest.update(np.ascontiguousarray(samples, samples.dtype.newbyteorder("<")).data)
    return digest.hexdigest()


def _stored(
    cut: Cut, reader: MultiPageReader, index: int
) -> tuple[npt.NDArray[Any], tifffile.TiffPage]:
    try:
        return reader.stored(index)
    except (BadPicture, EndOfTake) as error:
        raise UnreadableTake(
            f"{cut.take.path}: page {index} cannot be read ({error}); choose a range without it"
        ) from error


def _refuse_narrow(cut: Cut, page: tifffile.TiffPage) -> None:
    bits = int(page.bitspersample)
    if bits not in (1, 8) and bits < 9:
        raise CutRefused(
            f"{cut.take.path}: pages of {bits} bits cannot be written as they are;"
            " convert the take to 8 bits first"
        )


def _described(page: tifffile.TiffPage) -> dict[str, Any]:
    """What to tell the writer, so that the samples mean what they meant."""
    told: dict[str, Any] = {
        "photometric": int(page.photometric),
        "metadata": None,
        "contiguous": False,
        "description": page.description or None,
        "extratags": _extra_tags(page),
    }
    if page.samplesperpixel > 1:
        told["planarconfig"] = int(page.planarconfig)
    if page.extrasamples:
        told["extrasamples"] = [int(kind) for kind in page.extrasamples]
    if page.colormap is not None:
        told["colormap"] = page.colormap
    return told


def _extra_tags(page: tifffile.TiffPage) -> list[tuple[int, int, int, Any, bool]]:
    bits = page_bit_depth(page)
    tags: list[tuple[int, int, int, Any, bool]] = []
    if 8 < bits < 16:
        tags.append((_MAX_SAMPLE_VALUE, _SHORT, 1, (1 << bits) - 1, True))
    if page.photometric == _CFA:
        found = [page.tags.get(code) for code in _CFA_TAGS]
        tags += [(tag.code, int(tag.dtype), tag.count, tag.value, True) for tag in found if tag]
    return tags
