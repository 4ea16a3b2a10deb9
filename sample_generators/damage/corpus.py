"""Tiny whole takes, one of every format that is read."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import imagecodecs
import numpy as np
import tifffile

from sample_generators.depth import pack_mono12p
from sample_generators.encode import Encoding, encode
from sample_generators.sensor import Pixels

ROWS, COLS, N_FRAMES, N_STILLS = 32, 48, 12, 4
_LARGER = (120, 256)  # rows and columns, for codecs that take no smaller pictures


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """One whole take, as bytes to be damaged.

    Attributes
    ----------
    format : str
        Name in `FORMATS`.
    family : str
        ``iso``, ``riff``, ``ebml``, ``tiff``, ``png``, … : how its bytes are laid out.
    name : str
        File that the bytes go to, or the still among ``others`` that they are.
    data : bytes
        The take, or one of its stills.
    others : dict
        Names and bytes of the take's other stills; empty for a take of one file.
    raw : str or None
        Geometry of headerless pixels.
    piped : bool
        Whether the bytes come in on standard input.
    """

    format: str
    family: str
    name: str
    data: bytes
    others: dict[str, bytes] = field(default_factory=dict)
    raw: str | None = None
    piped: bool = False


def pictures(
    bits: int = 8, rows: int = ROWS, cols: int = COLS, n_frames: int = N_FRAMES
) -> list[Pixels]:
    """Grey noise, and a square that lights up two thirds in; right-aligned."""
    draw = np.random.default_rng(bits)
    scale = 1 << (bits - 8)
    made = draw.normal(60 * scale, 3 * scale, (n_frames, rows, cols))
    made[2 * n_frames // 3, rows // 4 : rows // 2, cols // 4 : cols // 2] += 80 * scale
    whole = np.clip(np.rint(made), 0, (1 << bits) - 1)
    return list(whole.astype(np.uint8 if bits <= 8 else np.uint16))


def make_corpus(folder: Path, formats: tuple[str, ...] = ()) -> list[Specimen]:
    """Make one take of every format, or of those named.

    Parameters
    ----------
    folder : Path
        Where video files are written for a moment.
    formats : tuple of str
        Names in `FORMATS`; empty for all.
    """
    return [FORMATS[name](folder, name) for name in formats or FORMATS]


Maker = Callable[[Path, str], Specimen]


def _video(
    suffix: str,
    family: str,
    codec: str,
    pixels: str,
    container: str,
    *,
    bits: int = 8,
    larger: bool = False,
    options: dict[str, str] | None = None,
    **more: str,
) -> Maker:
    def made(folder: Path, name: str) -> Specimen:
        path = folder / f"{name}{suffix}"
        rows, cols = _LARGER if larger else (ROWS, COLS)
        how = Encoding(
            codec=codec,
            container=container,
            pixel_format=pixels,
            bit_depth=bits,
            options={**(options or {}), **more},
        )
        encode(pictures(bits, rows, cols), bits, path, how)
        return Specimen(format=name, family=family, name=path.name, data=path.read_bytes())

    return made


def _muxed(suffix: str, codec: str, pixels: str, movflags: str, *, turned: bool = False) -> Maker:
    """MP4 or MOV, muxed in another way than plainly."""

    def made(folder: Path, name: str) -> Specimen:
        path = folder / f"{name}{suffix}"
        with av.open(str(path), "w", options={"movflags": movflags}) as container:
            stream: Any = container.add_stream(codec, rate=Fraction(30000, 1001))
            stream.width, stream.height, stream.pix_fmt = COLS, ROWS, pixels
            stream.gop_size = 4
            if turned:
                stream.set_display_rotation(90)
            for t, luma in enumerate(pictures()):
                frame = av.VideoFrame.from_ndarray(luma, format="gray").reformat(format=pixels)
                frame.pts = t
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
        return Specimen(format=name, family="iso", name=path.name, data=path.read_bytes())

    return made


def _plain(suffix: str, family: str, write: Callable[[], bytes], **more: Any) -> Maker:
    def made(folder: Path, name: str) -> Specimen:
        return Specimen(format=name, family=family, name=f"{name}{suffix}", data=write(), **more)

    return made


def _still(suffix: str, family: str, write: Callable[[Pixels], bytes], bits: int = 8) -> Maker:
    def made(folder: Path, name: str) -> Specimen:
        stills = [write(picture) for picture in pictures(bits, n_frames=N_STILLS)]
        names = [f"{name}_{number:04d}{suffix}" for number in range(N_STILLS)]
        others = dict(zip(names, stills, strict=True))
        first = names[0]
        return Specimen(
            format=name, family=family, name=first, data=others.pop(first), others=others
        )

    return made


def _y4m(tag: str, bits: int = 8) -> bytes:
    return b"".join(_y4m_parts(tag, bits))


def _y4m_parts(tag: str, bits: int) -> Iterator[bytes]:
    yield f"YUV4MPEG2 W{COLS} H{ROWS} F30000:1001 Ip A1:1 C{tag}\n".encode()
    chroma = bytes(ROWS * COLS // 2) if tag.startswith("420") else b""
    for picture in pictures(bits):
        yield b"FRAME\n" + picture.tobytes() + chroma


def _npy(array: Pixels, *, fortran: bool = False) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, np.asfortranarray(array) if fortran else array)
    return buffer.getvalue()


def _tiff(array: Pixels, **how: Any) -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, array, **how)
    return buffer.getvalue()


def _pages(**how: Any) -> Callable[[], bytes]:
    def write() -> bytes:
        buffer = io.BytesIO()
        with tifffile.TiffWriter(buffer, bigtiff=how.pop("bigtiff", False)) as tiff:
            for picture in pictures(how.pop("bits", 8), n_frames=6):
                tiff.write(picture, photometric="minisblack", metadata=None, **how)
        return buffer.getvalue()

    return write


def _png(picture: Pixels) -> bytes:
    return bytes(imagecodecs.png_encode(picture))


def _jpeg(picture: Pixels) -> bytes:
    return bytes(imagecodecs.jpeg8_encode(picture))


def _opencv(suffix: str) -> Callable[[Pixels], bytes]:
    return lambda picture: cv2.imencode(suffix, picture)[1].tobytes()


def _dpx(picture: Pixels) -> bytes:
    frame = av.VideoFrame.from_ndarray(np.dstack([picture] * 3), format="rgb24")
    encoder: Any = av.CodecContext.create("dpx", "w")
    encoder.width, encoder.height, encoder.pix_fmt = COLS, ROWS, "gbrp10le"
    encoder.time_base = Fraction(1, 25)
    packets = [*encoder.encode(frame.reformat(format="gbrp10le")), *encoder.encode(None)]
    return b"".join(map(bytes, packets))


def _dng(picture: Pixels) -> bytes:
    """A colour filter mosaic with a small first picture, as cameras write them."""
    levels = [(50706, "B", 4, b"\x01\x04\x00\x00", True), (50717, "H", 1, 4095, True)]
    return _tiff(picture, photometric=32803, extratags=levels, metadata=None)


_X265 = {"x265-params": "log-level=none:pools=none:frame-threads=1"}

FORMATS: dict[str, Maker] = {
    "mp4-h264": _video(".mp4", "iso", "libx264", "yuv420p", "mp4", g="5", bf="2"),
    "mp4-fragments": _muxed(".mp4", "libx264", "yuv420p", "frag_keyframe+empty_moov"),
    "mp4-hevc": _video(
        ".mp4",
        "iso",
        "libx265",
        "yuv420p10le",
        "mp4",
        bits=10,
        larger=True,
        options=_X265,
    ),
    "mp4-mpeg4": _video(".mp4", "iso", "mpeg4", "yuv420p", "mp4", bf="1"),
    "mov-mjpeg-turned": _muxed(".mov", "mjpeg", "yuvj420p", "faststart", turned=True),
    "mov-prores": _video(".mov", "iso", "prores_ks", "yuv422p10le", "mov", bits=10),
    "mov-dnxhr": _video(".mov", "iso", "dnxhd", "yuv422p", "mov", larger=True, profile="dnxhr_hq"),
    "mov-jpeg2000": _video(".mj2", "iso", "jpeg2000", "gray", "mov"),
    "mov-qtrle": _video(".mov", "iso", "qtrle", "gray", "mov"),
    "mov-raw": _video(".mov", "iso", "rawvideo", "gray", "mov"),
    "mov-v210": _video(".mov", "iso", "v210", "yuv422p10le", "mov", bits=10),
    "avi-mjpeg": _video(".avi", "riff", "mjpeg", "yuvj420p", "avi"),
    "avi-raw": _video(".avi", "riff", "rawvideo", "gray", "avi"),
    "avi-huffyuv": _video(".avi", "riff", "huffyuv", "yuv422p", "avi"),
    "avi-utvideo": _video(".avi", "riff", "utvideo", "yuv420p", "avi"),
    "avi-magicyuv": _video(".avi", "riff", "magicyuv", "gray", "avi"),
    "avi-h264": _video(".avi", "riff", "libx264", "yuv420p", "avi", g="5", bf="0"),
    "mkv-ffv1": _video(
        ".mkv", "ebml", "ffv1", "gray12le", "matroska", bits=12, level="3", g="1", slicecrc="1"
    ),
    "mkv-h264": _video(".mkv", "ebml", "libx264", "yuv420p", "matroska", g="5"),
    "webm-vp9": _video(".webm", "ebml", "libvpx-vp9", "yuv420p", "webm", deadline="realtime"),
    "ivf-vp8": _video(".ivf", "plain", "libvpx", "yuv420p", "ivf", deadline="realtime"),
    "ivf-av1": _video(".ivf", "plain", "libsvtav1", "yuv420p", "ivf", larger=True, preset="12"),
    "nut-ffv1": _video(".nut", "plain", "ffv1", "gray", "nut", g="1"),
    "mxf-dnxhr": _video(
        ".mxf", "plain", "dnxhd", "yuv422p", "mxf", larger=True, profile="dnxhr_hq"
    ),
    "ts-h264": _video(".ts", "plain", "libx264", "yuv420p", "mpegts", g="5"),
    "ps-mpeg2": _video(".mpg", "annexb", "mpeg2video", "yuv420p", "mpeg"),
    "gif": _video(".gif", "plain", "gif", "gray", "gif"),
    "flv-h264": _video(".flv", "plain", "libx264", "yuv420p", "flv", g="5"),
    "wmv": _video(".wmv", "plain", "wmv2", "yuv420p", "asf"),
    "annexb-h264": _video(".264", "annexb", "libx264", "yuv420p", "h264", g="5"),
    "annexb-hevc": _video(
        ".265",
        "annexb",
        "libx265",
        "yuv420p",
        "hevc",
        larger=True,
        options=_X265,
    ),
    "mjpeg": _video(".mjpeg", "jpeg", "mjpeg", "yuvj420p", "mjpeg"),
    "y4m-420": _plain(".y4m", "text", lambda: _y4m("420jpeg")),
    "y4m-mono12": _plain(".y4m", "text", lambda: _y4m("mono12", 12)),
    "pipe-y4m": _plain(".y4m", "text", lambda: _y4m("mono"), piped=True),
    "raw-mono8": _plain(
        ".raw", "bytes", lambda: np.stack(pictures()).tobytes(), raw=f"{COLS}x{ROWS}:Mono8"
    ),
    "raw-mono12p": _plain(
        ".raw",
        "bytes",
        lambda: b"".join(pack_mono12p(p).tobytes() for p in pictures(12)),
        raw=f"{COLS}x{ROWS}:Mono12p",
    ),
    "raw-mono16": _plain(
        ".raw",
        "bytes",
        lambda: b"head" + np.stack(pictures(16)).tobytes(),
        raw=f"{COLS}x{ROWS}:Mono16+4",
    ),
    "pipe-raw": _plain(
        ".raw",
        "bytes",
        lambda: np.stack(pictures()).tobytes(),
        raw=f"{COLS}x{ROWS}:Mono8",
        piped=True,
    ),
    "npy": _plain(".npy", "text", lambda: _npy(np.stack(pictures(16)))),
    "npy-fortran": _plain(".npy", "text", lambda: _npy(np.stack(pictures()), fortran=True)),
    "npy-rgb": _plain(".npy", "text", lambda: _npy(np.stack([np.stack(pictures())] * 3, -1))),
    "pages": _plain(".tif", "tiff", _pages()),
    "pages-big": _plain(".tif", "tiff", _pages(bigtiff=True, bits=16)),
    "pages-lzw": _plain(".tif", "tiff", _pages(compression="lzw", predictor=True)),
    "pages-imagej": _plain(
        ".tif", "tiff", lambda: _tiff(np.stack(pictures(16, n_frames=6)), imagej=True)
    ),
    "pages-shaped": _plain(".tif", "tiff", lambda: _tiff(np.stack(pictures(n_frames=6)))),
    "stills-png8": _still(".png", "png", _png),
    "stills-png16": _still(".png", "png", _png, 16),
    "stills-tiff": _still(".tif", "tiff", lambda p: _tiff(p, metadata=None), 16),
    "stills-deflate": _still(
        ".tif", "tiff", lambda p: _tiff(p, metadata=None, compression="deflate", tile=(16, 16)), 16
    ),
    "stills-jpeg": _still(".jpg", "jpeg", _jpeg),
    "stills-jpeg-colour": _still(".jpg", "jpeg", lambda p: _jpeg(np.dstack([p] * 3))),
    "stills-dpx": _still(".dpx", "plain", _dpx),
    "stills-dng": _still(".dng", "tiff", _dng, 12),
    "stills-bmp": _still(".bmp", "plain", _opencv(".bmp")),
    "stills-pgm": _still(".pgm", "text", _opencv(".pgm"), 16),
    "stills-ppm": _still(".ppm", "text", lambda p: _opencv(".ppm")(np.dstack([p] * 3))),
}
"""What makes a take of each format."""
