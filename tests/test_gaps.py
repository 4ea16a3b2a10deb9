"""Frames that hold no new picture: repeated bit for bit, or black.

Sensor noise never repeats a whole picture (common practice, no source).
"""

import numpy as np
import pytest
from array_takes import ArrayReader, grey_noise

import flashpan
from flashpan.gaps import LEAST_FRAMES
from flashpan.units import parse_region

SHAPE = (48, 72)


def found(pictures):
    log = flashpan.find(ArrayReader(pictures), flashpan.Settings())
    return [(event.onset, event.end, event.kind) for event in log.events]


def take(n=400):
    return grey_noise(n, SHAPE, level=80.0)


def test_a_picture_that_stands_still_is_a_gap():
    pictures = take()
    pictures[250:280] = pictures[249]
    assert (250, 279, "gap") in found(pictures)


def test_a_gap_that_lasts_to_the_end():
    pictures = take()
    pictures[380:] = pictures[379]
    assert found(pictures) == [(380, 399, "gap")]


def test_one_repeat_here_and_there_is_none():
    pictures = take()
    for at in (100, 160, 250, 251, 300):
        pictures[at] = pictures[at - 1]
    assert "gap" not in {kind for *_, kind in found(pictures)}
    assert LEAST_FRAMES > 2


def test_black_frames_are_one_gap():
    pictures = take()
    pictures[200:220] = 0
    (event,) = found(pictures)
    assert event[2] == "gap"
    assert event[0] == 200
    assert abs(event[1] - 219) <= 1


def test_a_white_flash_is_no_gap():
    pictures = take()
    pictures[200:206] = 255
    assert [kind for *_, kind in found(pictures)] == ["flash"]


def test_drawn_pictures_stand_still_by_nature():
    pictures = np.full((300, *SHAPE), 90, np.uint8)
    pictures[:150, 10:20, 10:20] += (np.arange(150) % 2 * 50).astype(np.uint8)[:, None, None]
    assert "gap" not in {kind for *_, kind in found(pictures)}


def test_a_night_with_the_lens_cap_on_is_none():
    assert found(np.zeros((300, *SHAPE), np.uint8)) == []


@pytest.mark.parametrize("n", [6, 20, 100])
def test_nothing_happens_when_the_picture_goes_on(n):
    pictures = take()
    pictures[200 : 200 + n] = pictures[199]
    assert found(pictures) == [(200, 199 + n, "gap")]


def test_a_gap_beside_a_masked_counter():
    pictures = take()
    pictures[200:220] = pictures[199]
    settings = flashpan.Settings(ignore=(parse_region("0,0,24,12"),))
    log = flashpan.find(ArrayReader(pictures), settings)
    assert [(e.onset, e.end, e.kind) for e in log.events] == [(200, 219, "gap")]
