"""Which takes have arrived, by a clock that the tests set."""

import numpy as np
import pytest
import tifffile
from night_fixtures import found

from flashpan.night.arrival import PATIENCE, Arrivals, has_no_gaps
from flashpan.night.discovery import discover

PICTURE = np.zeros((8, 8), np.uint8)


class Clock:
    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def arrivals(clock):
    return Arrivals(10, clock=clock, is_whole=lambda one: True)


def test_a_take_at_rest_arrives_once(arrivals, clock):
    assert arrivals.look([found()]) == []
    clock.now += 9.9
    assert arrivals.look([found()]) == []
    clock.now += 0.1
    assert arrivals.look([found()]) == [found()]
    assert arrivals.has_arrived(found())
    clock.now += 100
    assert arrivals.look([found()]) == []


@pytest.mark.parametrize(
    "change",
    [{"size": 9001}, {"mtime_ns": 5}, {"n_files": 2}, {"problem": "is empty"}],
    ids=lambda change: next(iter(change)),
)
def test_every_change_begins_anew(arrivals, clock, change):
    arrivals.look([found()])
    clock.now += 9
    assert arrivals.look([found(**change)]) == []
    clock.now += 9
    assert arrivals.look([found(**change)]) == []
    clock.now += 1
    assert arrivals.look([found(**change)]) == [found(**change)]


def test_a_take_that_grows_after_it_arrived_arrives_again(arrivals, clock):
    arrivals.look([found()])
    clock.now += 10
    arrivals.look([found()])
    assert arrivals.look([found(size=9001)]) == []
    assert not arrivals.has_arrived(found())
    clock.now += 10
    assert arrivals.look([found(size=9001)]) == [found(size=9001)]


def test_a_take_that_goes_and_comes_back(arrivals, clock):
    arrivals.look([found()])
    clock.now += 5
    arrivals.look([])
    clock.now += 5
    assert arrivals.look([found()]) == []
    clock.now += 10
    assert arrivals.look([found()]) == [found()]


def test_forgetting(arrivals, clock):
    arrivals.look([found()])
    clock.now += 10
    arrivals.look([found()])
    arrivals.forget()
    assert arrivals.look([found()]) == []
    clock.now += 10
    assert arrivals.look([found()]) == [found()]


def test_taken_back(arrivals, clock):
    arrivals.look([found()])
    clock.now += 10
    arrivals.look([found()])
    arrivals.take_back(found())
    assert not arrivals.has_arrived(found())
    assert arrivals.look([found()]) == []
    clock.now += 10
    assert arrivals.look([found()]) == [found()]


def test_when_to_look_next(arrivals, clock):
    assert (arrivals.next_s, arrivals.n_arriving) == (None, 0)
    arrivals.look([found()])
    clock.now += 4
    arrivals.look([found(), found("/card/b.mp4")])
    assert (arrivals.next_s, arrivals.n_arriving) == (6, 2)
    clock.now += 7
    assert arrivals.next_s == 0
    arrivals.look([found(), found("/card/b.mp4")])
    assert (arrivals.next_s, arrivals.n_arriving) == (3, 1)


def test_what_arrived_in_an_earlier_run_need_not_come_to_rest(clock):
    arrivals = Arrivals(10, clock=clock, is_known=lambda one: one.bytes == 9000)
    assert arrivals.look([found(), found("/card/b.mp4", size=5)]) == [found()]
    clock.now += 1
    # known or not: it is changing before our eyes
    assert arrivals.look([found(size=9001)]) == []
    assert arrivals.look([found()]) == []
    clock.now += 10
    assert arrivals.look([found()]) == [found()]


def test_no_time_to_settle(clock):
    assert Arrivals(0, clock=clock).look([found()]) == [found()]


class TestStills:
    @pytest.fixture
    def folder(self, tmp_path):
        for number in (1, 2, 4):
            tifffile.imwrite(tmp_path / f"s_{number:03d}.tif", PICTURE)
        return tmp_path

    def one(self, folder):
        (only,) = discover(folder)
        return only

    def test_gaps(self, folder):
        assert not has_no_gaps(self.one(folder))
        (folder / "s_004.tif").rename(folder / "s_003.tif")
        assert has_no_gaps(self.one(folder))
        assert has_no_gaps(found())

    def test_with_gaps_they_wait_longer(self, folder, clock):
        arrivals = Arrivals(10, clock=clock)
        arrivals.look([self.one(folder)])
        clock.now += 10
        assert arrivals.look([self.one(folder)]) == []
        assert arrivals.next_s == 10 * (PATIENCE - 1)
        clock.now += 10 * (PATIENCE - 1) - 0.1
        assert arrivals.look([self.one(folder)]) == []
        clock.now += 0.1
        assert arrivals.look([self.one(folder)]) == [self.one(folder)]

    def test_once_the_gap_is_filled_they_settle_as_ever(self, folder, clock):
        arrivals = Arrivals(10, clock=clock)
        arrivals.look([self.one(folder)])
        clock.now += 10
        arrivals.look([self.one(folder)])
        tifffile.imwrite(folder / "s_003.tif", PICTURE)
        arrivals.look([self.one(folder)])
        clock.now += 10
        assert len(arrivals.look([self.one(folder)])) == 1
