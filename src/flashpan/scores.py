"""Every frame's scores as a file beside the event log: ``<take>.scores.npz``.

NumPy's own format, so that a notebook reads it with `numpy.load`: ``detectors`` (names),
``frames`` (numbers, shape (n,)), ``scores`` and ``thresholds`` (noise units, shape
(detectors, n)).  A file for three million frames takes some tens of megabytes.
"""

from __future__ import annotations

import io
import os
import zipfile
from pathlib import Path

import numpy as np

from flashpan.atomic import write_bytes
from flashpan.errors import TakeError
from flashpan.model import ScoreTrace

SUFFIX = ".scores.npz"


def write_scores(
    trace: ScoreTrace, path: str | os.PathLike[str], *, overwrite: bool = False
) -> Path:
    """Write a trace whole or not at all, and return its path.

    Raises
    ------
    TakeError
        The file exists and ``overwrite`` is false, or it cannot be written.
    """
    file = io.BytesIO()
    np.savez_compressed(
        file,
        detectors=np.array(trace.detectors, np.str_),
        frames=trace.frames,
        scores=trace.scores,
        thresholds=trace.thresholds,
    )
    return write_bytes(path, file.getvalue(), overwrite=overwrite)


def read_scores(path: str | os.PathLike[str]) -> ScoreTrace:
    """Read a trace.

    Raises
    ------
    TakeError
        Not there, not readable, or no such file.
    """
    try:
        with np.load(path, allow_pickle=False) as data:
            trace = ScoreTrace(
                detectors=tuple(map(str, data["detectors"])),
                frames=data["frames"].astype(np.int64),
                scores=data["scores"].astype(np.float32),
                thresholds=data["thresholds"].astype(np.float32),
            )
    except OSError as error:
        raise TakeError(
            f"{path}: cannot be read ({error.strerror or 'damaged'}); find the take again"
        ) from error
    except (KeyError, ValueError, zipfile.BadZipFile, EOFError) as error:
        raise TakeError(f"{path}: is no file of scores; find the take again") from error
    expected = (len(trace.detectors), len(trace.frames))
    if trace.scores.shape != expected or trace.thresholds.shape != expected:
        raise TakeError(f"{path}: is damaged; find the take again")
    return trace
