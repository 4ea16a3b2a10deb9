from dataclasses import replace
from itertools import accumulate

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from log_fixtures import a_log

from flashpan.cut.budget import (
    Budget,
    Candidate,
    Choice,
    candidates_of,
    choose,
    left_out_text,
    parse_budget,
    strength_of,
)
from flashpan.errors import SettingsError
from flashpan.model import TrimRange


class TestParse:
    @pytest.mark.parametrize(
        ("text", "budget"),
        [
            ("5000", Budget(5000)),
            (" 1 ", Budget(1)),
            ("500MB", Budget(500_000_000, in_bytes=True)),
            ("500 mb", Budget(500_000_000, in_bytes=True)),
            ("2GiB", Budget(2_147_483_648, in_bytes=True)),
            ("1.5GB", Budget(1_500_000_000, in_bytes=True)),
            ("0.29kB", Budget(290, in_bytes=True)),
            ("4KiB", Budget(4096, in_bytes=True)),
            ("12B", Budget(12, in_bytes=True)),
            ("1TiB", Budget(1 << 40, in_bytes=True)),
        ],
    )
    def test_reads(self, text, budget):
        assert parse_budget(text) == budget

    @pytest.mark.parametrize(
        ("text", "reason"),
        [
            ("", "is no budget"),
            ("-5", "is no budget"),
            ("5 frames", "is no budget"),
            ("5M", "is no budget"),
            ("1e6", "is no budget"),
            ("5iB", "is no budget"),
            ("1.5", "frames are whole"),
            ("0", "keeps nothing"),
            ("0.0001kB", "keeps nothing"),
        ],
    )
    def test_refuses(self, text, reason):
        with pytest.raises(SettingsError, match=reason):
            parse_budget(text)

    def test_says_itself(self):
        assert str(Budget(5000)) == "5,000 frames"
        assert str(Budget(5000, in_bytes=True)) == "5,000 bytes"


def of(*pairs):
    return [Candidate(cost, strength) for cost, strength in pairs]


class TestChoose:
    def test_everything_fits(self):
        assert choose(of((5, 1.0), (5, 2.0)), 10) == Choice((0, 1), ())

    def test_the_strongest_first_in_frame_order(self):
        chosen = choose(of((4, 3.0), (4, 9.0), (4, 1.0), (4, 7.0)), 12)
        assert chosen == Choice((0, 1, 3), (2,))

    def test_a_weaker_one_fills_what_a_stronger_one_cannot(self):
        assert choose(of((4, 9.0), (8, 5.0), (3, 1.0)), 8) == Choice((0, 2), (1,))

    def test_a_weaker_one_never_takes_a_stronger_ones_place(self):
        assert choose(of((8, 5.0), (3, 1.0), (3, 1.0), (3, 1.0)), 9) == Choice((0,), (1, 2, 3))

    def test_equals_go_by_time(self):
        assert choose(of((5, 2.0), (5, 2.0)), 5) == Choice((0,), (1,))

    def test_one_frame_short(self):
        assert choose(
            of(
                (5, 2.0),
            ),
            4,
        ) == Choice((), (0,))

    def test_nothing_to_choose_from(self):
        assert choose([], 4) == Choice((), ())

    @settings(deadline=None)
    @given(
        st.lists(st.tuples(st.integers(1, 100), st.floats(1, 50)), max_size=12),
        st.integers(0, 400),
    )
    def test_laws(self, pairs, budget):
        candidates = of(*pairs)
        kept, left_out = choose(candidates, budget).kept, choose(candidates, budget).left_out
        # nothing split, nothing lost, nothing twice, in order
        assert sorted(kept + left_out) == list(range(len(pairs)))
        assert list(kept) == sorted(kept)
        assert list(left_out) == sorted(left_out)
        # never over budget
        assert sum(candidates[k].cost for k in kept) <= budget
        # strongest first: what was left out did not fit beside what goes before it
        for out in left_out:
            rank = (-candidates[out].strength, out)
            before = [k for k in kept if (-candidates[k].strength, k) < rank]
            assert sum(candidates[k].cost for k in before) + candidates[out].cost > budget

    @settings(deadline=None)
    @given(st.lists(st.tuples(st.integers(1, 9), st.floats(1, 50)), min_size=1, max_size=12))
    def test_a_larger_budget_keeps_the_strongest_runs(self, pairs):
        # with equal costs the kept ones are exactly the strongest
        candidates = [Candidate(7, strength) for _, strength in pairs]
        order = sorted(range(len(pairs)), key=lambda k: (-candidates[k].strength, k))
        for n, budget in enumerate(accumulate([7] * len(pairs)), 1):
            assert choose(candidates, budget).kept == tuple(sorted(order[:n]))


class TestOfALog:
    def log(self):
        events = tuple(
            replace(a_log().events[0], strength=strength) for strength in (5.0, 40.0, 9.0)
        )
        ranges = (TrimRange(0, 9, (0, 1)), TrimRange(20, 24, (2,)), TrimRange(50, 52, ()))
        return replace(a_log(), events=events, ranges=ranges)

    def test_a_range_counts_by_its_strongest_event(self):
        log = self.log()
        assert [strength_of(log, kept) for kept in log.ranges] == [40.0, 9.0, float("inf")]

    def test_costs_are_frames_or_what_is_given(self):
        assert [one.cost for one in candidates_of(self.log())] == [10, 5, 3]
        assert [one.cost for one in candidates_of(self.log(), [100, 50, 30])] == [100, 50, 30]
        with pytest.raises(ValueError, match="longer"):
            candidates_of(self.log(), [1, 2])

    def test_a_range_put_in_by_hand_comes_first(self):
        assert choose(candidates_of(self.log()), 9).kept == (1, 2)
        assert choose(candidates_of(self.log()), 3).kept == (2,)

    def test_says_what_was_left_out(self):
        log = self.log()
        assert left_out_text(log, log.ranges[0]) == (
            "left out by the budget: frames 0 to 9 (10 frames, 2 events, the strongest 40.0)"
        )
        assert left_out_text(log, log.ranges[1]) == (
            "left out by the budget: frames 20 to 24 (5 frames, strength 9.0)"
        )
        assert left_out_text(log, log.ranges[2]) == (
            "left out by the budget: frames 50 to 52 (3 frames, put in by hand)"
        )
