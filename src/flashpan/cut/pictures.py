"""A range as numbered pictures: TIFF, PNG or DPX.

Code values are taken to more bits by repeating them: the high bits follow below the low ones
until the word is full (left bit replication; PNG, third edition, 12.4).  Black stays black
and white stays white, and shifting right by ``bits - bit_depth`` gives back every code value
exactly.  Values are never taken to fewer bits: that would lose some, and is refused.

DPX (SMPTE ST 268-1) always has three channels, equal ones for a grey take, since grading
tools are made for that (common practice, no source).

Files are encoded in memory and written by Python, so that a full disk is always noticed.
"""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import numpy.typing as npt
import tifffile

from flashpan.atomic import new_folder
from flashpan.cut.dpx import decode_dpx, dpx_bytes, encode_dpx
from flashpan.cut.names import frame_name
from flashpan.cut.native import NativePicture
from flashpan.cut.space import Need
from flashpan.errors import TakeError, UsageError
from flashpan.model import TakeInfo
from flashpan.units import format_rate

Pixels = npt.NDArray[Any]


class PictureForm(StrEnum):
    """File format and bits of every sample.

    Attributes
    ----------
    TIFF16
        Baseline TIFF 6.0, uncompressed.
    LUMA16
        The same; of a YUV take its luma as coded, in which a grey scene is whole.
    PNG8, PNG16
        With the take's bit depth in ``sBIT``.
    DPX10, DPX12, DPX16
        Big-endian, RGB; 10 and 12 bits filled by method A.
    """

    TIFF16 = "tiff16"
    LUMA16 = "luma16"
    PNG8 = "png8"
    PNG16 = "png16"
    DPX10 = "dpx10"
    DPX12 = "dpx12"
    DPX16 = "dpx16"

    @property
    def bits(self) -> int:
        """Bits of a sample."""
        return int(self.lstrip("abcdefghijklmnopqrstuvwxyz"))

    @property
    def luma_only(self) -> bool:
        """Whether the colours of a YUV take stay out, which could only be computed."""
        return self is PictureForm.LUMA16

    @property
    def suffix(self) -> str:
        """File name ending."""
        return {"t": ".tif", "l": ".tif", "p": ".png", "d": ".dpx"}[self[0]]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPictures:
    """Pictures that were written.

    Attributes
    ----------
    paths : tuple of Path
        One file for each frame, in order.
    frames : tuple of int
        Their numbers in the take.
    bit_depth : int
        Of the code values that went in.
    hashes : tuple of str
        SHA-256 of each frame's code values (`hash_of`).
    is_native : bool
        False where the code values were computed from YUV: the pictures then are no exact
        copy of the take.
    """

    paths: tuple[Path, ...]
    frames: tuple[int, ...]
    bit_depth: int
    hashes: tuple[str, ...]
    is_native: bool


def require_room_for_bits(form: PictureForm, bit_depth: int, path: str) -> None:
    """Refuse a form that has fewer bits than the take.

    Raises
    ------
    UsageError
        One line with the forms that have enough.
    """
    if bit_depth > form.bits:
        wide = [other for other in PictureForm if other.bits >= bit_depth]
        enough = [str(other) for other in wide if not other.luma_only]
        raise UsageError(
            f"{path}: {form} would lose {bit_depth - form.bits} of {bit_depth} bits;"
            f" give {', '.join(enough[:-1])} or {enough[-1]}"
        )


def store_pictures(
    pictures: Iterable[NativePicture],
    target: Path,
    stem: str,
    form: PictureForm,
    take: TakeInfo,
    n_pictures: int,
    *,
    overwrite: bool = False,
    verify: bool = True,
    describe: Callable[[Path, StoredPictures], object] | None = None,
) -> StoredPictures:
    """Write a range into a folder that gets its name when it is whole and proved.

    Parameters
    ----------
    target : Path
        The folder to be.
    overwrite : bool
        Replace a folder that is there.
    verify : bool
        Read every file again and hold its code values against those that went in.
    describe : callable, optional
        Called with the folder under its temporary name when it is proved.
    pictures, stem, form, take, n_pictures
        As for `write_pictures`.

    Returns
    -------
    StoredPictures
        Fewer than ``n_pictures`` where frames of the take do not decode.

    Raises
    ------
    TakeError
        The folder is there already or cannot be written; or what was written differs: it is
        then kept as ``<target>.differs``.
    UsageError
        ``form`` has fewer bits than the pictures.
    """
    with new_folder(target, overwrite=overwrite) as part:
        stored = write_pictures(pictures, part, stem, form, take, n_pictures)
        odd = differing(stored, form) if verify else []
        if odd:
            kept = _free_name(target.with_name(f"{target.name}.differs"))
            part.rename(kept)
            raise TakeError(
                f"{take.path}: {len(odd)} of {len(stored.frames)} pictures in {kept} differ from"
                f" it, the first is frame {odd[0]}; write them again"
            )
        if describe is not None:
            describe(part, stored)
    return replace(stored, paths=tuple(target / path.name for path in stored.paths))


def _free_name(path: Path) -> Path:
    number, free = 1, path
    while free.exists():
        number += 1
        free = path.with_name(f"{path.name}-{number}")
    return free


def write_pictures(
    pictures: Iterable[NativePicture],
    folder: Path,
    stem: str,
    form: PictureForm,
    take: TakeInfo,
    n_pictures: int,
) -> StoredPictures:
    """Write each picture to a file of its own, numbered by its frame in the take.

    Parameters
    ----------
    pictures : iterable of NativePicture
        In order; used one at a time.
    folder : Path
        Where to; there already, and empty.  Give the one of `flashpan.atomic.new_folder`.
    stem : str
        What comes before the number.
    form : PictureForm
        Format and bits.
    take : TakeInfo
        For what the headers say.
    n_pictures : int
        How many there will be, for the headers.

    Raises
    ------
    UsageError
        ``form`` has fewer bits than the pictures.
    OSError
        The disk, as it says itself.
    """
    paths, frames, hashes, depth, native = [], [], [], take.bit_depth, True
    for place, given in enumerate(pictures):
        picture = _fitted(given, form, take)
        name = frame_name(stem, picture.index, form.suffix, take.n_frames)
        data = encode_picture(picture, form, take, (place, n_pictures))
        paths.append(folder / name)
        paths[-1].write_bytes(data)
        frames.append(picture.index)
        hashes.append(hash_of(picture.pixels))
        depth, native = picture.bit_depth, picture.is_native
    return StoredPictures(
        paths=tuple(paths),
        frames=tuple(frames),
        bit_depth=depth,
        hashes=tuple(hashes),
        is_native=native,
    )


def differing(stored: StoredPictures, form: PictureForm) -> list[int]:
    """Frames whose files, read again, do not give back the code values that went in."""
    return [
        frame
        for path, frame, wanted in zip(stored.paths, stored.frames, stored.hashes, strict=True)
        if _hash_again(path, form, stored.bit_depth) != wanted
    ]


def _fitted(picture: NativePicture, form: PictureForm, take: TakeInfo) -> NativePicture:
    """A picture that goes into the form: computed values rounded to its bits, native ones kept.

    Computed ones have 16 bits whatever the take's are; where the take's own do not go in,
    they are refused as well.
    """
    if picture.is_native:
        require_room_for_bits(form, picture.bit_depth, take.path)
        return picture
    require_room_for_bits(form, take.bit_depth, take.path)
    top = (1 << form.bits) - 1
    rounded = (picture.pixels.astype(np.uint32) * top + 32767) // 65535
    pixels = rounded.astype(np.uint8 if form.bits <= 8 else np.uint16)
    return replace(picture, pixels=pixels, bit_depth=form.bits, white=top)


def hash_of(pixels: Pixels) -> str:
    """SHA-256 of code values: shape, then rows from the top, little-endian.

    A picture of three equal channels has the hash of the grey one, since DPX stores grey so.
    """
    grey = pixels if pixels.ndim == 2 else _grey_if_equal(pixels)
    words = np.ascontiguousarray(grey, grey.dtype.newbyteorder("<"))
    return hashlib.sha256(repr(words.shape).encode() + words.tobytes()).hexdigest()


def replicated(codes: Pixels, bit_depth: int, bits: int) -> Pixels:
    """Take code values to more bits by repeating them.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16
        Right-aligned, 0 … 2**bit_depth - 1.
    bit_depth, bits : int
        Before and after; ``bit_depth <= bits <= 16``.

    Returns
    -------
    ndarray, uint8 where ``bits`` is 8 or less, else uint16
        Right-aligned; `recovered` undoes it.
    """
    wide = codes.astype(np.uint32)
    out = np.zeros_like(wide)
    shift = bits - bit_depth
    while shift > -bit_depth:
        out |= wide << shift if shift >= 0 else wide >> -shift
        shift -= bit_depth
    return out.astype(np.uint8 if bits <= 8 else np.uint16)


def recovered(words: Pixels, bit_depth: int, bits: int) -> Pixels:
    """The code values that `replicated` began with."""
    return (words >> (bits - bit_depth)).astype(np.uint8 if bit_depth <= 8 else np.uint16)


def encode_picture(
    picture: NativePicture, form: PictureForm, take: TakeInfo, place: tuple[int, int] = (0, 1)
) -> bytes:
    """One picture as the bytes of a file.

    Parameters
    ----------
    picture : NativePicture
        Of no more bits than ``form``.
    form : PictureForm
        Format and bits.
    take : TakeInfo
        For what the headers say.
    place : tuple of int
        Its place in the sequence, from 0, and how many there are.
    """
    words = replicated(picture.pixels, picture.bit_depth, form.bits)
    text = _about(picture, form, take)
    if form.suffix == ".tif":
        return _tiff(words, text)
    if form.suffix == ".png":
        return _png(words, picture.bit_depth, text)
    rgb = words if words.ndim == 3 else np.dstack([words] * 3)
    return encode_dpx(
        rgb, form.bits, picture.bit_depth, picture.index, take, place, picture.timecode
    )


def pictures_need(n_frames: int, shape: tuple[int, int], channels: int, form: PictureForm) -> Need:
    """Bytes that pictures take at most; exact for TIFF and DPX but for some of the header."""
    rows, cols = shape
    if form.suffix == ".dpx":
        n_bytes = dpx_bytes(rows, cols, form.bits)
    else:
        raw = rows * cols * channels * form.bits // 8
        n_bytes = raw + raw // 1000 + rows + 4096  # deflate's own frame, filter types, header
    return Need(n_frames * n_bytes, n_frames, "the size of a picture")


def _about(picture: NativePicture, form: PictureForm, take: TakeInfo) -> str:
    """What a file says of itself, in plain text (ASCII, as TIFF wants it)."""
    depth = picture.bit_depth
    values = f"{depth}-bit values" if picture.is_native else "RGB values computed from YUV"
    shift = form.bits - depth
    how = f"{values}, repeated to {form.bits} bits: shift right by {shift}" if shift else values
    if (picture.black, picture.white) != (0, (1 << depth) - 1):
        how += f"; black is {picture.black}, white {picture.white}"
    rates = [f"{format_rate(take.playback_rate)} frames/s as watched"]
    if take.capture_rate is not None:
        rates.insert(0, f"{format_rate(take.capture_rate)} frames/s as shot")
    name = take.name.encode("ascii", "replace").decode()
    code = f" ({picture.timecode})" if picture.timecode else ""
    return f"{name} frame {picture.index}{code}; {', '.join(rates)}; {how}"


def _tiff(words: Pixels, text: str) -> bytes:
    file = io.BytesIO()
    tifffile.imwrite(
        file,
        words,
        photometric="rgb" if words.ndim == 3 else "minisblack",
        description=text,
        software="flashpan",
        metadata=None,
    )
    return file.getvalue()


def _png(words: Pixels, bit_depth: int, text: str) -> bytes:
    """PNG with ``sBIT`` (11.3.2.7) and a ``Description`` (11.3.3.2) behind the header."""
    data = bytes(imagecodecs.png_encode(words, level=4))
    end = 8 + 12 + 13
    significant = bytes([bit_depth] * (3 if words.ndim == 3 else 1))
    said = b"Description\0" + text.encode("latin-1", "replace")
    return data[:end] + _chunk(b"sBIT", significant) + _chunk(b"tEXt", said) + data[end:]


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _grey_if_equal(pixels: Pixels) -> Pixels:
    red, green, blue = (pixels[..., channel] for channel in range(3))
    equal = np.array_equal(red, green) and np.array_equal(red, blue)
    return red if equal else pixels


def _hash_again(path: Path, form: PictureForm, bit_depth: int) -> str | None:
    """Hash of the code values in a file; None where it cannot be read.

    The repeated low bits carry nothing, but are as they should be, or the file is damaged.
    """
    try:
        words = _DECODERS[form.suffix](path.read_bytes())
        if words is None:
            return None
        codes = recovered(words, bit_depth, form.bits)
        whole = np.array_equal(replicated(codes, bit_depth, form.bits), words)
        return hash_of(codes) if whole else None
    except Exception:  # decoders raise whatever they please, and all of it means: not whole
        return None


def _read_tiff(data: bytes) -> Pixels:
    return np.asarray(tifffile.imread(io.BytesIO(data)))


def _read_png(data: bytes) -> Pixels:
    return np.asarray(imagecodecs.png_decode(data))


_DECODERS: dict[str, Callable[[bytes], Pixels | None]] = {
    ".tif": _read_tiff,
    ".png": _read_png,
    ".dpx": decode_dpx,
}
