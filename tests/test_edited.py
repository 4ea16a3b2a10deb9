import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from log_fixtures import a_log, a_take

from flashpan.edited import merge_overlapping, read_edited_log
from flashpan.errors import TakeError
from flashpan.eventlog import to_dict, to_json
from flashpan.fingerprint import fingerprint_of
from flashpan.model import Fingerprint, TrimRange


@pytest.fixture
def edit(tmp_path):
    """Write a log after editing its JSON by hand; return its path."""

    def edited(change=None, log=None):
        data = to_dict(log or a_log())
        if change is not None:
            change(data)
        path = tmp_path / "a.events.json"
        path.write_text(json.dumps(data))
        return path

    return edited


def put(value, *where):
    """An edit: the value goes into data[where[0]][where[1]]…"""

    def change(data):
        for key in where[:-1]:
            data = data[key]
        data[where[-1]] = value

    return change


def test_an_untouched_log_is_as_it_was(edit):
    assert read_edited_log(edit(), a_take()) == a_log()


class TestAccepted:
    def test_a_moved_range_is_counted_anew(self, edit):
        log = read_edited_log(edit(put(45, "ranges", 0, "first")))
        assert log.ranges[0] == TrimRange(45, 85, (0,))
        assert log.totals.kept == 41 + 33

    def test_a_range_of_ones_own_needs_no_event(self, edit):
        path = edit(lambda data: data["ranges"].append({"first": 990, "last": 999}))
        assert read_edited_log(path).ranges[-1] == TrimRange(990, 999, ())

    def test_no_range_and_no_event_at_all(self, edit):
        log = read_edited_log(edit(lambda data: data.update(ranges=[], events=[])))
        assert (log.ranges, log.totals.kept, log.totals.events) == ((), 0, 0)

    def test_any_order(self, edit):
        log = read_edited_log(edit(lambda data: data["ranges"].reverse()))
        assert log.ranges == a_log().ranges

    def test_an_event_deleted_with_its_number(self, edit):
        def change(data):
            del data["events"][0], data["ranges"][0]
            data["ranges"][0]["events"] = [0]

        assert read_edited_log(edit(change)).ranges == (TrimRange(88, 120, (0,)),)

    def test_overlapping_ranges_become_one_and_it_says_so(self, edit):
        log = read_edited_log(edit(put(100, "ranges", 0, "last")))
        assert log.ranges == (TrimRange(25, 120, (0, 1)),)
        note = "ranges 25 to 100 and 88 to 120 overlap: cut as one, 25 to 120"
        assert log.warnings == (*a_log().warnings, note)

    def test_touching_ranges_stay_two(self, edit):
        log = read_edited_log(edit(put(87, "ranges", 0, "last")))
        assert [kept.last for kept in log.ranges] == [87, 120]

    def test_the_last_frame(self, edit):
        assert read_edited_log(edit(put(999, "ranges", 1, "last"))).ranges[1].last == 999

    def test_any_frame_where_nobody_has_counted(self, edit):
        uncounted = a_log(a_take(n_frames=None))
        path = edit(put(5000, "ranges", 1, "last"), uncounted)
        assert read_edited_log(path, uncounted.take).ranges[1].last == 5000


REFUSED = {
    "beyond the take": (
        put(1000, "ranges", 1, "last"),
        r"ranges\[1\]\.last is 1000, beyond the take's last frame 999",
    ),
    "before the take": (
        put(-1, "ranges", 0, "first"),
        r"ranges\[0\]\.first is -1, and frames are numbered from 0",
    ),
    "first after last": (put(86, "ranges", 0, "first"), r"ranges\[0\]: first 86 is after last 85"),
    "fraction": (put(25.5, "ranges", 0, "first"), r"ranges\[0\]\.first is 25\.5, not a whole"),
    "whole float": (put(25.0, "ranges", 0, "first"), r"first is 25\.0, not a whole frame number"),
    "text": (put("25", "ranges", 0, "first"), r'first is "25", not a whole frame number'),
    "yes": (put(True, "ranges", 0, "first"), r"first is true, not a whole frame number"),
    "nothing": (put(None, "ranges", 0, "last"), r"ranges\[0\]\.last is null, not a whole"),
    "no first": (lambda data: data["ranges"][0].pop("first"), r"ranges\[0\] has no first"),
    "event number": (
        put([2], "ranges", 0, "events"),
        r"ranges\[0\]\.events has 2, and the log has events 0 to 1",
    ),
    "negative event number": (put([-1], "ranges", 0, "events"), r"events has -1, and the log has"),
    "event number text": (put(["0"], "ranges", 0, "events"), r'has "0", not a whole event number'),
    "events no list": (put(0, "ranges", 0, "events"), r"ranges\[0\]\.events is 0, not a list"),
    "number of a deleted event": (
        lambda data: data["events"].pop(0),
        r"ranges\[0\] \(frames 25 to 85\) names event 0, which lies outside it \(90 to 95\)",
    ),
    "range no object": (put(7, "ranges", 0), r"ranges\[0\] is 7, not an object"),
    "ranges no list": (put({}, "ranges"), "ranges is no list"),
    "onset after end": (put(70, "events", 0, "onset"), r"events\[0\]: onset 70 is after peak 51"),
    "onset text": (put("50", "events", 0, "onset"), r'events\[0\]\.onset is "50", not a whole'),
    "end beyond": (put(1000, "events", 1, "end"), r"events\[1\]\.end is 1000, beyond"),
    "box": (put([1, 2, 3], "events", 0, "box"), r"events\[0\]\.box is \[1, 2, 3\], not \[x, y"),
    "strength": (put("big", "events", 0, "strength"), r'events\[0\]\.strength is "big", not a num'),
    "rate in one form": (
        put(50_000, "take", "capture_rate"),
        r'take\.capture_rate is 50000 and take\.capture_rate_exact "100000"',
    ),
    "schema": (put("1", "schema"), "is no event log"),
    "no settings": (lambda data: data.pop("settings"), r"json: settings is missing"),
    "no kind": (lambda data: data["events"][0].pop("kind"), r"events\[0\]\.kind is missing"),
    "no path": (put(None, "take", "path"), r"take\.path is null, not text"),
    "frames": (
        put("1000", "take", "frames"),
        r'take\.frames is "1000", not a whole number or null',
    ),
    "take": (put([], "take"), r"take is \[\], not an object with named values"),
    "infinite": (
        put(float("inf"), "events", 0, "strength"),
        r"log \(Infinity is no number",
    ),
    "turned": (put("90", "take", "rotation"), r'take\.rotation is "90", not a whole number'),
    "warnings": (put([1], "warnings"), r"warnings is \[1\], not a list of texts"),
}


@pytest.mark.parametrize(("change", "text"), REFUSED.values(), ids=REFUSED)
def test_refused_in_one_line_that_names_the_entry(edit, change, text):
    with pytest.raises(TakeError, match=text) as error:
        read_edited_log(edit(change), a_take())
    assert "\n" not in str(error.value)
    assert "a.events.json: " in str(error.value)
    assert str(error.value).endswith("; correct it, or run find again")


@pytest.mark.parametrize("content", ["", "[]", '{"schema": 1,}', "null", '"x"', '{"schema": 0}'])
def test_what_is_no_log(tmp_path, content):
    path = tmp_path / "a.events.json"
    path.write_text(content)
    with pytest.raises(TakeError, match=r"a\.events\.json: is no event log"):
        read_edited_log(path)


def test_bytes_that_are_no_text_and_a_missing_file(tmp_path):
    (tmp_path / "a.json").write_bytes(b"\xff\xfe{")
    with pytest.raises(TakeError, match="is no event log"):
        read_edited_log(tmp_path / "a.json")
    with pytest.raises(TakeError, match="cannot be read"):
        read_edited_log(tmp_path / "none.json")


def test_a_byte_order_mark_is_passed_over(edit):
    path = edit()
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert read_edited_log(path) == a_log()


class TestSeveralLogs:
    def write(self, tmp_path, *logs):
        path = tmp_path / "night.json"
        path.write_text(json.dumps([to_dict(log) for log in logs]))
        return path

    def test_the_one_of_the_take_counts(self, tmp_path):
        other = a_log(a_take(path="night/b.mp4", name="b"))
        path = self.write(tmp_path, other, a_log())
        assert read_edited_log(path, a_take()) == a_log()
        assert read_edited_log(path, other.take) == other

    def test_a_moved_take_is_known_by_its_bytes(self, tmp_path):
        take_path = tmp_path / "moved.mp4"
        take_path.write_bytes(b"x" * 1000)
        known = replace(a_log(), take=a_take(fingerprint=fingerprint_of(take_path)))
        path = self.write(tmp_path, a_log(a_take(path="b.mp4")), known)
        assert read_edited_log(path, a_take(path=str(take_path))) == known

    def test_none_of_the_take(self, tmp_path):
        path = self.write(tmp_path, a_log(), a_log())
        with pytest.raises(TakeError, match=r"holds 2 logs and none is known to be of c\.mp4"):
            read_edited_log(path, a_take(path="c.mp4"))
        with pytest.raises(TakeError, match="none is known to be of this take"):
            read_edited_log(path)

    def test_a_single_one_needs_no_knowing(self, tmp_path):
        assert read_edited_log(self.write(tmp_path, a_log())) == a_log()


def test_a_log_of_another_take(edit):
    with pytest.raises(TakeError, match="frames: 1,000 in the log, 999 now"):
        read_edited_log(
            edit(lambda data: data["take"].update(fingerprint=None)), a_take(n_frames=999)
        )


def test_a_shorter_take_is_the_limit(edit):
    with pytest.raises(TakeError, match=r"ranges\[1\]\.last is 120, beyond .* last frame 99"):
        read_edited_log(edit(), a_take(n_frames=100))


def as_ranges(pairs):
    return tuple(TrimRange(min(pair), max(pair), (number,)) for number, pair in enumerate(pairs))


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), max_size=8))
def test_merging_keeps_every_frame_and_event_once(pairs):
    ranges = as_ranges(pairs)
    merged, notes = merge_overlapping(ranges)
    frames = [f for kept in merged for f in range(kept.first, kept.last + 1)]
    wanted = {f for kept in ranges for f in range(kept.first, kept.last + 1)}
    assert frames == sorted(wanted)
    assert sorted(number for kept in merged for number in kept.events) == list(range(len(pairs)))
    assert len(notes) == len(ranges) - len(merged)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=5,
)


def places(data, so_far=()):
    """Every way into nested objects and lists."""
    pairs = data.items() if isinstance(data, dict) else enumerate(data)
    for key, inner in pairs:
        yield (*so_far, key)
        if isinstance(inner, dict | list):
            yield from places(inner, (*so_far, key))


def read_or_refused(path):
    try:
        return read_edited_log(path, a_take())
    except TakeError as error:
        return str(error)


@settings(deadline=None)
@given(st.data())
def test_whatever_stands_anywhere_is_read_or_refused_in_one_line(tmp_path_factory, data):
    log = to_dict(a_log(a_take(fingerprint=Fingerprint(**PRINT))))
    where = data.draw(st.sampled_from(list(places(log))))
    put(data.draw(JSON), *where)(log)
    path = tmp_path_factory.mktemp("log") / "a.events.json"
    path.write_text(json.dumps(log))
    outcome = read_or_refused(path)
    if isinstance(outcome, str):
        assert "\n" not in outcome
        assert str(path) in outcome
    else:
        assert all(0 <= kept.first <= kept.last < 1000 for kept in outcome.ranges)
        assert json.loads(to_json(outcome))


PRINT = {"size_bytes": 5, "n_files": 1, "head_bytes": 9, "tail_bytes": 9, "digest": "00"}
