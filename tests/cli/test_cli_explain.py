"""``flashpan find TAKE --explain FRAME``."""

import json

import pytest


def test_says_why(run, flash):
    status, out, err = run("find", flash, "--explain", 400)
    assert (status, err) == (0, "")
    assert out.startswith("flash ")
    assert "Frame 400 lies in event 0" in out
    for detector in ("brightness", "difference", "roi-motion"):
        assert f"\n{detector}" in out


def test_says_why_not(run, quiet):
    status, out, _ = run("find", quiet, "--explain", 300)
    assert status == 0
    assert "No event: the highest" in out


def test_it_replaces_the_table(run, flash):
    out = run("find", flash, "--explain", 400).out
    assert "strength" not in out
    assert "took" not in out


def test_json(run, flash):
    said = json.loads(run("find", flash, "--explain", 400, "--json").out)
    log = json.loads(run("find", flash, "--json").out)
    assert said["verdict"]["event"] == 0
    assert said["event"] == log["events"][0]
    assert said["settings"] == log["settings"]
    assert said["take"] == log["take"]


def test_options_of_the_search_are_in_force(run, flash):
    out = run("find", flash, "--explain", 400, "--ignore", "10,8,44,32").out
    assert "No event" in out
    assert "ignoring 10,8,44,32" in out


def test_a_settings_file_is_read(run, flash, tmp_path):
    settings = tmp_path / "mine.toml"
    settings.write_text("detectors = ['brightness']\nfalse-alarms = 10\n")
    out = run("find", flash, "--explain", 400, "--settings", settings).out
    assert "false alarms 10 per million frames" in out
    assert "roi-motion" not in out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--explain", "600"], "which has 600 frames numbered from 0; ask for one of 0 to 599"),
        (["--explain", "-1"], "numbered from 0"),
        (["--explain", "x"], "not a valid integer"),
        (["--explain", "5", "--csv"], "leave out --jsonl, --csv"),
        (["--explain", "5", "--jsonl"], "leave out --jsonl, --csv"),
        (["--explain", "5", "--out", "logs"], "leave out --jsonl, --csv, --out"),
        (["--explain", "5", "--overwrite"], "leave out"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_line(run, flash, options, said):
    status, out, err = run("find", flash, *options)
    assert (status, out) == (2, "")
    assert said in err
    assert err.count("\n") == 1


def test_one_take_only(run, flash, quiet):
    status, out, err = run("find", flash, quiet, "--explain", 5)
    assert (status, out) == (2, "")
    assert "one take, not 2" in err


def test_a_take_that_fails(run, tmp_path):
    status, out, err = run("find", tmp_path / "none.mp4", "--explain", 5)
    assert (status, out) == (3, "")
    assert "none.mp4" in err
