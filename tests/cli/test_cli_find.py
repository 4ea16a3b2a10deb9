import csv
import io
import json
import os
import subprocess
import sys

import pytest

from flashpan.errors import TakeError
from flashpan.eventlog import CSV_COLUMNS, read_log

MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]


def onsets(log):
    return [event["onset"] for event in log["events"]]


def test_prints_a_table(run, flash):
    status, out, err = run("find", flash)
    assert (status, err) == (0, "")
    assert out.splitlines()[0].startswith("flash ")
    assert " 400 " in out
    assert "1 event" in out


def test_nothing_found_is_a_result(run, quiet):
    status, out, err = run("find", quiet)
    assert (status, err) == (0, "")
    assert "No events" in out


class TestForms:
    def test_json_of_one_take_is_an_object(self, run, flash):
        log = json.loads(run("find", flash, "--json").out)
        assert log["schema"] == 1
        assert onsets(log) == [400]

    def test_json_of_several_is_an_array(self, run, flash, quiet):
        logs = json.loads(run("find", flash, quiet, "--json").out)
        assert [onsets(log) for log in logs] == [[400], []]

    def test_jsonl_is_a_line_per_event_and_nothing_else(self, run, flash, quiet):
        lines = run("find", flash, quiet, "--jsonl").out.splitlines()
        events = [json.loads(line) for line in lines]
        assert [(event["take"], event["onset"]) for event in events] == [("flash", 400)]
        assert events[0]["path"] == str(flash)

    def test_csv_is_a_header_and_a_row_per_event(self, run, flash, quiet):
        out = run("find", quiet, flash, "--csv").out
        header, *rows = csv.reader(io.StringIO(out))
        assert tuple(header) == CSV_COLUMNS
        assert [dict(zip(header, row, strict=True))["onset"] for row in rows] == ["400"]

    def test_csv_without_events_is_the_header(self, run, quiet):
        assert run("find", quiet, "--csv").out == ",".join(CSV_COLUMNS) + "\n"

    def test_tables_are_set_apart(self, run, flash, quiet):
        assert "\n\nquiet " in run("find", flash, quiet).out


class TestOptions:
    def test_rolls_reach_the_ranges(self, run, flash):
        log = json.loads(run("find", flash, "--json", "--pre-roll", 3, "--post-roll", "0").out)
        event, kept = log["events"][0], log["ranges"][0]
        assert (kept["first"], kept["last"]) == (event["onset"] - 3, event["end"])
        assert log["settings"]["from"]["pre_roll"] == "command line"

    def test_rates_and_trigger_reach_the_log(self, run, flash):
        options = ["--capture-rate", 1000, "--playback-rate", "29.97", "--trigger-frame", 500]
        log = json.loads(run("find", flash, "--json", *options).out)
        assert log["take"]["capture_rate"] == 1000
        assert log["take"]["playback_rate_exact"] == "30000/1001"
        assert log["events"][0]["onset_s"] == -0.1

    def test_ignore_masks_the_flash_out(self, run, flash):
        log = json.loads(run("find", flash, "--json", "--ignore", "10,8,44,32").out)
        assert onsets(log) == []

    def test_ignoring_the_whole_picture_is_refused(self, run, flash):
        status, out, err = run("find", flash, "--ignore", "0,0,100%,100%")
        assert (status, out) == (2, "")
        assert "ignored regions cover all" in err

    def test_last_ends_before_the_flash(self, run, flash):
        log = json.loads(run("find", flash, "--json", "--last", 350).out)
        assert (onsets(log), log["totals"]["frames"]) == ([], 351)

    def test_detectors_are_those_named(self, run, flash):
        log = json.loads(run("find", flash, "--json", "--detector", "brightness").out)
        assert log["settings"]["detectors"] == ["brightness"]
        assert {event["detector"] for event in log["events"]} == {"brightness"}

    def test_the_settings_file_beside_the_take_is_read(self, run, flash, tmp_path):
        take = tmp_path / "flash.npy"
        take.write_bytes(flash.read_bytes())
        (tmp_path / "flashpan.toml").write_text("pre_roll = 7\npost_roll = 8\n")
        log = json.loads(run("find", take, "--json", "--pre-roll", 1).out)
        assert log["settings"]["pre_roll_frames"] == 1
        assert log["settings"]["post_roll_frames"] == 8
        assert log["settings"]["from"]["post_roll"] == str(tmp_path / "flashpan.toml")

    def test_a_broken_settings_file_fails_its_take(self, run, flash, tmp_path):
        take = tmp_path / "flash.npy"
        take.write_bytes(flash.read_bytes())
        (tmp_path / "flashpan.toml").write_text("pre_roll = \n")
        outcome = run("find", take, flash)
        assert outcome.status == 2
        assert "at line 1" in outcome.err
        assert " 400 " in outcome.out

    def test_stdin(self, flash):
        header = b"YUV4MPEG2 W16 H16 F25:1 Ip Cmono\n"
        stream = header + b"".join(b"FRAME\n" + bytes([40]) * 256 for _ in range(40))
        done = subprocess.run([*MAIN, "find", "-", "--json"], input=stream, capture_output=True)
        assert done.returncode == 0, done.stderr
        log = json.loads(done.stdout)
        assert (log["take"]["path"], log["totals"]["frames"]) == ("-", 40)


class TestFailures:
    def test_others_go_on_after_a_failed_take(self, run, flash, tmp_path):
        junk = tmp_path / "junk.npy"
        junk.write_bytes(b"\x93NUMPY\x01\x00")
        status, out, err = run("find", tmp_path / "none.mp4", junk, flash)
        assert status == 3
        assert " 400 " in out
        lines = err.splitlines()
        assert len(lines) == 2
        assert all(line.startswith("flashpan: ") for line in lines)
        assert "none.mp4" in lines[0]
        assert "junk.npy" in lines[1]

    def test_a_setting_that_one_take_cannot_meet_is_status_2_and_names_it(self, run, flash, quiet):
        status, out, err = run("find", flash, quiet, "--pre-roll", "5ms")
        assert (status, out) == (2, "")
        assert [line.split(": ")[1] for line in err.splitlines()] == [str(flash), str(quiet)]

    def test_a_failed_take_outranks_a_wrong_setting(self, run, flash, tmp_path):
        assert run("find", flash, tmp_path / "none.mp4", "--pre-roll", "5ms").status == 3

    def test_json_of_a_failed_take_is_nothing(self, run, tmp_path):
        assert run("find", tmp_path / "none.mp4", "--json").out == ""

    def test_json_of_several_leaves_the_failed_one_out(self, run, flash, tmp_path):
        logs = json.loads(run("find", tmp_path / "none.mp4", flash, "--json").out)
        assert [onsets(log) for log in logs] == [[400]]

    def test_a_region_outside_the_picture(self, run, flash):
        status, out, err = run("find", flash, "--roi", "60,0,10,10")
        assert (status, out) == (2, "")
        assert "keep x + w within 64" in err


class TestOut:
    def test_writes_the_log_that_json_prints(self, run, flash, tmp_path):
        outcome = run("find", flash, "--out", tmp_path / "logs", "--json")
        path = tmp_path / "logs" / "flash.events.json"
        printed, written = json.loads(outcome.out), json.loads(path.read_text())
        assert printed == written
        assert outcome.err == f"flashpan: wrote {path}\n"
        assert [event.onset for event in read_log(path).events] == [400]

    def test_refuses_before_the_work_and_overwrites_when_asked(self, run, flash, tmp_path):
        assert run("find", flash, "--out", tmp_path).status == 0
        status, out, err = run("find", flash, "--out", tmp_path)
        assert (status, out) == (3, "")
        assert "give --overwrite" in err
        assert run("find", flash, "--out", tmp_path, "--overwrite").status == 0

    def test_the_take_is_not_changed(self, run, flash, tmp_path):
        before = (flash.read_bytes(), flash.stat().st_mtime_ns)
        run("find", flash, "--out", tmp_path)
        assert (flash.read_bytes(), flash.stat().st_mtime_ns) == before

    def test_logs_are_written_though_nobody_reads_the_tables(self, flash, tmp_path):
        command = [*MAIN, "find", flash, "--out", tmp_path]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
            process.stdout.close()
            err = process.stderr.read()
            assert process.wait(60) == 0
        assert err.decode() == f"flashpan: wrote {tmp_path / 'flash.events.json'}\n"
        assert (tmp_path / "flash.events.json").exists()


@pytest.mark.parametrize("form", ["--json", "--jsonl", "--csv"])
def test_progress_is_silent_without_a_terminal(form, flash):
    done = subprocess.run([*MAIN, "find", flash, form], capture_output=True)
    assert done.stderr == b""


def test_a_search_whose_log_cannot_be_written_can_be_run_again(run, flash, tmp_path, monkeypatch):
    def refuse(*words, **more):
        raise TakeError("full")

    with monkeypatch.context() as patch:
        patch.setattr("flashpan.eventlog.write_log", refuse)
        assert run("find", flash, "--out", tmp_path, "--trace").status == 3
    assert run("find", flash, "--out", tmp_path, "--trace").status == 0
    assert sorted(os.listdir(tmp_path)) == ["flash.events.json", "flash.scores.npz"]
