"""The benchmarks run, and their rules of matching hold on cases worked out by hand."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "benchmarks"
METHODS = ["flashpan", "plain", "scdet", "freezedetect"]


@pytest.fixture
def matching(monkeypatch):
    monkeypatch.syspath_prepend(str(FOLDER))
    import matching

    return matching


@pytest.fixture
def plain_script(monkeypatch):
    monkeypatch.syspath_prepend(str(FOLDER))
    import plain_script

    return plain_script


@pytest.fixture
def conditions(monkeypatch):
    monkeypatch.syspath_prepend(str(FOLDER))
    import conditions

    return conditions


@pytest.fixture
def filters(monkeypatch):
    monkeypatch.syspath_prepend(str(FOLDER))
    import ffmpeg_filters

    return ffmpeg_filters


def wanted(matching, onset, seen, end):
    return matching.Wanted(onset=onset, visible_from=seen, end=end, visibility=10.0)


def run(name, *words):
    command = [sys.executable, str(FOLDER / name), *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_onsets_inside_the_band_are_exact(matching):
    event = wanted(matching, 100, 104, 150)
    assert [event.off_band(t) for t in (97, 100, 102, 104, 107)] == [-3, 0, 0, 0, 3]


def test_matching_is_one_to_one_and_as_large_as_can_be(matching):
    # the first find fits both true events, the second only the first of them
    events = [wanted(matching, 100, 100, 150), wanted(matching, 160, 160, 200)]
    matched = matching.match_events(events, [(140, 170), (101, 120)])
    assert matched.pairs == ((0, 1), (1, 0))
    assert not matched.missed + matched.extra + matched.false


def test_missed_swallowed_extra_and_false_are_told_apart(matching):
    events = [
        wanted(matching, 100, 100, 150),
        wanted(matching, 170, 170, 200),
        wanted(matching, 500, 500, 510),
        wanted(matching, 900, None, 910),
    ]
    matched = matching.match_events(events, [(100, 210), (130, 140), (300, 310)])
    assert matched.pairs == ((0, 0),)
    assert matched.missed == (1, 2)  # the invisible one cannot be asked for
    assert matched.swallowed == (1,)
    assert matched.extra == (1,)
    assert matched.false == (2,)


def test_a_find_that_opens_long_before_is_another_thing(matching):
    matched = matching.match_events([wanted(matching, 100, 100, 150)], [(74, 160)])
    assert (matched.missed, matched.swallowed, matched.false) == ((0,), (0,), (0,))
    assert matching.match_events([wanted(matching, 100, 100, 150)], [(75, 160)]).pairs


def test_no_events_and_none_found_match(matching):
    assert matching.match_events([], []) == matching.Matched((), (), (), (), ())


def test_the_plain_script_finds_a_flash(plain_script):
    differences = [0.0, *([1.0, 1.1] * 50)]
    differences[40:42] = [9.0, 8.0]
    assert plain_script.plain_events(differences, 10) == [(40, 41)]


def test_accuracy_writes_its_tables(tmp_path):
    words = ("--quick", "--only", "lamp,early", "--baseline", "--out", str(tmp_path))
    done = run("accuracy.py", *words)
    assert done.returncode == 0, done.stderr
    assert "| lamp" in (tmp_path / "accuracy.md").read_text(encoding="utf-8")
    rows = (tmp_path / "accuracy.csv").read_text(encoding="utf-8").splitlines()
    assert rows[1].startswith("lamp,early,3,1200,3,")
    goals = (tmp_path / "accuracy_goals.csv").read_text(encoding="utf-8").splitlines()
    assert len(goals) == 7
    methods = (tmp_path / "accuracy_methods.csv").read_text(encoding="utf-8").splitlines()
    assert [row.split(",")[0] for row in methods[1:]] == METHODS


def test_accuracy_refuses_names_that_are_none(tmp_path):
    done = run("accuracy.py", "--only", "nonsense", "--out", str(tmp_path))
    assert done.returncode == 2
    assert "nonsense" in done.stderr
    assert "Traceback" not in done.stderr


def test_false_alarms_counts_and_writes(tmp_path):
    words = ("--only", "score:gaussian,tile:correlated", "--out", str(tmp_path))
    words += ("--picture", str(tmp_path / "curve.png"))
    done = run("false_alarms.py", *words, "--score-frames", "500", "--tile-frames", "100")
    assert done.returncode == 0, done.stderr
    assert len((tmp_path / "false_alarms.csv").read_text(encoding="utf-8").splitlines()) == 9
    assert len((tmp_path / "false_alarms.md").read_text(encoding="utf-8").splitlines()) == 10
    assert (tmp_path / "curve.png").stat().st_size > 1000


def test_throughput_compares_find_with_decoding():
    done = run("throughput.py", "--only", "mono8", "--frames", "4", "--repeats", "1")
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[2].startswith("| mono8")


def test_trim_is_measured_beside_a_plain_copy(tmp_path):
    words = ["--only", "mjpeg.avi", "--megabytes", "2", "--repeats", "1", "--folder", tmp_path]
    done = run("trim.py", *map(str, words), "--proved")
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[2].startswith("| mjpeg.avi")


@pytest.mark.skipif(sys.platform != "linux", reason="reads the kernel's high-water mark")
def test_memory_gives_the_peak_of_find(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(str(FOLDER))
    import memory

    path = tmp_path / "take.raw"
    memory.write_repeated(path, "mono8", 48, 64, 100)
    assert 20_000 < memory.peak_kib(path, "mono8", 48, 64) < 2_000_000


def test_a_night_of_many_takes():
    done = run("night_catalog.py", "--takes", "50", "--events", "2")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("50 takes, 100 events;")
    assert "resume check" in done.stdout
    assert "report as JSON" in done.stdout
