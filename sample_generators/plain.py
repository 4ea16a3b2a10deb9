"""Takes into files without a codec: headerless pixels, NumPy stacks, stills, Y4M."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import tifffile

from sample_generators.depth import at_depth, pack_mono12p
from sample_generators.sensor import Pixels
from sample_generators.settings import PLAYBACK_RATE


def write_raw(frames: Iterable[Pixels], have_bits: int, path: Path, layout: str) -> None:
    """Write headerless pixels; ``layout`` is Mono8, Mono12p or Mono16 (little endian)."""
    with path.open("wb") as file:
        for pixels in frames:
            if layout == "Mono12p":
                file.write(pack_mono12p(at_depth(pixels, have_bits, 12)).tobytes())
            elif layout == "Mono8":
                file.write(at_depth(pixels, have_bits, 8).tobytes())
            else:
                # Right-aligned at the take's own depth.
                file.write(pixels.astype("<u2").tobytes())


def write_npy(frames: Iterable[Pixels], n_frames: int, path: Path) -> None:
    """Write one NumPy array, shape (frames, rows, cols), frame by frame."""
    with path.open("wb") as file:
        for t, pixels in enumerate(frames):
            if t == 0:
                header = {
                    "descr": np.lib.format.dtype_to_descr(pixels.dtype.newbyteorder("<")),
                    "fortran_order": False,
                    "shape": (n_frames, *pixels.shape),
                }
                np.lib.format.write_array_header_1_0(file, header)
            file.write(pixels.astype(pixels.dtype.newbyteorder("<"), copy=False).tobytes())


def write_stills(frames: Iterable[Pixels], folder: Path) -> None:
    """Write one TIFF per frame, ``frame_000000.tif`` on."""
    folder.mkdir(parents=True)
    for t, pixels in enumerate(frames):
        tifffile.imwrite(folder / f"frame_{t:06d}.tif", pixels, photometric="minisblack")


def write_y4m(frames: Iterable[Pixels], bit_depth: int, path: Path) -> None:
    """Write grey YUV4MPEG2 at full range, the depth in the colour-space tag as FFmpeg does."""
    tag = "mono" if bit_depth == 8 else f"mono{bit_depth}"
    rate = f"{PLAYBACK_RATE.numerator}:{PLAYBACK_RATE.denominator}"
    with path.open("wb") as file:
        for t, pixels in enumerate(frames):
            if t == 0:
                rows, cols = pixels.shape
                line = f"YUV4MPEG2 W{cols} H{rows} F{rate} Ip A1:1 C{tag} XCOLORRANGE=FULL\n"
                file.write(line.encode("ascii"))
            file.write(b"FRAME\n")
            file.write(pixels.astype(pixels.dtype.newbyteorder("<"), copy=False).tobytes())
