"""Scores beside the log."""

import numpy as np
import pytest

from flashpan.errors import TakeError
from flashpan.find import find
from flashpan.model import ScoreTrace
from flashpan.scores import read_scores, write_scores


def trace(n_frames=5):
    return ScoreTrace(
        detectors=("brightness", "speck"),
        frames=np.arange(n_frames, dtype=np.int64) + 3,
        scores=np.arange(2 * n_frames, dtype=np.float32).reshape(2, -1),
        thresholds=np.full((2, n_frames), 5.5, np.float32),
    )


@pytest.mark.parametrize("n_frames", [0, 5])
def test_are_read_as_they_were_written(tmp_path, n_frames):
    wrote = trace(n_frames)
    read = read_scores(write_scores(wrote, tmp_path / "a.scores.npz"))
    assert read.detectors == wrote.detectors
    for name in ("frames", "scores", "thresholds"):
        np.testing.assert_array_equal(getattr(read, name), getattr(wrote, name))


def test_numpy_alone_reads_them(tmp_path):
    path = write_scores(trace(), tmp_path / "a.scores.npz")
    with np.load(path) as data:
        assert data["detectors"].tolist() == ["brightness", "speck"]
        assert data["scores"].shape == (2, 5)


def test_nothing_is_replaced_unasked(tmp_path):
    path = write_scores(trace(), tmp_path / "a.scores.npz")
    with pytest.raises(TakeError, match="--overwrite"):
        write_scores(trace(), path)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 cut", b"nonsense"])
def test_what_is_damaged_is_refused_in_a_line(tmp_path, content):
    path = tmp_path / "a.scores.npz"
    path.write_bytes(content)
    with pytest.raises(TakeError, match=r"a\.scores\.npz"):
        read_scores(path)


def test_what_is_not_there(tmp_path):
    with pytest.raises(TakeError, match="cannot be read"):
        read_scores(tmp_path / "none.npz")


def test_a_search_keeps_each_frame_with_its_threshold(mjpeg):
    log = find(mjpeg, keep_trace=True)
    assert log.trace.scores.shape == (len(log.trace.detectors), 120)
    np.testing.assert_array_equal(log.trace.frames, np.arange(120))
    row = log.trace.detectors.index(log.events[0].detector)
    peak = log.events[0].peak
    assert log.trace.scores[row, peak] == pytest.approx(log.events[0].strength, rel=1e-6)
    assert log.trace.scores[row, peak] > log.trace.thresholds[row, peak] > 0
