"""Takes made of arrays, so that a test says in one line what happens in its pictures."""

from fractions import Fraction

import numpy as np

from flashpan.grid import lay_grid
from flashpan.measure import Measurer
from flashpan.model import Frame, TakeInfo
from flashpan.readers.base import Reader


class ArrayReader(Reader):
    """A take of pictures in memory, shape (frames, rows, cols), or of a stream of pictures."""

    name = "array"

    def __init__(self, pictures, *, shape=None, bit_depth=None, capture_rate=None, **known):
        self._pictures = pictures
        if isinstance(pictures, np.ndarray):
            shape = pictures.shape[1:]
            bit_depth = bit_depth or 8 * pictures.itemsize
        self.info = TakeInfo(
            path="array",
            name="array",
            shape=shape,
            bit_depth=bit_depth or 8,
            n_frames=len(pictures) if isinstance(pictures, np.ndarray) else None,
            capture_rate=None if capture_rate is None else Fraction(capture_rate),
            **known,
        )

    @classmethod
    def accepts(cls, source):
        return False

    def frames(self):
        for index, picture in enumerate(self._pictures):
            self.bytes_read += picture.nbytes
            yield Frame(index=index, luma=picture)

    def close(self):
        pass


def digitised(luma, bit_depth=8):
    """Round to whole levels of a full-range picture."""
    dtype = np.uint8 if bit_depth <= 8 else np.uint16
    return np.clip(np.rint(luma), 0, (1 << bit_depth) - 1).astype(dtype)


def grey_noise(n_frames, shape=(24, 32), *, level=40.0, sigma=2.0, seed=0, lift=None):
    """8-bit grey noise; ``lift``, shape (frames,) or (frames, rows, cols), is added to it.

    Returns
    -------
    ndarray, shape (n_frames, rows, cols), uint8
    """
    luma = np.random.default_rng(seed).normal(level, sigma, (n_frames, *shape))
    if lift is not None:
        lift = np.asarray(lift, float)
        luma += lift[:, None, None] if lift.ndim == 1 else lift
    return digitised(luma)


def measured(reader, regions=(), ignore=()):
    """Tiles of every frame of a take, and the grid they lie on."""
    grid = lay_grid(reader.info.shape, regions, ignore)
    measurer = Measurer(reader.info, grid)
    return grid, [measurer.measure(frame) for frame in reader.frames()]
