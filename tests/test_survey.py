"""Sampling a take: the events of a full scan, where they last long enough, for fewer frames."""

from fractions import Fraction

import numpy as np
import pytest
from array_takes import ArrayReader, grey_noise

from flashpan.find import find
from flashpan.model import Frame
from flashpan.settings import Settings
from flashpan.units import Duration

SHAPE = (24, 36)
N_FRAMES = 9000


class InParts(ArrayReader):
    """A take in memory that hands out any frame, and counts what it handed out."""

    def frame_at(self, index):
        if not 0 <= index < len(self._pictures):
            return None
        picture = self._pictures[index]
        self.bytes_read += picture.nbytes
        return Frame(index=index, luma=picture)


def asking(frames, **more):
    return Settings(shortest_event=Duration(Fraction(frames)), **more)


def happened(event):
    return event.onset, event.end, event.kind, event.box


@pytest.fixture(scope="module")
def pictures():
    """A flash, a light that comes and stays, and something small that moves."""
    lift = np.zeros((N_FRAMES, *SHAPE), np.float32)
    lift[3500:3570, 6:18, 8:22] = 40
    lift[6000:, 0:12, 0:12] = 30
    for step in range(100):
        lift[6050 + step, 14:18, 8 + step // 5 : 12 + step // 5] = 60
    return grey_noise(N_FRAMES, SHAPE, lift=lift, seed=3)


@pytest.fixture(scope="module")
def full(pictures):
    return find(InParts(pictures))


@pytest.mark.parametrize("shortest", [64, 70])
def test_events_are_those_of_the_full_scan(pictures, full, shortest):
    log = find(InParts(pictures), asking(shortest))
    assert [happened(event) for event in log.events] == [happened(event) for event in full.events]
    assert log.ranges == full.ranges
    assert log.totals.frames == full.totals.frames == N_FRAMES
    assert log.totals.kept == full.totals.kept
    assert log.totals.bytes_read < 0.6 * full.totals.bytes_read
    assert log.warnings == ()
    assert log.settings["shortest_event_frames"] == shortest


def test_a_quiet_take_is_read_in_proportion_to_the_stride():
    log = find(InParts(grey_noise(N_FRAMES, SHAPE, seed=4)), asking(200))
    assert log.events == ()
    sampled = 2 * N_FRAMES / 100 + 1024 + 1
    frame_bytes = SHAPE[0] * SHAPE[1]
    assert log.totals.bytes_read <= 1.02 * sampled * frame_bytes


@pytest.mark.parametrize(
    ("reader", "frames", "why"),
    [
        (InParts, 6, "leaves none to skip"),
        (ArrayReader, 100, "cannot be read in part"),
        (InParts, 100, "fewer than 4096 frames"),
    ],
)
def test_what_cannot_be_sampled_is_searched_whole_and_says_so(reader, frames, why):
    log = find(reader(grey_noise(100, SHAPE)), asking(frames))
    assert log.totals.frames == 100
    (warning,) = log.warnings
    assert warning.startswith("every frame was searched: ")
    assert why in warning


def test_one_frame_is_a_full_scan_and_needs_no_word():
    log = find(InParts(grey_noise(100, SHAPE)), asking(1))
    assert log.warnings == ()


def test_events_are_told_in_order_as_in_a_full_scan(pictures):
    told = []
    log = find(InParts(pictures), asking(64), on_event=told.append)
    assert tuple(told) == log.events
