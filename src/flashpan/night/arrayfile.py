"""Named arrays in one file, on their way from one process to another.

A line of JSON says what follows, then the arrays come one after the other.  NumPy's own files
are read by way of Python's parser, which in 3.11 fails where two threads use it at once.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt


def write_arrays(path: Path, arrays: Mapping[str, npt.ArrayLike]) -> None:
    """Write arrays of plain numbers or text, and single ones, under their names."""
    plain = {name: np.asarray(one) for name, one in arrays.items()}
    told = {name: (one.dtype.str, one.shape) for name, one in plain.items()}
    with path.open("wb") as file:
        file.write(json.dumps(told).encode() + b"\n")
        for one in plain.values():
            file.write(one.tobytes())


def read_arrays(path: Path) -> dict[str, npt.NDArray[Any]]:
    """Read what `write_arrays` has written, to the bit.

    Raises
    ------
    EOFError
        The file ends too early.
    """
    with path.open("rb") as file:
        told = json.loads(file.readline())
        return {name: _next(file, np.dtype(form), shape) for name, (form, shape) in told.items()}


def _next(file: BinaryIO, dtype: np.dtype[Any], shape: Sequence[int]) -> npt.NDArray[Any]:
    n_bytes = dtype.itemsize * math.prod(shape)
    read = file.read(n_bytes)
    if len(read) < n_bytes:
        raise EOFError(f"{file.name}: the arrays end too early")
    return np.frombuffer(read, dtype).reshape(shape)
