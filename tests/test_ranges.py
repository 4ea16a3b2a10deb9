import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashpan.model import TrimRange
from flashpan.ranges import Span, clip, inclusive, merge, pad, trim_ranges

FRAMES = st.integers(0, 60)
SPANS = st.lists(
    st.tuples(FRAMES, st.integers(1, 10)).map(lambda pair: Span(pair[0], pair[0] + pair[1])),
    max_size=6,
)


def naive_kept(events, before, after, gap, start, stop):
    """Frames to keep, one by one: the slow and obvious twin."""
    padded = {
        frame for event in events for frame in range(event.start - before, event.stop + after)
    }
    held = set(padded)
    for frame in range(min(padded, default=0), max(padded, default=0)):
        hole = frame
        while hole not in padded:
            hole += 1
        back = frame
        while back not in padded:
            back -= 1
        if hole - back - 1 <= gap:
            held.add(frame)
    return {frame for frame in held if start <= frame < stop}


@given(SPANS, *[st.integers(0, 8)] * 3, st.integers(0, 30), st.integers(0, 80))
def test_trim_ranges_equal_the_twin(events, before, after, gap, start, length):
    stop = start + length
    ranges = trim_ranges(
        events,
        pre_roll_frames=before,
        post_roll_frames=after,
        merge_gap_frames=gap,
        start=start,
        stop=stop,
    )
    kept = [frame for part in ranges for frame in range(part.first, part.last + 1)]
    assert kept == sorted(naive_kept(events, before, after, gap, start, stop))
    for left, right in itertools.pairwise(ranges):
        assert right.first - left.last - 1 > gap


@given(SPANS)
def test_every_event_is_in_exactly_the_range_that_keeps_it(events):
    ranges = trim_ranges(
        events, pre_roll_frames=2, post_roll_frames=3, merge_gap_frames=1, start=0, stop=1000
    )
    owned = [number for part in ranges for number in part.events]
    assert sorted(owned) == list(range(len(events)))
    for part in ranges:
        for number in part.events:
            assert part.first <= events[number].start
            assert events[number].stop - 1 <= part.last


def test_pads_then_merges_then_clips():
    options = {"pre_roll_frames": 10, "post_roll_frames": 10, "start": 0, "stop": 100}
    # 20 frames apart: the rolls meet, which merging first would not see
    events = [Span(5, 6), Span(26, 27)]
    assert trim_ranges(events, merge_gap_frames=0, **options) == (TrimRange(0, 36, (0, 1)),)


def test_rolls_past_both_ends_are_clipped():
    ranges = trim_ranges(
        [Span(0, 1), Span(99, 100)],
        pre_roll_frames=25,
        post_roll_frames=25,
        merge_gap_frames=0,
        start=0,
        stop=100,
    )
    assert ranges == (TrimRange(0, 25, (0,)), TrimRange(74, 99, (1,)))


def test_a_roll_that_reaches_into_the_part_is_kept_with_its_event():
    ranges = trim_ranges(
        [Span(0, 5)], pre_roll_frames=0, post_roll_frames=10, merge_gap_frames=0, start=8, stop=50
    )
    assert ranges == (TrimRange(8, 14, (0,)),)


def test_merge_gap_counts_the_frames_between():
    pair = [Span(0, 10), Span(13, 20)]
    assert merge(pair, gap=2) == pair
    assert merge(pair, gap=3) == [Span(0, 20)]


def test_merge_swallows_what_lies_inside_and_takes_any_order():
    assert merge([Span(4, 6), Span(0, 10)]) == [Span(0, 10)]


def test_pad_may_pass_frame_0():
    assert pad([Span(1, 2)], 3, 0) == [Span(-2, 2)]


def test_clip_drops_what_lies_outside():
    assert clip([Span(0, 5), Span(5, 9)], 5, 7) == [Span(5, 7)]


def test_nothing_in_nothing_out():
    assert merge([]) == []
    assert (
        trim_ranges([], pre_roll_frames=1, post_roll_frames=1, merge_gap_frames=1, start=0, stop=9)
        == ()
    )


def test_inclusive():
    assert inclusive(Span(3, 4)) == (3, 3)
    with pytest.raises(ValueError, match="holds no frame"):
        inclusive(Span(3, 3))
