"""How far a take in hand is, told by the one who works on it and read by the coordinator."""

import pytest

from flashpan.night import headway
from flashpan.night.alone import LOCK_NAME, alone_in
from flashpan.night.headway import frames_told, telling


@pytest.fixture
def at_once(monkeypatch):
    monkeypatch.setattr(headway, "_TELL_EVERY_S", 0.0)


def test_what_is_told_is_read(tmp_path, at_once):
    with alone_in(tmp_path / "take"):
        tell = telling(tmp_path / "take", 5000)
        assert frames_told(tmp_path / "take") == (0, 0)
        for index in (1233, 99, 4999):
            tell(index)
            assert frames_told(tmp_path / "take") == (index + 1, 5000)
    assert frames_told(tmp_path / "take") == (0, 0)
    assert not (tmp_path / "take").exists()


def test_a_length_that_nobody_knows(tmp_path, at_once):
    with alone_in(tmp_path):
        telling(tmp_path, None)(7)
        assert frames_told(tmp_path) == (8, 0)


def test_tells_seldom(tmp_path):
    with alone_in(tmp_path):
        tell = telling(tmp_path, 100)
        for index in range(100):
            tell(index)
        assert frames_told(tmp_path) == (0, 0)


def test_makes_no_file_of_its_own(tmp_path, at_once):
    telling(tmp_path, 100)(3)
    assert not (tmp_path / LOCK_NAME).exists()
