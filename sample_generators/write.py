"""Takes into files, each with its truth beside it (``<take>.truth.json``).

Nothing appears under its final name until it is whole.
"""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from sample_generators.encode import Encoding, encode
from sample_generators.errors import SampleError
from sample_generators.plain import write_npy, write_raw, write_stills, write_y4m
from sample_generators.take import Take

FORMATS = {
    "ffv1": "lossless FFV1 in Matroska, gray 8, 10, 12 or 16 bits, every frame a keyframe",
    "h264": "H.264 in MP4, 8 bits, video range",
    "hevc": "HEVC in MP4, 10 bits, video range",
    "mpeg4": "MPEG-4 Part 2 in MP4, 8 bits, video range",
    "mjpeg": "Motion JPEG in AVI, 8 bits, full range",
    "prores": "ProRes 422 HQ in MOV, 10 bits, video range",
    "dnxhr": "DNxHR HQ (8 bits) or HQX (10 bits) in MOV, video range",
    "mono8": "headerless pixels, a byte each",
    "mono12p": "headerless pixels, 12 bits packed",
    "mono16": "headerless pixels, two bytes each, right-aligned",
    "npy": "one NumPy array (frames, rows, cols)",
    "tiff": "a folder of TIFF stills",
    "y4m": "uncompressed YUV4MPEG2, gray",
}
BY_SUFFIX = {
    ".mkv": "ffv1",
    ".mp4": "h264",
    ".avi": "mjpeg",
    ".mov": "prores",
    ".npy": "npy",
    ".y4m": "y4m",
    "": "tiff",
}
LAYOUTS = {"mono8": "Mono8", "mono12p": "Mono12p", "mono16": "Mono16"}
SUFFIXES = {
    "ffv1": ".mkv",
    "h264": ".mp4",
    "hevc": ".mp4",
    "mpeg4": ".mp4",
    "mjpeg": ".avi",
    "prores": ".mov",
    "dnxhr": ".mov",
    "mono8": ".raw",
    "mono12p": ".raw",
    "mono16": ".raw",
    "npy": ".npy",
    "tiff": "",
    "y4m": ".y4m",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """How much a lossy codec may lose.

    ``crf`` is the rate factor of H.264 and HEVC (0 loses nothing but rounding), ``gop``
    the greatest distance between keyframes, ``quantiser`` that of Motion JPEG and MPEG-4 (2
    is fine, 31 coarse), ``b_frames`` how many may stand between two others; None leaves that
    to the encoder.
    """

    crf: int = 18
    gop: int = 30
    quantiser: int = 3
    b_frames: int | None = None


def find_format(path: Path, bit_depth: int) -> str:
    """Return the format that a file name implies.

    Raises
    ------
    SampleError
        The suffix says nothing; the message lists those that do.
    """
    suffix = path.suffix.lower()
    if suffix == ".raw":
        return {8: "mono8", 12: "mono12p"}.get(bit_depth, "mono16")
    if suffix not in BY_SUFFIX:
        known = ", ".join(sorted(filter(None, [*BY_SUFFIX, ".raw"])))
        raise SampleError(f"{path}: cannot tell the format from {suffix!r}; use one of {known}")
    return BY_SUFFIX[suffix]


def _encoding(name: str, bit_depth: int, quality: Quality) -> Encoding:
    gray = "gray" if bit_depth == 8 else f"gray{bit_depth}le"
    between = {} if quality.b_frames is None else {"bf": str(quality.b_frames)}
    lossy = {"crf": str(quality.crf), "g": str(quality.gop), "preset": "veryfast", **between}
    if name == "ffv1":
        intra = {"level": "3", "g": "1", "slices": "4", "slicecrc": "1"}
        return Encoding(
            codec="ffv1",
            container="matroska",
            pixel_format=gray,
            bit_depth=bit_depth,
            options=intra,
        )
    if name == "h264":
        return Encoding(
            codec="libx264",
            container="mp4",
            pixel_format="yuv420p",
            bit_depth=8,
            full_range=False,
            options=lossy,
        )
    if name == "hevc":
        quiet = lossy | {"x265-params": "log-level=error:pools=none:frame-threads=1"}
        return Encoding(
            codec="libx265",
            container="mp4",
            pixel_format="yuv420p10le",
            bit_depth=10,
            full_range=False,
            options=quiet,
        )
    return _fixed_encoding(name, bit_depth, quality)


def _fixed_encoding(name: str, bit_depth: int, quality: Quality) -> Encoding:
    """Return how a codec is used whose quantiser is fixed."""
    steps = {"qmin": str(quality.quantiser), "qmax": str(quality.quantiser)}
    if name == "mpeg4":
        return Encoding(
            codec="mpeg4",
            container="mp4",
            pixel_format="yuv420p",
            bit_depth=8,
            full_range=False,
            options=steps | {"g": str(quality.gop), "bf": str(quality.b_frames or 0)},
        )
    if name == "mjpeg":
        return Encoding(
            codec="mjpeg", container="avi", pixel_format="yuvj420p", bit_depth=8, options=steps
        )
    if name == "prores":
        return Encoding(
            codec="prores_ks",
            container="mov",
            pixel_format="yuv422p10le",
            bit_depth=10,
            full_range=False,
            options={"profile": "hq"},
        )
    bits = 8 if bit_depth == 8 else 10
    return Encoding(
        codec="dnxhd",
        container="mov",
        pixel_format="yuv422p" if bits == 8 else "yuv422p10le",
        bit_depth=bits,
        full_range=False,
        options={"profile": "dnxhr_hq" if bits == 8 else "dnxhr_hqx"},
        least=(256, 120),
    )


def _write_as(take: Take, name: str, part: Path, quality: Quality) -> None:
    if name in LAYOUTS:
        write_raw(take, take.bit_depth, part, LAYOUTS[name])
    elif name == "npy":
        write_npy(take, len(take), part)
    elif name == "tiff":
        write_stills(take, part)
    elif name == "y4m":
        write_y4m(take, take.bit_depth, part)
    else:
        encode(take, take.bit_depth, part, _encoding(name, take.bit_depth, quality))


def _discard(part: Path) -> None:
    if part.is_dir():
        shutil.rmtree(part)
    else:
        part.unlink(missing_ok=True)


def truth_path(path: Path) -> Path:
    """Return where a take's truth is written: ``<take>.truth.json`` beside it."""
    return path.with_name(f"{path.stem}.truth.json")


def write_take(
    take: Take, path: str | Path, *, form: str | None = None, quality: Quality | None = None
) -> Path:
    """Write a take and, beside it, its truth.

    Parameters
    ----------
    take : Take
        What to write; its frames are drawn one by one.
    path : str or Path
        A new file, or a new folder for stills.
    form : str, optional
        A name from `FORMATS`; by default the suffix tells.
    quality : Quality, optional
        For lossy codecs.

    Returns
    -------
    Path
        The truth file.

    Raises
    ------
    SampleError
        Unknown format, a size that the codec refuses, or something is there already.
    """
    path = Path(path)
    name = form or find_format(path, take.bit_depth)
    if name not in FORMATS:
        raise SampleError(f"no format called {name!r}; there are: {', '.join(FORMATS)}")
    if path.exists():
        raise SampleError(f"{path}: is there already; remove it or give another name")
    if not path.parent.is_dir():
        raise SampleError(f"{path.parent}: no such folder; make it first")
    part = path.with_name(f".{path.name}.part")
    _discard(part)
    try:
        _write_as(take, name, part, quality or Quality())
        os.replace(part, path)
    finally:
        _discard(part)
    take.truth.write(truth_path(path))
    return truth_path(path)
