"""Bytes on their way to disk: all there, no block too many, no failure passed over."""

import errno
from threading import Event

import pytest

from flashpan.cut import steady
from flashpan.cut.steady import give_back, steadily

DATA = bytes(range(256)) * 4096


def written(path, n_bytes):
    path.touch()
    with steadily(path, n_bytes), path.open("r+b") as file:
        file.write(DATA)
    give_back(path)
    return path


@pytest.mark.parametrize("missing", [(), ("_FALLOCATE",), ("_SYNC_RANGE",)])
def test_all_bytes_are_there_and_no_block_too_many(tmp_path, monkeypatch, missing):
    for name in missing:
        monkeypatch.setattr(steady, name, None)
    path = written(tmp_path / "clip", 64 * len(DATA))
    assert path.read_bytes() == DATA
    assert path.stat().st_blocks * 512 < 4 * len(DATA)


def test_a_failure_of_the_disk_is_raised_when_the_block_ends(tmp_path, monkeypatch):
    tried = Event()

    def fails(descriptor):
        tried.set()
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(steady, "_begin_writing", fails)
    path = tmp_path / "clip"
    path.touch()
    with pytest.raises(OSError, match="Input/output"), steadily(path, 0):
        assert tried.wait(10)


def test_the_kernel_refuses_what_is_no_file(monkeypatch):
    with pytest.raises(OSError, match="descriptor"):
        steady._begin_writing(-1)
