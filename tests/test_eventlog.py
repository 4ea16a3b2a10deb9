import csv
import io
import json
import os
from dataclasses import replace

import numpy as np
import pytest
from log_fixtures import a_log, a_take, an_empty_log, an_event

import flashpan
from flashpan.errors import TakeError
from flashpan.eventlog import (
    CSV_COLUMNS,
    csv_rows,
    event_to_dict,
    from_dict,
    log_path,
    read_log,
    to_dict,
    to_json,
    write_log,
)

NUMBER = (int, float)
MAYBE_NUMBER = (int, float, type(None))
MAYBE_INT = (int, type(None))

# Schema 1 as agreed, keys in order; lists hold the shape of one item.
CONTRACT = {
    "flashpan": str,
    "schema": int,
    "take": {
        "name": str,
        "path": str,
        "frames": MAYBE_INT,
        "width": int,
        "height": int,
        "bit_depth": int,
        "codec": str,
        "capture_rate": MAYBE_NUMBER,
        "playback_rate": MAYBE_NUMBER,
        "trigger_frame": MAYBE_INT,
    },
    "settings": dict,
    "events": [
        {
            "onset": int,
            "peak": int,
            "end": int,
            "kind": str,
            "detector": str,
            "strength": NUMBER,
            "box": [int],
            "onset_s": MAYBE_NUMBER,
            "chance": NUMBER,
        }
    ],
    "ranges": [{"first": int, "last": int, "events": [int]}],
    "totals": {
        "frames": int,
        "kept": int,
        "events": int,
        "seconds": NUMBER,
        "bytes_read": int,
    },
    "warnings": [str],
}


def check(value, shape, where="log"):
    """Hold a value against the contract: its keys first and in order, then more at most."""
    if isinstance(shape, dict):
        assert list(value)[: len(shape)] == list(shape), where
        for key, inner in shape.items():
            check(value[key], inner, f"{where}.{key}")
    elif isinstance(shape, list):
        assert isinstance(value, list), where
        for item in value:
            check(item, shape[0], where)
    else:
        assert isinstance(value, shape), f"{where}: {value!r}"
        assert not isinstance(value, bool), where


@pytest.mark.parametrize(
    "log",
    [
        a_log(),
        an_empty_log(),
        a_log(a_take(capture_rate=None, playback_rate=None, trigger_frame=None, n_frames=None)),
    ],
    ids=["full", "empty", "rates unknown"],
)
class TestContract:
    def test_keys_order_and_types(self, log):
        check(json.loads(to_json(log)), CONTRACT)
        assert list(to_dict(log)) == list(CONTRACT)

    def test_reads_back_equal(self, log):
        assert from_dict(json.loads(to_json(log))) == log

    def test_knows_its_version(self, log):
        data = to_dict(log)
        assert (data["flashpan"], data["schema"]) == (flashpan.__version__, 1)


def test_the_contract_check_can_fail():
    data = to_dict(a_log())
    data["events"][0]["onset"] = "50"
    with pytest.raises(AssertionError, match=r"log\.events\.onset"):
        check(data, CONTRACT)
    with pytest.raises(AssertionError, match=r"log\.take"):
        check(data | {"take": {}}, CONTRACT)


def test_rates_are_whole_where_they_are_whole():
    take = to_dict(a_log())["take"]
    assert take["capture_rate"] == 100_000
    assert isinstance(take["capture_rate"], int)
    assert take["playback_rate"] == pytest.approx(29.97002997)
    assert take["playback_rate_exact"] == "30000/1001"


def test_box_is_x_y_width_height_and_onset_counts_from_the_trigger():
    event = to_dict(a_log())["events"][0]
    assert event["box"] == [2, 1, 4, 3]
    assert event["onset_s"] == -0.0005


def test_numpy_numbers_become_plain_ones():
    event = replace(an_event(a_take(), 5, 9), onset=np.int64(5), strength=np.float32(2.5))
    assert json.loads(json.dumps(event_to_dict(event)))["strength"] == 2.5


def test_the_schema_is_the_only_thing_asked_of_a_later_version(tmp_path):
    data = to_dict(a_log()) | {"schema": 2, "more": 1}
    data["events"][0]["more"] = 1
    path = tmp_path / "a.events.json"
    path.write_text(json.dumps(data))
    assert read_log(path) == a_log()


def test_a_log_without_the_additions_is_read(tmp_path):
    data = to_dict(a_log())
    data["take"] = {key: data["take"][key] for key in CONTRACT["take"]}
    path = tmp_path / "a.events.json"
    path.write_text(json.dumps(data))
    assert read_log(path).events[0].onset == 50


class TestFiles:
    def test_write_and_read(self, tmp_path):
        path = write_log(a_log(), tmp_path / "new" / "folder")
        assert path == tmp_path / "new" / "folder" / "a.events.json"
        assert read_log(path) == a_log()

    def test_refuses_to_overwrite_unless_asked(self, tmp_path):
        write_log(a_log(), tmp_path)
        with pytest.raises(TakeError, match=r"a\.events\.json exists already"):
            write_log(an_empty_log(), tmp_path)
        assert read_log(write_log(an_empty_log(), tmp_path, overwrite=True)) == an_empty_log()
        assert os.listdir(tmp_path) == ["a.events.json"]

    def test_takes_of_one_name_do_not_collide(self, tmp_path):
        other = a_log(a_take(path="day/a.mp4"))
        for overwrite in (False, True):  # and keep their names when run again
            first = write_log(a_log(), tmp_path, overwrite)
            second = write_log(other, tmp_path, overwrite)
            assert (read_log(first), read_log(second)) == (a_log(), other)
            assert second == log_path(other.take, tmp_path)
        assert len(os.listdir(tmp_path)) == 2

    def test_one_relative_path_in_two_folders_is_two_takes(self, tmp_path, monkeypatch):
        take = a_take(path="a.mp4")
        for folder in ("one", "two"):
            (tmp_path / folder).mkdir()
            monkeypatch.chdir(tmp_path / folder)
            write_log(a_log(take), tmp_path / "logs", overwrite=True)
        assert len(os.listdir(tmp_path / "logs")) == 2

    def test_a_foreign_file_in_the_way_is_left_alone(self, tmp_path):
        (tmp_path / "a.events.json").write_text("mine")
        assert write_log(a_log(), tmp_path, overwrite=True).name != "a.events.json"
        assert (tmp_path / "a.events.json").read_text() == "mine"

    def test_a_stem_of_ones_own(self, tmp_path):
        assert write_log(a_log(), tmp_path, stem="b-1a2b3c4d").name == "b-1a2b3c4d.events.json"

    def test_a_name_that_is_no_unicode(self, tmp_path):
        take = a_take(path=os.fsdecode(b"n\xe9.mp4"))
        assert read_log(write_log(a_log(take), tmp_path)).take.path == take.path

    def test_a_folder_that_cannot_be_made(self, tmp_path):
        (tmp_path / "file").touch()
        with pytest.raises(TakeError, match=r"cannot be made .*; choose another folder"):
            write_log(a_log(), tmp_path / "file")

    @pytest.mark.parametrize(
        "content",
        ["", "[]", "{}", "null", '{"schema": 0}', '{"schema": 1, "take": {}}', '"text"'],
    )
    def test_what_is_no_log_says_so(self, tmp_path, content):
        path = tmp_path / "a.events.json"
        path.write_text(content)
        with pytest.raises(TakeError, match=r"a\.events\.json: is no event log"):
            read_log(path)

    def test_a_missing_log_says_so(self, tmp_path):
        with pytest.raises(TakeError, match="cannot be read"):
            read_log(tmp_path / "none.json")


class TestCsv:
    def test_a_row_per_event_under_the_columns(self):
        text = io.StringIO()
        csv.writer(text).writerows([CSV_COLUMNS, *csv_rows(a_log())])
        rows = list(csv.DictReader(io.StringIO(text.getvalue())))
        assert [row["onset"] for row in rows] == ["50", "90"]
        assert rows[1]["event"] == "1"
        assert rows[0]["length"] == "11"
        assert (rows[0]["trim_first"], rows[0]["trim_last"]) == ("25", "85")
        assert [rows[0][name] for name in ("x", "y", "width", "height")] == ["2", "1", "4", "3"]
        assert float(rows[0]["playback_s"]) == pytest.approx(50 * 1.001 / 30)

    def test_what_is_not_known_is_empty(self):
        log = replace(a_log(a_take(capture_rate=None, playback_rate=None)), ranges=())
        row = dict(zip(CSV_COLUMNS, next(csv_rows(log)), strict=True))
        assert [row[name] for name in ("onset_s", "playback_s", "trim_first")] == [None] * 3
