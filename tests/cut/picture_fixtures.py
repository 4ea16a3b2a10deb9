"""Pictures to be written, and another way of reading what was."""

import shutil
import struct

import cv2
import numpy as np
import pytest
from still_fixtures import noise

from flashpan.cut.native import NativePicture

needs_ffmpeg = pytest.mark.skipif(not shutil.which("ffmpeg"), reason="no ffmpeg command")


def a_picture(pixels, bits=None, index=5100, **more):
    depth = bits or 8 * pixels.itemsize
    facts = {"index": index, "pixels": pixels, "bit_depth": depth, "black": 0}
    return NativePicture(**facts, white=(1 << depth) - 1, **more)


def some(bits, channels=1, n=3, shape=(13, 17)):
    """Noise that uses every bit, from frame 5100 on; an odd size."""
    full = shape if channels == 1 else (*shape, channels)
    return [a_picture(noise(*full, bits=bits, seed=k), bits, 5100 + k) for k in range(n)]


def clip(n=8, shape=(48, 64), bits=8, first=5100):
    """A bright square that wanders over a ramp."""
    for k in range(n):
        y, x = np.mgrid[: shape[0], : shape[1]]
        picture = 0.2 + 0.3 * (x + y) / sum(shape)
        picture[8:24, 4 * k : 4 * k + 12] = 0.9
        codes = np.rint(picture * ((1 << bits) - 1)).astype(np.uint8 if bits == 8 else np.uint16)
        yield a_picture(codes, bits, first + k)


def read_by_another(path, form):
    """OpenCV for TIFF and PNG; for DPX our own reading of the standard's packing."""
    if form.suffix == ".dpx":
        return read_dpx(path.read_bytes())
    words = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    return words[..., ::-1] if words.ndim == 3 else words


def read_dpx(data):
    """RGB pixels by SMPTE ST 268-1 (fields and packing from memory), shape (rows, cols, 3)."""
    magic, offset = struct.unpack_from(">4sI", data)
    assert magic == b"SDPX"
    cols, rows = struct.unpack_from(">II", data, 772)
    descriptor, bits = data[800], data[803]
    packing, _, pixels_at = struct.unpack_from(">HHI", data, 804)
    assert (descriptor, pixels_at) == (50, offset)
    if bits == 10:  # method A: red, green, blue from the top of each word, two bits unused
        assert packing == 1
        words = np.frombuffer(data, ">u4", rows * cols, offset).reshape(rows, cols, 1)
        return (words >> np.array([22, 12, 2])) & 1023
    line_bytes = -(-6 * cols // 4) * 4
    lines = np.frombuffer(data, np.uint8, rows * line_bytes, offset).reshape(rows, line_bytes)
    samples = np.ascontiguousarray(lines[:, : 6 * cols]).view(">u2").reshape(rows, cols, 3)
    return samples >> 4 if bits == 12 else samples
