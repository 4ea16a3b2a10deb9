from dataclasses import replace
from fractions import Fraction

import pytest

from flashpan.model import Event, EventLog, Region, TakeInfo, Totals, TrimRange
from flashpan.settings import COMMAND_LINE, Settings
from flashpan.table import WIDTH, format_table
from flashpan.units import real_time


def a_log(*, n_frames=20_000, onsets=(12_345,), trigger_frame=None, settings=None, **facts):
    take = TakeInfo(
        path="a.mp4",
        name="ridge-03",
        shape=(720, 1280),
        bit_depth=12,
        n_frames=n_frames,
        codec="h264",
        trigger_frame=trigger_frame,
        **{"capture_rate": Fraction(100_000), "playback_rate": Fraction(25)} | facts,
    )
    events = tuple(
        Event(
            onset=onset,
            peak=onset + 1,
            end=onset + 9,
            kind="flash",
            detector="brightness",
            strength=1234.5,
            box=Region(1, 2, 3, 4),
            chance=0.0123,
            onset_s=real_time(onset, take.capture_rate, trigger_frame),
        )
        for onset in onsets
    )
    ranges = tuple(TrimRange(e.onset - 25, e.end + 25, (n,)) for n, e in enumerate(events))
    return EventLog(
        take=take,
        settings=(settings or Settings()).resolved(take).as_log(),
        events=events,
        ranges=ranges,
        totals=Totals(
            frames=n_frames,
            kept=sum(kept.n_frames for kept in ranges),
            events=len(events),
            seconds=2.0,
            bytes_read=1,
        ),
    )


def lines_of(log):
    return format_table(log).splitlines()


def test_the_head_says_what_was_read():
    head = lines_of(a_log())[0]
    for fact in ("ridge-03", "1280x720", "12 bit", "20,000 frames", "100,000 frames/s", "h264"):
        assert fact in head


def test_an_event_is_one_line_on_three_clocks():
    header, line = lines_of(a_log())[-4:-2]
    assert header.split()[:3] == ["#", "kind", "onset"]
    assert line.startswith("0  ")
    for text in ("flash", "12345", "123.450 ms", "0:08:13.800", "12346", "12354", "10", "0.012"):
        assert f" {text}" in line
    assert line.endswith("12320-12379")


def test_real_time_has_a_sign_where_there_is_a_trigger():
    assert " +10 µs " in format_table(a_log(trigger_frame=12_344))
    assert " -10 µs " in format_table(a_log(trigger_frame=12_346))


def test_unknown_clocks_are_dashes():
    header, line = lines_of(a_log(capture_rate=None, playback_rate=None))[-4:-2]
    assert line.split()[:5] == ["0", "flash", "12345", "-", "-"]
    assert "real time" in header


def test_defaults_are_marked_and_what_was_said_is_not():
    asked = Settings.from_mapping({"pre_roll": "5ms"}, source=COMMAND_LINE)
    text = " ".join(format_table(a_log(settings=asked)).split())
    assert "pre-roll 500 frames (5 ms)," in text
    assert "post-roll 5,000 frames (50 ms)*" in text
    assert "merge gap 30,000 frames (300 ms)*" in text
    assert "false alarms 1 per million frames*" in text
    assert "* default" in text


def test_a_settings_file_is_named():
    asked = Settings.from_mapping({"pre_roll": 5, "roi": "0,0,64,64"}, source="night/flashpan.toml")
    text = format_table(a_log(settings=asked))
    assert "from night/flashpan.toml" in text
    assert "roi 0,0,64,64" in text


def test_part_of_a_take_is_said():
    assert "only frames 100-19999" in format_table(a_log(settings=Settings(first=100)))


def test_totals():
    assert lines_of(a_log(onsets=(100, 900)))[-1] == (
        "kept      120 of 20,000 frames (0.6 %) in 2 ranges, 2 events; took 2.0 s, 10,000 frames/s"
    )


def test_one_of_a_thing_has_no_s():
    assert "in 1 range, 1 event;" in lines_of(a_log())[-1]


def test_what_is_kept_is_never_shown_as_nothing():
    assert "(<0.1 %)" in lines_of(a_log(n_frames=3_000_000))[-1]


def test_no_events_is_a_plain_result():
    text = format_table(a_log(onsets=()))
    assert "No events: nothing stood out" in text
    assert "kept      none of 20,000 frames" in text
    assert "onset" not in text


def test_an_empty_take_divides_by_nothing():
    log = a_log(onsets=(), n_frames=0)
    assert "none of 0 frames" in format_table(replace(log, totals=replace(log.totals, seconds=0.0)))


def test_warnings_come_last():
    log = replace(a_log(), warnings=("3 frames are missing", "the container is cut short"))
    assert lines_of(log)[-2:] == [
        "warning   3 frames are missing",
        "warning   the container is cut short",
    ]


@pytest.mark.parametrize("n_frames", [20_000, 3_000_000])
def test_fits_a_hundred_columns(n_frames):
    settings = Settings(ignore=(), detectors=("brightness", "difference", "roi-motion"))
    log = a_log(
        n_frames=n_frames, onsets=range(12_000, n_frames, n_frames // 100), settings=settings
    )
    assert max(map(len, lines_of(log))) <= WIDTH == 100


def test_columns_stand_under_their_headings():
    header, *rows = lines_of(a_log(onsets=(200, 12_345)))[-5:-2]
    ends = {row.index(text) + len(text) for row, text in zip(rows, ("209", "12354"), strict=True)}
    assert ends == {header.index(" end") + len(" end")}


def test_a_log_of_another_maker_without_our_settings():
    assert "kept" in format_table(replace(a_log(), settings={}))
