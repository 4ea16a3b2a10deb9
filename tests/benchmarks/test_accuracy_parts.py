"""What the accuracy benchmark plans, compares with and sums up."""

from __future__ import annotations

import runpy
import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sample_generators import Quality, TakeSettings, make_take, write_take

FOLDER = Path(__file__).parents[2] / "benchmarks"
PRINTED = """\
frame:0    pts:0       pts_time:0
lavfi.scd.mafd=0.000
lavfi.scd.score=0.000
frame:50   pts:50      pts_time:2
lavfi.freezedetect.freeze_start=0
frame:120  pts:120     pts_time:4.8
lavfi.scd.mafd=28.125
lavfi.scd.score=28.125
lavfi.scd.time=4.8
lavfi.freezedetect.freeze_duration=4.8
lavfi.freezedetect.freeze_end=4.8
frame:171  pts:171     pts_time:6.84
lavfi.freezedetect.freeze_start=4.84
"""


@pytest.fixture
def part(monkeypatch):
    """Imports a module of the benchmarks."""
    monkeypatch.syspath_prepend(str(FOLDER))
    return __import__


def test_every_condition_is_measured_and_the_run_is_bounded(part):
    conditions = part("conditions")
    jobs = conditions.plan_jobs("reporting", quick=False)
    names = [condition.name for condition in conditions.CONDITIONS]
    assert len(set(names)) == len(names)
    eventful = Counter(job.condition.name for job in jobs if job.scene.scenario != "quiet")
    assert set(eventful) == set(names)
    assert min(eventful.values()) >= 2
    assert {job.scene.scenario for job in jobs} == {scene.scenario for scene in conditions.SCENES}
    assert Counter(job.target for job in jobs).keys() == {None, 15.0, 5.0}
    # Some 3 ms a frame: 35 minutes of one core.
    assert sum(job.scene.n_frames for job in jobs) < 600_000
    quick = conditions.plan_jobs("tuning", quick=True)
    assert {job.condition.name for job in quick} == set(names)
    assert sum(job.scene.n_frames for job in quick) < 60_000


def test_no_seed_is_for_tuning_and_for_reporting(part):
    plan = part("conditions").plan_jobs
    tuning, reporting = (
        {job.seed for job in plan(s, quick=False)} for s in ("tuning", "reporting")
    )
    assert not tuning & reporting


def test_every_condition_can_be_rendered(part):
    conditions = part("conditions")
    for job in conditions.plan_jobs("tuning", quick=True):
        take = replace(job, target=None).take()
        frame = take.frame(len(take) - 1)
        assert frame.dtype == (np.uint8 if job.condition.bit_depth == 8 else np.uint16)
        assert len(take.truth.events) >= (job.scene.scenario != "quiet"), job


def test_event_frames_below_zero_count_from_the_end(part):
    conditions = part("conditions")
    jobs = conditions.plan_jobs("tuning", quick=False, only=frozenset({"last-frame", "lamp"}))
    assert jobs
    for job in jobs:
        (event,) = job.take().truth.events
        assert event.onset == event.end == job.scene.n_frames - 1


def test_a_search_past_a_bystander_ignores_his_part(part):
    conditions = part("conditions")
    only = frozenset({"bystander", "lamp"})
    job = conditions.plan_jobs("tuning", quick=True, only=only)[0]
    (region,) = [spec.resolve((240, 320)) for spec in job.settings().ignore]
    assert region.as_box() == (0, 0, 64, 240)


def test_printed_marks_are_read(part):
    filters = part("ffmpeg_filters")
    marks = filters.read_marks(PRINTED)
    assert marks == filters.Marks(changes=(120,), frozen=(0, 121), thawed=(120,))
    assert filters.change_events(marks, 10) == [(120, 120)]
    assert filters.freeze_events(marks, 300, 10) == [(120, 121)]


def test_what_never_freezes_is_one_event_and_what_always_does_is_none(part):
    filters = part("ffmpeg_filters")
    assert filters.freeze_events(filters.Marks((), (), ()), 300, 10) == [(0, 299)]
    assert filters.freeze_events(filters.Marks((), (0,), ()), 300, 10) == []
    marks = filters.Marks((), (30, 100), (90,))
    assert filters.freeze_events(marks, 300, 10) == [(0, 30), (90, 100)]
    assert filters.freeze_events(marks, 300, 59) == [(0, 100)]
    assert filters.change_events(filters.Marks((5, 9, 40), (), ()), 10) == [(5, 9), (40, 40)]


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="no ffmpeg command on this system")
@pytest.mark.parametrize("bit_depth", [8, 10, 12, 16])
def test_filters_find_a_flash_in_a_still_picture(part, bit_depth):
    filters = part("ffmpeg_filters")
    run = filters.FilterRun((48, 64), bit_depth)
    grey = np.full((48, 64), 0.3 * (1 << bit_depth), np.uint8 if bit_depth == 8 else np.uint16)
    for t in range(200):
        run.look(grey * np.asarray(2 if t == 120 else 1, grey.dtype))
    marks = run.finish()
    assert marks.changes == (120,)
    assert filters.freeze_events(marks, run.n_frames, 10) == [(120, 121)]


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="no ffmpeg command on this system")
def test_a_filter_that_fails_says_why(part, monkeypatch):
    filters = part("ffmpeg_filters")
    monkeypatch.setattr(filters, "FILTERS", "no-such-filter")
    run = filters.FilterRun((48, 64), 8)
    with pytest.raises(RuntimeError, match="no-such-filter"):
        run.finish()


@pytest.mark.parametrize(("crf", "least", "most"), [(8, 0.6, 2.5), (45, 0.0, 0.4)])
def test_a_codec_leaves_less_the_harder_it_compresses(part, tmp_path, crf, least, most):
    """At crf 8 hardly anything is lost; at 45 a faint thing is not worth coding."""
    coded = part("coded")
    asked = {"rows": 96, "cols": 96, "n_frames": 120, "event_frames": (70,), "event_length": 3}
    take = make_take("pellet", TakeSettings(**asked, contrast=0.1, seed=2))
    quality = Quality(crf=crf, gop=250)
    write_take(take, tmp_path / "take.mp4", form="h264", quality=quality)
    (left,) = coded.visibility_left(take, tmp_path / "take.mp4", "h264", quality)
    visibility = take.truth.events[0].visibility
    assert 10 < visibility < 20
    assert least * visibility <= left <= most * visibility


def measured(part, **changes):
    """One take: an event of visibility 50 found, one of 20 missed, one event too many."""
    matching, module = part("matching"), part("measured")
    wanted = (
        matching.Wanted(onset=100, visible_from=100, end=110, visibility=50.0),
        matching.Wanted(onset=400, visible_from=400, end=410, visibility=20.0),
    )
    found = ((102, 110), (700, 701))
    outcome = module.Outcome(found=found, matched=matching.match_events(wanted, found))
    notes = (
        module.Note(fault="missed", reason="too faint", visibility=20.0, text="missed 400"),
        module.Note(fault="onset", reason="late by difference", visibility=50.0, text="onset +2"),
        module.Note(fault="false", reason="flash by difference", visibility=0.0, text="false 700"),
    )
    given = {
        "scenario": "lamp",
        "condition": "rain",
        "moves": True,
        "seed": 1,
        "n_frames": 1000,
        "wanted": wanted,
        "flashpan": outcome,
        "others": {"plain": outcome},
        "left": (),
        "kept": 60,
        "ideal": 40,
        "notes": notes,
    }
    return module.Measured(**{**given, **changes})


def test_goals_are_met_or_short_by_so_much(part):
    rows = part("summary").goal_rows([measured(part)])
    found = {row["goal"]: (row["measured"], row[""]) for row in rows}
    assert found == {
        "recall, visibility ≥ 30": ("1 (1 of 1)", "met"),
        "recall, visibility 8–30": ("0 (0 of 1)", "short by 0.9"),
        "onset within tolerance": ("0 (0 of 1)", "short by 0.95"),
        "false per million, still background": ("–", "–"),
        "false per million, moving background": ("1e+03 (1 of 1000)", "short by 9.9e+02"),
        "kept / ideal": ("1.5 (60 of 40)", "short by 0.2"),
    }


def test_what_falls_short_is_given_its_commonest_reason(part):
    fine = measured(part, condition="clock", moves=False, notes=(), kept=40)
    nothing = part("measured").Outcome(found=(), matched=part("matching").match_events([], []))
    fine = replace(fine, wanted=(), flashpan=nothing)
    rows = part("summary").short_rows([measured(part), fine])
    assert {row["condition"] for row in rows} == {"rain"}
    assert [row["commonest reason"] for row in rows] == [
        "missed: too faint (1 of 1)",
        "onset: late by difference (1 of 1)",
        "false: flash by difference (1 of 1)",
        "false: flash by difference (1 of 1)",
    ]


def test_a_method_that_is_not_there_is_said_to_be_missing(part):
    rows = part("summary").method_rows([measured(part)])
    assert [row["method"] for row in rows] == ["flashpan", "plain", "scdet", "freezedetect"]
    assert rows[1]["false / 100,000"] == "100 (1 of 1000)"
    assert set(rows[2].values()) == {"scdet", "not installed"}
    table = part("table")
    row = table.make_row("lamp", "rain", [measured(part)], baseline=True)
    assert row["plain recall"] == "1/2"
    assert row["scdet recall"] == "not installed"


def test_real_footage_shows_labels_beside_what_is_found(part, tmp_path, capsys):
    part("real_footage")
    real_footage = runpy.run_path(str(FOLDER / "real_footage.py"))
    take = make_take("lamp", TakeSettings(rows=48, cols=64, n_frames=200, event_frames=(100,)))
    write_take(take, tmp_path / "flash.mkv")
    label = real_footage["Label"]
    labels = (label("onset", "a flash", 100, 100), label("idle", "nothing", 0, 99))
    labels += (label("moment", "something else", 150, 151),)
    told = real_footage["told"](real_footage["Take"]("flash", tmp_path / "flash.mkv", labels))
    assert "| onset | 100–100 | a flash | onset 100 | as labelled |" in told
    assert "| idle | 0–99 | nothing | 0 onsets | as labelled |" in told
    assert "0 of 2 frames kept | **not as labelled** |" in told
    assert real_footage["main"]([str(tmp_path / "absent.mkv")]) == 3
    assert "absent.mkv" in capsys.readouterr().err
