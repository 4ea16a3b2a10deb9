"""One page of a TIFF or DNG file as luma.

Bit depth: ``BitsPerSample``; where that is 16, a ``WhiteLevel`` (DNG) or ``MaxSampleValue``
of the form 2**k - 1 narrows it to k.  Other values of ``MaxSampleValue`` are statistics of
one picture (TIFF 6.0 allows that) and say nothing of the camera.

A colour filter mosaic is its own luma: demosaicing would smear single-pixel events.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import tifffile

from flashpan.limits import MAX_PIXELS, believable, why_not_believable
from flashpan.readers.luma import rec709
from flashpan.readers.picture import BadPicture, Picture, family, flatten, reason_of

_WHITE_IS_ZERO, _PALETTE = 0, 3
_MOST_SAMPLE_BYTES = 8  # red, green, blue and alpha of 16 bits
_MAX_SAMPLE_VALUE, _WHITE_LEVEL, _COLOR_MAP = 281, 50717, 320


def main_page(tiff: tifffile.TiffFile) -> tifffile.TiffPage:
    """Return the full-size picture of a still: in DNG the first page may be a thumbnail."""
    first = tiff.pages.first
    if not first.is_reduced:
        return first
    for page in first.pages or ():
        if isinstance(page, tifffile.TiffPage) and not page.is_reduced:
            return page
    return first


def page_picture(page: tifffile.TiffPage) -> Picture:
    """Decode one page.

    Raises
    ------
    BadPicture
        Cut short, damaged, or of a kind that is no picture of unsigned integers.
    """
    try:
        _refuse(page)
        return interpreted(page.asarray(), page, sum(page.databytecounts))
    except BadPicture:
        raise
    except Exception as error:  # decoders, and tags of a wrong type, raise whatever they please
        raise BadPicture(reason_of(error)) from error


def interpreted(pixels: npt.NDArray[Any], page: tifffile.TiffPage, n_bytes: int) -> Picture:
    """Make a picture of a page's samples, as the page's tags say."""
    if page.axes == "SYX":
        pixels = np.moveaxis(pixels, 0, -1)
    if pixels.dtype == bool:
        pixels = pixels.astype(np.uint8)
    pixels = pixels.astype(pixels.dtype.newbyteorder("="), copy=False)
    colour = family(pixels)
    if page.photometric == _PALETTE:
        luma, bit_depth = _through_palette(pixels, page)
        colour = "palette"
    else:
        luma, bit_depth = flatten(pixels), page_bit_depth(page)
    if page.photometric == _WHITE_IS_ZERO:
        luma = luma.dtype.type((1 << bit_depth) - 1) - luma
    return Picture(
        luma=luma,
        bit_depth=bit_depth,
        codec="tiff" if page.compression == 1 else f"tiff {_compression(page)}",
        pixel_format=f"{'cfa' if page.photometric == 32803 else colour}{bit_depth}",
        n_bytes=n_bytes,
    )


def page_bit_depth(page: tifffile.TiffPage) -> int:
    """Significant bits per sample, by the rule in this module's description."""
    bits = int(page.bitspersample)
    if bits != 16:
        return bits
    for code in (_WHITE_LEVEL, _MAX_SAMPLE_VALUE):
        tag = page.tags.get(code)
        if tag is None:
            continue
        white = int(np.max(tag.value))
        if 255 < white < 65535 and white & (white + 1) == 0:
            return white.bit_length()
    return 16


def _compression(page: tifffile.TiffPage) -> str:
    return tifffile.COMPRESSION(page.compression).name.lower()


def _refuse(page: tifffile.TiffPage) -> None:
    if not believable(page.imagelength, page.imagewidth):
        raise BadPicture(why_not_believable(page.imagelength, page.imagewidth))
    if page.imagedepth != 1:
        raise BadPicture(f"no picture: {page.imagewidth}x{page.imagelength}x{page.imagedepth}")
    if page.nbytes > _MOST_SAMPLE_BYTES * MAX_PIXELS.value:
        raise BadPicture(f"{page.samplesperpixel} samples a pixel")
    if page.dtype is None or page.dtype.kind not in "bu" or page.dtype.itemsize > 2:
        raise BadPicture(f"{page.dtype} samples; convert to 8- or 16-bit unsigned")
    if not page.dataoffsets or len(page.dataoffsets) != len(page.databytecounts):
        raise BadPicture("no pixel data")
    end = max(map(sum, zip(page.dataoffsets, page.databytecounts, strict=True)))
    # Missing segments would be filled with zeros: no picture is better than half of one.
    if end > page.parent.filehandle.size or not all(page.databytecounts):
        raise BadPicture("cut short")


def _through_palette(
    indices: npt.NDArray[Any], page: tifffile.TiffPage
) -> tuple[npt.NDArray[Any], int]:
    """Look up a palette's colours; eight bits where its 16-bit entries hold no more."""
    colours = np.asarray(page.tags[_COLOR_MAP].value, np.uint16).reshape(3, -1)
    high = colours >> 8
    if np.all((colours & 255 == 0) | (colours == high * 257)):
        return rec709(*high.astype(np.uint8))[indices], 8
    return rec709(*colours)[indices], 16
