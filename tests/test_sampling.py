"""Which frames are sampled: nothing as long as the stride lies between two of them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashpan.sampling import at_stride, in_groups, standing_out

NONE = np.zeros(0, np.int64)


def gaps(numbers, start, stop):
    """Frames from one sample to the next, from the one before the first to the end."""
    return np.diff([start - 1, *numbers, stop])


@settings(max_examples=40)
@given(start=st.integers(0, 50), n=st.integers(1, 500), stride=st.integers(4, 90))
def test_no_two_neighbours_are_farther_apart_than_the_stride(start, n, stride):
    numbers = at_stride(start, start + n, stride, NONE)
    assert gaps(numbers, start, start + n).max() <= stride


@settings(max_examples=60)
@given(
    steps=st.lists(st.integers(1, 260), max_size=12),
    start=st.integers(0, 300),
    n=st.integers(1, 1500),
    stride=st.integers(4, 300),
)
def test_in_groups_neither_wherever_the_keyframes_are(steps, start, n, stride):
    keys = np.cumsum([0, *steps])
    groups = in_groups(keys, start, start + n, stride, NONE)
    numbers = [frame for group in groups for frame in group.wanted]
    assert numbers == sorted(set(numbers))
    assert gaps(numbers, start, start + n).max() <= stride
    for group in groups:
        assert group.key in keys
        following = keys[keys > group.key]
        assert group.key <= group.wanted[0]
        assert not len(following) or group.wanted[-1] < following[0]


@pytest.mark.parametrize(
    ("stride", "decoded"),
    [(250, 1), (300, 1), (200, 51), (128, 123), (125, 126), (50, 201)],
)
def test_of_a_group_of_250_no_more_is_decoded_than_must_be(stride, decoded):
    groups = in_groups(np.arange(0, 10_000, 250), 0, 10_000, stride, NONE)
    middle = [group for group in groups if 2000 <= group.key < 8000]
    assert max(group.wanted[-1] - group.key + 1 for group in middle) == decoded


def test_a_wanted_frame_joins_the_group_it_is_in():
    groups = in_groups(np.arange(0, 1000, 250), 0, 1000, 250, np.array([333]))
    assert [(group.key, group.wanted) for group in groups] == [
        (0, (0,)),
        (250, (250, 333)),
        (500, (500,)),
        (750, (750,)),
    ]


def test_a_size_unlike_the_others_is_looked_at():
    sizes = np.random.default_rng(1).integers(900, 1100, 5000)
    sizes[[1234, 1240, 4000]] = 5000, 3000, 10
    assert standing_out(sizes, 0, 5000, 64).tolist() == [1234, 4000]
    assert standing_out(sizes, 2000, 5000, 64).tolist() == [4000]


def test_sizes_that_jump_all_the_time_say_nothing():
    draw = np.random.default_rng(2)
    sizes = np.where(draw.random(5000) < 0.1, 9000, draw.integers(900, 1100, 5000))
    assert standing_out(sizes, 0, 5000, 64).size == 0


def test_a_size_that_is_not_known_says_nothing():
    sizes = np.random.default_rng(3).integers(900, 1100, 2000)
    sizes[::250] = 0
    assert standing_out(sizes, 0, 2000, 64).size == 0
