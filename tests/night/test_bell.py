"""The bell rings for changes, and for nothing else."""

import os

import pytest
from watchdog.events import FileModifiedEvent, FileMovedEvent, FileOpenedEvent

from flashpan.night import bell as module
from flashpan.night.bell import Bell

SOON_S, LATE_S = 0.5, 10.0


@pytest.fixture
def notes():
    return []


@pytest.fixture
def bell(tmp_path, notes):
    (tmp_path / "card" / "deep").mkdir(parents=True)
    (tmp_path / "card" / "night").mkdir()
    made = Bell(tmp_path / "card" / "night", notes.append)
    made.hang(str(tmp_path / "card"))
    yield made
    made.take_down()


def test_a_new_file_far_down(bell, tmp_path):
    (tmp_path / "card" / "deep" / "a.mp4").write_text("x")
    assert bell.wait(LATE_S)


def test_a_file_that_grows_or_goes(bell, tmp_path):
    path = tmp_path / "card" / "a.mp4"
    path.write_text("x")
    for change in (lambda: path.write_text("longer"), lambda: path.rename(f"{path}x")):
        while bell.wait(SOON_S):
            pass
        change()
        assert bell.wait(LATE_S)


def test_reading_does_not_ring(bell, tmp_path):
    path = tmp_path / "card" / "a.mp4"
    path.write_text("x")
    while bell.wait(SOON_S):
        pass
    path.read_text()
    os.listdir(path.parent)
    assert not bell.wait(SOON_S)


def test_results_do_not_ring(bell, tmp_path):
    while bell.wait(SOON_S):
        pass
    (tmp_path / "card" / "night" / "clip.mp4").write_text("x")
    assert not bell.wait(SOON_S)


@pytest.mark.parametrize(
    ("event", "rings"),
    [
        (FileModifiedEvent("/card/a.mp4"), True),
        (FileModifiedEvent(b"/card/\xff.mp4"), True),
        (FileOpenedEvent("/card/a.mp4"), False),
        (FileModifiedEvent("/card/night/a.mp4"), False),
        (FileModifiedEvent("/card/night2/a.mp4"), True),
        (FileMovedEvent("/card/night/a.mp4", "/card/a.mp4"), True),
    ],
)
def test_which_events_ring(event, rings):
    bell = Bell("/card/night", print)
    bell.on_any_event(event)
    assert bell.wait(0) is rings


def test_after_it_was_taken_down(bell, tmp_path):
    bell.take_down()
    bell.take_down()
    (tmp_path / "card" / "a.mp4").write_text("x")
    assert not bell.wait(SOON_S)


def test_hung_anew(bell, tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    bell.hang(str(other))
    (other / "a.mp4").write_text("x")
    assert bell.wait(LATE_S)


def test_where_the_system_cannot_watch(tmp_path, monkeypatch):
    class NoWatching:
        def schedule(self, *args, **more):
            raise OSError(28, "inotify watch limit reached")

    notes = []
    monkeypatch.setattr(module, "Observer", NoWatching)
    Bell(tmp_path / "night", notes.append).hang(str(tmp_path))
    assert notes == [
        f"{tmp_path}: cannot be watched (inotify watch limit reached); it is looked at instead"
    ]
