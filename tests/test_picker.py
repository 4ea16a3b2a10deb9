"""Scores to picks, on series whose every frame is written out."""

from itertools import pairwise

import pytest

from flashpan.chance import MaxLaw
from flashpan.model import Score
from flashpan.picker import REST_FRAMES, Channel, Picker

OPEN, CLOSE = 10.0, 4.0


@pytest.fixture(autouse=True)
def _constant_thresholds(monkeypatch):
    monkeypatch.setattr(
        Channel, "thresholds", lambda self, refreshed, in_retrospect=False: (OPEN, CLOSE)
    )


def score(index, value, **details):
    known = {"since": index, "until": index, "moving": value, "sign": 1.0} | details
    return Score(index=index, value=float(value), **known)


def picks(series, gap=0, start=0, look_back=None, **other):
    """Picks of one detector's values, or of several (``name=values``) side by side."""
    rows = {"one": series} | other
    picker = Picker({name: MaxLaw(n=100) for name in rows}, 1.0, gap, look_back)
    found = []
    for index in range(len(series)):
        scores = {
            name: values[index]
            if isinstance(values[index], Score)
            else score(start + index, values[index])
            for name, values in rows.items()
        }
        found += picker.push(start + index, scores)
    return found + list(picker.finish())


def spans(found):
    return [(pick.onset, pick.peak, pick.end) for pick in found]


def test_nothing_found():
    assert picks([0, 1, 3, 9.99, 0]) == []
    assert picks([]) == []


def test_closing_threshold_alone_opens_nothing():
    assert picks([0, 9, 9, 9, 0]) == []


def test_event_of_one_frame():
    assert spans(picks([0, 0, 20, 0, 0])) == [(2, 2, 2)]


def test_open_at_the_first_frame():
    assert spans(picks([20, 20, 0, 0])) == [(0, 0, 1)]


def test_open_at_the_last_frame():
    assert spans(picks([0, 0, 20, 30])) == [(2, 3, 3)]


def test_single_frame_take_that_is_all_event():
    assert spans(picks([20])) == [(0, 0, 0)]


def test_part_of_a_take_keeps_its_frame_numbers():
    assert spans(picks([0, 20, 0], start=1000)) == [(1001, 1001, 1001)]


def test_plateau_has_its_peak_where_it_begins():
    assert spans(picks([0, 30, 30, 30, 30.2, 30, 0])) == [(1, 1, 5)]


def test_peak_is_the_highest_frame():
    assert spans(picks([0, 12, 40, 90, 30, 11, 0])) == [(1, 3, 5)]


def test_event_goes_on_above_the_closing_threshold():
    assert spans(picks([0, 20, 5, 5, 5, 3, 0])) == [(1, 1, 4)]


def test_thresholds_are_exceeded_not_reached():
    assert picks([0, OPEN, 0]) == []
    assert spans(picks([0, 20, CLOSE, 0])) == [(1, 1, 1)]


@pytest.mark.parametrize("gap", [0, 1, 5, 30])
def test_quiet_frames_up_to_the_merge_gap_join(gap):
    joined = [0, 20, *[0] * gap, 20, 0]
    assert spans(picks(joined, gap=gap)) == [(1, 1, 2 + gap)]


@pytest.mark.parametrize("gap", [0, 1, 5, 30])
def test_one_more_quiet_frame_than_the_merge_gap_parts(gap):
    parted = [0, 20, *[0] * (gap + 1), 20, 0]
    assert spans(picks(parted, gap=gap)) == [(1, 1, 1), (3 + gap, 3 + gap, 3 + gap)]


def test_end_is_the_last_departure_not_the_end_of_the_gap():
    assert spans(picks([0, 20, *[0] * 50], gap=10)) == [(1, 1, 1)]


def test_event_is_given_out_as_soon_as_the_gap_has_passed():
    picker = Picker({"one": MaxLaw(n=100)}, 1.0, 5)
    out_at = None
    for index, value in enumerate([0, 20, *[0] * 20]):
        if list(picker.push(index, {"one": score(index, value)})):
            out_at = index
            break
    # Frame 1, five quiet frames, and the sixth that proves it is over, at most one later.
    assert out_at in (7, 8)


def test_long_after_the_last_departure_only_an_opening_score_joins():
    weak = [0, 20, *[0] * 15, 6, 0, 0]
    assert spans(picks(weak, gap=30)) == [(1, 1, 1)]
    strong = [0, 20, *[0] * 15, 12, 0, 0]
    assert spans(picks(strong, gap=30)) == [(1, 1, 17)]


def test_onset_goes_back_to_where_the_departure_began():
    assert spans(picks([0, 3, 3, score(3, 20, since=1), 0])) == [(1, 3, 3)]


def test_onset_never_goes_back_into_the_event_before():
    series = [0, 20, 0, score(3, 20, since=0), 0]
    assert spans(picks(series)) == [(1, 1, 1), (2, 3, 3)]


QUIET = [0.0] * 40


def test_frames_are_looked_back_at_once_per_event():
    asked = []

    def look_back(first, guess, extent):
        asked.append((first, guess, extent))
        return guess - 4

    series = [*QUIET, *[score(i, 20, extent=(1, 1, 2, 2)) for i in range(40, 60)], *QUIET]
    assert [pick.onset for pick in picks(series, look_back=look_back)] == [36]
    assert asked == [(0, 40, (1, 1, 2, 2))]


def test_a_shorter_event_is_looked_back_at_when_it_closes():
    assert spans(picks([*QUIET, 20, 0, 0], look_back=lambda *_: 38)) == [(38, 40, 40)]


def test_onset_stays_where_the_frames_tell_nothing():
    assert spans(picks([*QUIET, 20, 0], look_back=lambda *_: None)) == [(40, 40, 40)]


def test_onset_found_in_the_frames_never_reaches_into_the_event_before():
    series = [*QUIET, 20, 0, 0, 20, 0, 0]
    assert [p.onset for p in picks(series, look_back=lambda first, *_: first - 9)] == [0, 41]


def test_event_in_the_first_frames_waits_for_what_follows():
    series = [20] * 20 + QUIET
    asked = []

    def look_back(*asks):
        asked.append(asks)
        return 5

    assert [p.onset for p in picks(series, look_back=look_back)] == [5]
    assert len(asked) == 1


def test_what_goes_after_the_first_frames_did_not_begin_by_going():
    assert spans(picks([20] * 5 + QUIET, look_back=lambda *_: 5)) == [(0, 0, 4)]


def test_what_an_event_left_behind_opens_no_other():
    left = [score(i, 12 if i % 9 == 0 else 3, since=1, moving=0.0) for i in range(2, 60)]
    assert spans(picks([0, 20, *left])) == [(1, 1, 1)]


def test_what_an_event_left_behind_opens_another_when_it_moves():
    left = [score(i, 12 if i == 40 else 3, since=1, moving=0.0) for i in range(2, 60)]
    left[38] = score(40, 12, since=1, moving=11.0)
    assert [pick.peak for pick in picks([0, 20, *left])] == [1, 40]


@pytest.mark.parametrize(("rest", "end"), [(REST_FRAMES - 1, None), (REST_FRAMES + 1, 3)])
def test_take_that_ends_in_a_changed_scene_at_rest(rest, end):
    series = [0, 0, 25, 30, *[score(i, 30, moving=0.0, since=2) for i in range(4, 4 + rest)]]
    (found,) = picks(series)
    assert found.end == (len(series) - 1 if end is None else end)


@pytest.mark.parametrize(("left", "stays"), [(11, False), (40, True)])
@pytest.mark.parametrize("settles", [False, True])
def test_a_hundredth_of_a_flash_is_no_new_state(left, stays, settles):
    still = [score(i, left, moving=0.0, since=2) for i in range(4, 4 + REST_FRAMES)]
    over = [score(4 + REST_FRAMES, left, moving=0.0, since=2, settled=True), 0, 0] * settles
    found = picks([0, 0, 3000, 1500, *still, *over])
    assert [(p.onset, p.end, p.stays) for p in found] == [(2, 3, stays)]


def test_late_evidence_moves_no_end():
    # A mean over frames still holds what has passed: it says so by ``until``.
    late = [score(i, 15, since=1, until=1, moving=0.0) for i in (2, 3, 4)]
    assert spans(picks([0, 20, *late, 0], gap=5)) == [(1, 1, 1)]


def test_late_evidence_opens_no_second_event():
    series = [0, 20, 0, score(3, 15, since=1, until=1), 0]
    assert spans(picks(series)) == [(1, 1, 1)]


def test_settled_scene_ends_the_event_where_it_stopped_moving():
    plateau = [score(i, 30, moving=0.0, since=2) for i in range(4, 20)]
    settled = score(20, 30, moving=0.0, since=2, settled=True)
    found = picks([0, 0, 25, 30, *plateau, settled, 0, 0])
    assert [(p.onset, p.end, p.stays) for p in found] == [(2, 3, True)]


def test_stretches_of_a_settled_scene_are_events_of_their_own():
    plateau = [score(i, 30, moving=0.0, since=2) for i in range(4, 20)]
    second = [score(20, 60), score(21, 60, moving=0.0, since=20)]
    rest = [score(i, 30, moving=0.0, since=2) for i in range(22, 40)]
    settled = score(40, 30, moving=0.0, since=2, settled=True)
    found = picks([0, 0, 25, 30, *plateau, *second, *rest, settled, 0, 0], gap=5)
    assert [pick.onset for pick in found] == [2, 20]


def test_detector_with_the_largest_excess_names_the_event():
    found = picks([0, 20, 0], other=[0, 90, 0])
    assert [(p.detector, p.strength) for p in found] == [("other", 90.0)]


def test_detectors_one_after_the_other_are_one_event():
    assert spans(picks([0, 20, 0, 0, 0], other=[0, 0, 30, 0, 0])) == [(1, 2, 2)]


def test_detector_that_is_quiet_does_not_close_the_others_event():
    assert spans(picks([0, 20, 20, 20, 0], other=[0, 20, 0, 0, 0])) == [(1, 1, 3)]


def test_false_alarms_are_shared_between_detectors():
    law = MaxLaw(n=100)
    alone = Picker({"a": law}, 4.0, 0).channels["a"]
    shared = Picker({"a": law, "b": law, "c": law, "d": law}, 16.0, 0).channels["a"]
    # (the threshold that the fixture replaces)
    assert alone._chance == shared._chance == pytest.approx(4e-6)


def test_strength_extent_and_sign_of_the_peak():
    series = [0, score(1, 20, extent=(1, 1, 2, 2), sign=-1.0), 0]
    (found,) = picks(series)
    assert (found.strength, found.extent, found.sign) == (20.0, (1, 1, 2, 2), -1.0)


def test_extents_join_over_the_event():
    series = [
        0,
        score(1, 20, extent=(1, 1, 2, 2)),
        score(2, 30, extent=(0, 3, 1, 5)),
        score(3, 5, extent=(9, 9, 10, 10)),  # below the opening threshold: not counted
        0,
    ]
    (found,) = picks(series)
    assert found.extent == (0, 1, 2, 5)


@pytest.mark.parametrize("gap", [0, 3])
def test_events_ascend_and_do_not_overlap(gap):
    series = [20 if i % 7 in (0, 1) or i % 11 == 0 else 0 for i in range(200)]
    found = picks(series, gap=gap)
    assert len(found) > 1 or gap
    for one, other in pairwise(found):
        assert one.onset <= one.peak <= one.end < other.onset


def test_flash_after_the_scene_has_settled_is_an_event_of_its_own():
    moved = [0, 0, 25, 30]
    plateau = [score(i, 30, moving=0.0, since=2) for i in range(4, 20)]
    settled = score(20, 30, moving=0.0, since=2, settled=True)
    held = [score(i, 12, moving=0.0, since=2) for i in range(21, 40)]
    found = picks([*moved, *plateau, settled, *held, 80, 80, 0, 0, 0, 0, 0, 0, 0], gap=5)
    assert [(p.onset, p.end, p.stays) for p in found] == [(2, 3, True), (40, 41, False)]


def _beside_what_stays(tile, since):
    """An event at tiles (4..5, 4..5) that stays, and later something slow at another tile."""
    first = [score(i, 30, extent=(4, 4, 6, 6), tile=(4, 4)) for i in (2, 3)]
    stays = [score(i, 30, moving=0.0, since=2, tile=(4, 4)) for i in range(4, 40)]
    settled = score(40, 30, moving=0.0, since=2, tile=(4, 4), settled=True)
    slow = [score(i, 14, moving=2.0, since=since, tile=tile) for i in range(41, 60)]
    over = score(60, 14, moving=2.0, since=since, tile=tile, settled=True)
    return picks([0, 0, *first, *stays, settled, *slow, over, 0, 0, 0, 0, 0, 0, 0], gap=5)


def test_something_slow_beside_what_an_event_left_behind_is_another():
    assert [pick.onset for pick in _beside_what_stays((12, 20), since=41)] == [2, 41]


@pytest.mark.parametrize("tile", [(4, 4), (2, 7), (7, 2)])
def test_what_settles_where_the_event_was_is_none(tile):
    assert [pick.onset for pick in _beside_what_stays(tile, since=41)] == [2]


def test_what_an_event_left_elsewhere_is_no_other_event():
    assert [pick.onset for pick in _beside_what_stays((12, 20), since=3)] == [2]


def test_what_departs_anew_beside_a_plateau_has_moved():
    plateau = [score(i, 30, moving=0.0, since=2) for i in range(4, 9)]
    leaves = [score(9, 31, moving=0.0, since=9), score(10, 31, moving=0.0, since=10)]
    held = score(11, 30, moving=0.0, since=2)
    settled = score(12, 30, moving=0.0, since=2, settled=True)
    found = picks([0, 0, 25, 30, *plateau, *leaves, held, settled, 0, 0], gap=8)
    assert [(p.onset, p.end) for p in found] == [(2, 10)]
