"""The night report. Takes and times are invented."""

import csv
import io
import json
from contextlib import ExitStack
from datetime import UTC, timedelta, timezone
from fractions import Fraction

import pytest
from night_fixtures import (
    EVENING_NS,
    HOUR_NS,
    SETTINGS,
    clip,
    event,
    found,
    identity,
    outcome,
    put_done,
)

from flashpan.errors import SettingsError
from flashpan.night.catalog import Catalog
from flashpan.night.record import NightRecord
from flashpan.night.report import night_report, parse_offload_rate
from flashpan.night.reporttable import (
    CSV_COLUMNS,
    format_report,
    report_csv,
    report_json,
    report_to_dict,
)

KOLKATA = timezone(timedelta(hours=5, minutes=30), "IST")


@pytest.fixture
def night(tmp_path):
    """Three takes done, one of them without events; one failed; one waiting; one unreadable."""
    with Catalog.open(tmp_path) as catalog:
        late, later = EVENING_NS + HOUR_NS, EVENING_NS + 3 * HOUR_NS
        put_done(catalog, "/card/b_9.mov", "b9", result=outcome([event(70)]), mtime_ns=later)
        put_done(
            catalog,
            "/card/b_10.mov",
            "b10",
            result=outcome([event(50), event(500, kind="motion")]),
            mtime_ns=later,
        )
        put_done(catalog, "/card/quiet.mov", "q", result=outcome([], frames=2000), mtime_ns=late)
        failed = catalog.add(found("/card/bad.mov"), identity("bad"))
        for _ in range(2):
            catalog.begin(failed, SETTINGS, "k", "bad")
            catalog.fail(failed, "its worker died", seconds=2.0)
        catalog.add(found("/card/waiting.mov"), identity("w"))
        catalog.put_problems([found("/card/e.mov", problem="/card/e.mov: is empty (0 bytes)")])
    return tmp_path


@pytest.fixture
def reported():
    """Sum up a night, which stays open until the test is over."""
    with ExitStack() as closing:

        def report(dest, **more):
            record = closing.enter_context(NightRecord.read(dest))
            return night_report(record, **{"zone": UTC} | more)

        yield report


class TestSums:
    def test_totals(self, night, reported):
        totals = reported(night).totals
        assert (totals.takes, totals.done, totals.failed, totals.waiting) == (5, 3, 1, 1)
        assert (totals.unreadable, totals.events, totals.clips) == (1, 3, 3)
        assert (totals.frames, totals.kept) == (4000, 90)
        assert (totals.take_bytes, totals.clip_bytes, totals.saved_bytes) == (27_000, 9000, 18_000)
        assert (totals.seconds, totals.bytes_read) == (3 * 1.5 + 2 * 2.0, 27_000)

    def test_copies_beside_clips_count_apart(self, tmp_path, reported):
        clips = (clip(0), clip(0, form="view", name="v.mp4", bytes=500))
        with Catalog.open(tmp_path) as catalog:
            put_done(catalog, result=outcome(clips=clips))
        totals = reported(tmp_path).totals
        assert (totals.clips, totals.kept, totals.clip_bytes) == (1, 30, 3000)
        assert totals.copy_bytes == 500

    def test_what_was_replaced_does_not_count(self, night, reported):
        with Catalog.open(night) as catalog:
            now = EVENING_NS + 5 * HOUR_NS
            put_done(catalog, "/card/b_9.mov", "new", result=outcome([]), mtime_ns=now)
        report = reported(night)
        assert (report.totals.takes, report.totals.events) == (5, 2)
        assert {event.place for event in report.events()} == {"b_10.mov"}

    def test_a_failed_take_saves_nothing_yet(self, tmp_path, reported):
        with Catalog.open(tmp_path) as catalog:
            put_done(catalog, result=outcome(error="one clip differs"))
        totals = reported(tmp_path).totals
        assert (totals.take_bytes, totals.clip_bytes) == (0, 0)
        assert (totals.clips, totals.kept) == (1, 30)

    def test_offload_time(self, night, reported):
        report = reported(night, offload_rate=Fraction(9000))
        assert report.offload_saved_s == 2.0
        assert reported(night).offload_saved_s is None

    def test_an_empty_night(self, tmp_path, reported):
        Catalog.open(tmp_path).close()
        report = reported(tmp_path)
        assert (report.totals.takes, list(report.events()), report.hours) == (0, [], [])
        assert "takes     0: 0 done" in format_report(report)

    def test_while_a_run_is_at_work(self, tmp_path, reported):
        with Catalog.open(tmp_path) as catalog:
            put_done(catalog)
            assert reported(tmp_path).totals.done == 1


class TestOrder:
    def test_events_by_time_then_take_then_frame(self, night, reported):
        order = [(event.place, event.event) for event in reported(night).events()]
        assert order == [("b_9.mov", 0), ("b_10.mov", 0), ("b_10.mov", 1)]

    def test_each_with_its_range_and_clip(self, night, reported):
        *_, last = reported(night).events()
        assert (last.trim_first, last.trim_last) == (490, 519)
        assert (last.clip, last.clip_bytes) == ("a_r001.mov", 3000)

    def test_a_range_that_a_budget_left_out_has_no_clip(self, tmp_path, reported):
        with Catalog.open(tmp_path) as catalog:
            put_done(catalog, result=outcome(clips=(), left_out=1))
        (event,) = reported(tmp_path).events()
        assert (event.trim_first, event.clip) == (40, None)
        assert "no clip" in format_report(reported(tmp_path))

    def test_hours(self, night, reported):
        told = [
            (str(hour.begins)[:13], hour.takes, hour.events, hour.kinds, hour.kept)
            for hour in reported(night).hours
        ]
        assert told == [
            ("2023-11-14 22", 2, 0, {}, 0),
            ("2023-11-14 23", 1, 0, {}, 0),
            ("2023-11-15 01", 2, 3, {"flash": 2, "motion": 1}, 90),
        ]

    def test_by_the_clock_on_the_wall(self, night, reported):
        hours = [str(hour.begins) for hour in reported(night, zone=KOLKATA).hours]
        assert hours == [
            "2023-11-15 03:00:00+05:30",
            "2023-11-15 04:00:00+05:30",
            "2023-11-15 06:00:00+05:30",
        ]

    def test_a_time_that_is_not_known_comes_last(self, night, reported):
        with Catalog.open(night) as catalog:
            catalog._db.run("UPDATE take SET shot_at = '' WHERE place = 'quiet.mov'")
        report = reported(night)
        assert [hour.begins is None for hour in report.hours] == [False, False, True]
        assert "time not known" in format_report(report)


class TestText:
    def test_failures_at_the_top(self, night, reported):
        lines = format_report(reported(night)).splitlines()
        assert lines[0] == f"night     {night}"
        assert lines[1] == "takes     5: 3 done, 1 failed, 1 not done yet; 1 more cannot be read"
        assert lines[2] == "FAILED    bad.mov: its worker died (2 attempts)"
        assert lines[3] == "UNREAD    /card/e.mov: is empty (0 bytes)"

    def test_all_well_says_nothing_of_failures(self, tmp_path, reported):
        with Catalog.open(tmp_path) as catalog:
            put_done(catalog)
        text = format_report(reported(tmp_path))
        assert "FAILED" not in text
        assert (
            "takes     1: 1 done\n\nframes    1,000 seen, 30 kept (3.0 %) in 1 clip, 1 event"
            in text
        )

    def test_space_and_time(self, night, reported):
        text = format_report(reported(night, offload_rate=parse_offload_rate("3 B/s")))
        assert "space     clips 9 kB of 27 kB, 18 kB saved" in text
        assert "offload   1:40:00 saved at 3 bytes per second" in text

    def test_clips_that_weigh_more_than_takes(self, tmp_path, reported):
        with Catalog.open(tmp_path) as catalog:
            put_done(catalog, result=outcome(clips=(clip(0, bytes=19_000),)))
        text = format_report(reported(tmp_path, offload_rate=Fraction(1000)))
        assert "clips 19 kB of 9 kB, 10 kB more than the takes" in text
        assert "0:00:10 more at 1 kB per second" in text

    def test_tables(self, night, reported):
        text = format_report(reported(night))
        assert "2023-11-15 01:00 UTC      2       3      2       1           90" in text
        told = [" ".join(line.split()) for line in text.splitlines()]
        assert any(
            line.startswith("11-15 01:13:20 b_10.mov 1 motion 500 +500.000 ms 12.5 490-519")
            for line in told
        )

    def test_a_long_table_is_cut_and_says_so(self, night, reported):
        text = format_report(reported(night), most_events=1)
        assert text.splitlines()[-1] == "… and 2 events more; --csv and --json have all of them"

    def test_lines_are_short(self, night, reported):
        assert max(map(len, format_report(reported(night)).splitlines())) <= 100

    def test_names_that_would_break_a_table(self, tmp_path, reported):
        with Catalog.open(tmp_path) as catalog:
            put_done(catalog, "/card/a\nb\udcff.mov")
        text = format_report(reported(tmp_path))
        assert r"a\nb\udcff.mov" in text


class TestForPrograms:
    def test_csv(self, night, reported):
        rows = list(csv.DictReader(io.StringIO(report_csv(reported(night)))))
        assert [row["path"] for row in rows] == ["/card/b_9.mov"] + ["/card/b_10.mov"] * 2
        last = rows[-1]
        assert tuple(last) == CSV_COLUMNS
        assert last["shot_at"] == "2023-11-15T01:13:20+00:00"
        assert (last["event"], last["onset"], last["length"]) == ("1", "500", "6")
        assert (last["trim_first"], last["trim_last"]) == ("490", "519")
        assert (last["x"], last["y"], last["width"], last["height"]) == ("24", "12", "16", "8")
        assert (last["clip"], last["sha256"]) == ("a_r001.mov", "ab" * 32)

    def test_json(self, night, reported):
        told = json.loads(report_json(reported(night, offload_rate=Fraction(9000))))
        assert told == report_to_dict(reported(night, offload_rate=Fraction(9000)))
        assert told["schema"] == 1
        assert told["night"] == str(night)
        assert told["failures"] == [
            {"take": "bad", "path": "/card/bad.mov", "error": "its worker died", "attempts": 2}
        ]
        assert told["unreadable"][0]["error"] == "/card/e.mov: is empty (0 bytes)"
        assert told["totals"]["saved_bytes"] == 18_000
        assert told["offload"] == {"bytes_per_s": 9000, "saved_s": 2.0}
        assert [hour["kinds"] for hour in told["hours"]][-1] == {"flash": 2, "motion": 1}
        assert told["events"][0]["box"] == [24, 12, 16, 8]
        assert told["events"][0]["verified"] == "bit for bit"

    def test_names_that_are_no_unicode(self, tmp_path, reported):
        with Catalog.open(tmp_path) as catalog:
            put_done(catalog, "/card/\udcff.mov")
        told = json.loads(report_json(reported(tmp_path)))
        assert told["events"][0]["path"] == "/card/\udcff.mov"


@pytest.mark.parametrize(
    ("text", "rate"),
    [("120MB", 120_000_000), ("120 MB/s", 120_000_000), ("1.5GiB/s", 3 << 29), ("9kBps", 9000)],
)
def test_rates(text, rate):
    assert parse_offload_rate(text) == rate


@pytest.mark.parametrize("text", ["120", "fast", "0MB/s", "-1MB/s", "", "MB/s"])
def test_no_rates(text):
    with pytest.raises(SettingsError, match="is no rate; write 120MB/s"):
        parse_offload_rate(text)
