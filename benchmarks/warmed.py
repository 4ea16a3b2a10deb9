"""Imported once by the process that tried commands are forked from, see `faultlab.begun`.

A search loads what Numba compiled, which takes longer than all else that a tiny take asks for.
Here it is done before anything is forked, so that every command finds it in memory.
"""

from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np

import flashpan

cv2.setNumThreads(1)  # threads do not survive a fork

with TemporaryDirectory() as folder:
    take = Path(folder, "warm.npy")
    shots = np.random.default_rng(1).normal(40, 2, (60, 24, 32)).clip(0, 255)
    shots[40:44, 8:16, 8:16] += 80
    np.save(take, shots.astype(np.uint8))
    flashpan.find(take)
