"""A night, start to end: taken up again, stopped, spoilt by single takes, done by any engine."""

import importlib
import json
import os
import shutil
from dataclasses import replace

import numpy as np
import pytest
from ingest_fixtures import BRIEFLY, content_of, files_under, mixed_takes, shots_of
from trim_fixtures import state, video

from flashpan.cut.plan import TrimSettings
from flashpan.cut.space import BUDGET_CURE
from flashpan.errors import NightBusy, SettingsError, TakeError, UsageError
from flashpan.night import run as runs
from flashpan.night.catalog import Catalog
from flashpan.night.desk import make_engine
from flashpan.night.discovery import discover
from flashpan.night.engines import Inline, WorkerDied
from flashpan.night.ingest import ingest, parse_split_above
from flashpan.night.key import key_of, said
from flashpan.night.permit import PREFIX, Permit, RunOver, permit
from flashpan.night.record import NightRecord
from flashpan.settings import Settings
from flashpan.units import parse_duration

trim = importlib.import_module("flashpan.trim")  # the name in the package is the function


@pytest.fixture
def source(tmp_path):
    mixed_takes(tmp_path / "card", 5)
    return tmp_path / "card"


@pytest.fixture
def dest(tmp_path):
    return tmp_path / "night"


def run(source, dest, settings=BRIEFLY, **more):
    more = {"engine": "inline", "sheets": False} | more
    lines = []
    night = ingest(source, dest, settings, on_line=lines.append, **more)
    return night, lines


def kinds(lines):
    return [line["what"] for line in lines]


class TestWholeNight:
    def test_every_take_is_done_and_catalogued(self, source, dest):
        before = {path: state(path) for path in source.rglob("*") if path.is_file()}
        night, lines = run(source, dest)
        assert (len(night.done), night.failed, night.exit_code) == (5, [], 0)
        with NightRecord.read(dest) as catalog:
            rows = list(catalog.takes())
            assert [row.state for row in rows] == ["done"] * 5
            assert {row.folder for row in rows} == {
                "take 00",
                "second/take 01",
                "täke 02",
                "second/stills 03",
                "take 04",
            }
            for clip in catalog.clips():
                row = next(row for row in rows if row.id == clip.take_id)
                assert (dest / row.folder / clip.name).exists()
        assert kinds(lines)[0] == "night-begins"
        assert kinds(lines)[-2:] == ["night-sealed", "night-ends"]
        assert kinds(lines).count("take-done") == 5
        assert {path: state(path) for path in before} == before

    def test_one_take_may_be_the_source(self, source, dest):
        assert len(run(next(source.glob("*.mov")), dest)[0].done) == 1

    def test_leaves_nothing_but_results(self, source, dest):
        run(source, dest)
        assert not [path for path in dest.rglob("*") if path.name.startswith(".flashpan")]

    def test_workers_give_the_same_night(self, source, dest, tmp_path):
        run(source, dest)
        run(source, tmp_path / "other", engine="processes", workers=2)
        assert files_under(tmp_path / "other") == files_under(dest)
        assert content_of(tmp_path / "other") == content_of(dest)


class TestLongTakes:
    def test_are_split_with_the_same_night(self, source, dest, tmp_path):
        run(source, dest)
        sizes = sorted(path.stat().st_size for path in source.glob("*.m*"))
        lines = []
        night = ingest(
            source,
            tmp_path / "other",
            BRIEFLY,
            engine="processes",
            sheets=False,
            workers=2,
            split_above=sizes[0],
            on_line=lines.append,
        )
        assert (len(night.done), night.errors) == (5, [])
        assert content_of(tmp_path / "other") == content_of(dest)
        assert files_under(tmp_path / "other") == files_under(dest)
        # of these few frames nothing is split: it is said why
        assert all("too short" in line["why"] for line in lines if line["what"] == "take-whole")
        assert kinds(lines).count("take-whole") >= 2

    def test_of_one_name_get_folders_of_their_own(self, tmp_path, dest):
        card = tmp_path / "card"
        card.mkdir()
        video(card / "storm.mov")
        video(card / "storm.avi")
        night, _ = run(card, dest, engine=_Roomy(), split_above=0)
        assert len(night.done) == 2
        with NightRecord.read(dest) as record:
            assert len({row.folder for row in record.takes()}) == 2

    def test_one_that_cannot_be_read_fails_alone(self, source, dest):
        (source / "bad.mov").write_bytes(b"no video" * 999)
        night, _ = run(source, dest, engine=_Roomy(), split_above=0)
        assert (len(night.done), len(night.errors)) == (5, 1)
        assert night.errors[0].startswith(str(source / "bad.mov"))

    @pytest.mark.parametrize(
        ("text", "n_bytes"), [("4GB", 4_000_000_000), ("1GiB", 1 << 30), ("never", None)]
    )
    def test_the_size_is_read(self, text, n_bytes):
        assert parse_split_above(text) == n_bytes

    @pytest.mark.parametrize("text", ["500", "always", ""])
    def test_nonsense_is_refused(self, text):
        with pytest.raises(SettingsError, match="--split-above"):
            parse_split_above(text)


class TestAgain:
    def test_done_takes_are_passed_over(self, source, dest):
        run(source, dest)
        before = files_under(dest)
        night, lines = run(source, dest)
        assert (len(night.done), len(night.there)) == (0, 5)
        assert kinds(lines).count("take-skipped") == 5
        assert files_under(dest) == before

    def test_a_renamed_take_is_known(self, source, dest):
        run(source, dest)
        moved = source / "elsewhere" / "renamed.mov"
        moved.parent.mkdir()
        next(source.glob("*.mov")).rename(moved)
        night, _ = run(source, dest)
        assert night.done == []
        assert str(moved) in night.there

    def test_a_copy_is_done_once(self, source, dest):
        first = next(source.glob("*.mov"))
        shutil.copy2(first, source / "second" / "copy.mov")
        night, lines = run(source, dest)
        assert (len(night.done), len(night.there)) == (5, 1)
        assert [line["why"] for line in lines if line["what"] == "take-skipped"] == ["same"]

    def test_a_new_take_is_added(self, source, dest):
        run(source, dest)
        late = source / "late.npy"
        np.save(late, np.full((60, 48, 64), 7, np.uint8))
        assert run(source, dest)[0].done == [str(late)]

    def test_a_take_that_was_replaced_is_done_beside_the_old_one(self, source, dest):
        run(source, dest)
        path = source / "take 00.mov"
        old = (dest / "take 00").iterdir()
        old = {one.name: one.read_bytes() for one in old}
        path.unlink()
        video(path, shots=np.random.default_rng(9).integers(30, 60, (80, 48, 64), np.uint8))
        night, _ = run(source, dest)
        assert night.done == [str(path)]
        assert {one.name: one.read_bytes() for one in (dest / "take 00").iterdir()} == old
        assert len(list(dest.glob("take 00-*"))) == 1

    def test_other_settings_move_the_old_results_aside(self, source, dest):
        run(source, dest)
        before = files_under(dest)
        wider = replace(BRIEFLY, pre_roll=parse_duration("8"))
        night, lines = run(source, dest, wider)
        assert len(night.done) == 5
        assert kinds(lines).count("results-moved") == 5
        after = files_under(dest)
        for name, content in before.items():
            folder, _, file = name.rpartition("/")
            first, *rest = folder.split("/")
            moved = [f"{first}.earlier-1", *rest]
            if first == "second":
                moved = ["second", f"{rest[0]}.earlier-1", *rest[1:]]
            assert after["/".join([*moved, file])] == content
        run(source, dest, BRIEFLY)
        assert len(list(dest.glob("take 00.earlier-*"))) == 2

    def test_a_failed_take_is_tried_again(self, source, dest):
        bad = source / "bad.mov"
        bad.write_bytes(b"x" * 5000)
        night, _ = run(source, dest)
        assert night.exit_code == 3
        assert len(night.done) == 5
        bad.unlink()
        video(bad)
        night, _ = run(source, dest)
        assert (night.done, night.exit_code) == ([str(bad)], 0)

    def test_what_another_version_made_is_moved_aside(self, source, dest):
        run(source, dest)
        with Catalog.open(dest) as catalog:
            row = next(row for row in catalog.takes() if row.folder == "take 00")
            catalog.fail(row.id, "for the test")
        log = next((dest / "take 00").glob("*.events.json"))
        log.write_text(log.read_text().replace('"flashpan": "', '"flashpan": "9.'))
        night, _ = run(source, dest)
        assert night.done == [row.path]
        assert (dest / "take 00.earlier-1").is_dir()


class TestClips:
    """What the clips shall be may stand in a settings file, for all takes or for some."""

    def forms(self, dest):
        with NightRecord.read(dest) as record:
            names = {row.id: row.name for row in record.takes()}
            return {(names[clip.take_id], clip.form, clip.proof) for clip in record.clips()}

    def test_by_take_and_done_again_when_they_change(self, tmp_path, dest):
        card = tmp_path / "card"
        card.mkdir()
        for number, name in enumerate(("a.mov", "b.mov")):
            video(card / name, shots=shots_of(number, 90, [40]))
        (card / "flashpan.toml").write_text('[take."b"]\nalso = ["gif"]\n')
        run(card, dest)
        assert {(name, form) for name, form, _ in self.forms(dest)} == {
            *(("a", "clip"), ("b", "clip"), ("b", "gif")),
        }
        (card / "flashpan.toml").write_text('[take."b"]\nverify = false\n')
        night, _ = run(card, dest)
        assert (night.done, night.there) == ([str(card / "b.mov")], [str(card / "a.mov")])
        assert self.forms(dest) == {("a", "clip", "bit for bit"), ("b", "clip", "")}

    def test_a_budget_is_refused(self, source, dest):
        with pytest.raises(UsageError, match="budget 500MB: a night cuts each take as it comes"):
            run(source, dest, wanted=TrimSettings(budget="500MB"))
        assert not dest.exists()


class TestHeadway:
    def test_all_is_counted_and_what_is_there_is_left_out(self, source, dest):
        told = []
        run(source, dest, on_headway=told.append)
        assert told[0].takes == 5
        assert told[0].bytes == sum(one.bytes for one in discover(source))
        changed = next(iter(source.glob("*.mov")))
        os.utime(changed, (0, changed.stat().st_mtime + 60))  # beyond what disks may round
        again = []
        run(source, dest, on_headway=again.append)
        assert [way.takes for way in again] == [1]

    def test_ends_with_everything(self, source, dest, monkeypatch):
        monkeypatch.setattr(runs, "_LOOK_EVERY_S", 0.0)
        told = []
        night, _ = run(source, dest, on_headway=told.append)
        assert [way.takes_done for way in told] == [0, 1, 2, 3, 4]
        assert told[-1].frames == 4 * 120
        assert told[-1].events == sum(
            len(step["events"]) for step in [json.loads((dest / "night.json").read_text())]
        )
        assert told[-1].bytes_done < told[-1].bytes
        assert night.exit_code == 0

    def test_takes_never_begun_are_counted_in_the_report(self, source, dest):
        def stop(step):
            if step.outcome == "done":
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            run(source, dest, on_take=stop)
        with NightRecord.read(dest) as record:
            assert (record.totals().takes, record.totals().to_come) == (1, 4)
        assert "takes     5: 1 done, 4 not done yet" in (dest / "night.txt").read_text()
        run(source, dest)
        with NightRecord.read(dest) as record:
            assert record.totals().to_come == 0


class TestFailures:
    def test_one_bad_take_stops_nobody(self, source, dest):
        (source / "bad.mov").write_bytes(b"no video at all" * 100)
        (source / "empty.mov").write_bytes(b"")
        night, lines = run(source, dest)
        assert len(night.done) == 5
        assert len(night.failed) == len(night.errors) == 2
        assert all("\n" not in error for error in night.errors)
        assert {"take-failed", "take-unreadable"} & set(kinds(lines))

    def test_a_worker_that_died_costs_its_take_only(self, source, dest):
        told = []
        night, lines = run(source, dest, engine=_Deadly("stills 03"), on_take=told.append)
        assert (len(night.done), len(night.failed)) == (4, 1)
        assert "stills 03" in night.errors[0]
        assert "worker process ended" in night.errors[0]
        assert kinds(lines).count("worker-died") == 1
        assert kinds(lines).count("take-begins") == 6  # it had a second chance
        assert len([step for step in told if step.outcome == "again"]) == 1
        assert all("tried once more" in step.error for step in told if step.outcome == "again")
        with NightRecord.read(dest) as catalog:
            failed = [row for row in catalog.takes() if row.state == "failed"]
        assert len(failed) == 1
        assert failed[0].attempts == 2

    def test_a_worker_that_died_once_costs_nothing(self, source, dest, tmp_path):
        assert run(source, dest, engine=_Deadly("stills 03", times=1))[0].exit_code == 0
        run(source, tmp_path / "other")
        assert content_of(dest) == content_of(tmp_path / "other")

    def test_a_full_disk_stops_the_night(self, source, dest, monkeypatch):
        def full(job):
            done = real(job)
            return replace(done, error=f"{job.take}: no space", disk_is_full=True)

        real = runs.do
        monkeypatch.setattr(runs, "do", full)
        with pytest.raises(TakeError, match="disk is full"):
            run(source, dest)
        with NightRecord.read(dest) as catalog:
            assert [row.state for row in catalog.takes()] == ["failed"]

    def test_a_really_full_disk_is_known_as_such(self, tmp_path, small_disk):
        shots = np.random.default_rng(3).integers(0, 60, (160, 96, 128), np.uint8)
        shots[60:66] += 90
        card = tmp_path / "card"
        card.mkdir()
        for name in ("a.npy", "b.npy"):
            np.save(card / name, shots)
            shots = shots[::-1].copy()
        wide = replace(BRIEFLY, pre_roll=parse_duration("60"))
        try:
            night, _ = run(card, small_disk / "n", wide)
        except TakeError as error:
            assert "full" in str(error)  # noqa: PT017
        else:
            assert len(night.errors) == 2
            assert all("free" in error for error in night.errors)

    def test_what_was_found_is_known_though_there_is_no_room(self, source, dest, monkeypatch):
        def none(folder, needs):
            list(needs)
            raise TakeError(f"{folder}: no room; choose another folder or {BUDGET_CURE}")

        monkeypatch.setattr(trim, "require_space", none)
        night, lines = run(source, dest)
        assert night.failed  # those without events need no room
        for path, error in zip(night.failed, night.errors, strict=True):
            assert error.startswith(f"{path}: ")
            assert error.endswith("no room; choose another folder")
        failed = [line for line in lines if line["what"] == "take-failed"]
        with NightRecord.read(dest) as record:
            assert record.totals().events == sum(line["events"] for line in failed) > 0
            assert record.totals().frames == 5 * 120
            assert list(record.clips()) == []
        monkeypatch.undo()
        assert run(source, dest)[0].done == night.failed

    def test_the_source_may_not_lie_in_the_destination(self, source):
        with pytest.raises(UsageError, match="holds no takes"):
            ingest(source, source.parent, engine="inline")
        with pytest.raises(UsageError, match="holds no takes"):
            ingest(source, source, engine="inline")

    def test_the_destination_may_lie_in_the_source(self, source):
        assert len(run(source, source / "night")[0].done) == 5
        assert len(run(source, source / "night")[0].there) == 5

    def test_no_source(self, tmp_path, dest):
        with pytest.raises(UsageError, match="no such file"):
            run(tmp_path / "none", dest)

    def test_a_second_run_is_refused(self, source, dest):
        with Catalog.open(dest), pytest.raises(NightBusy, match="another run"):
            run(source, dest)


class TestStop:
    def test_goes_on_where_it_was(self, source, dest, tmp_path):
        count = 0

        def stop_at_third(step):
            nonlocal count
            count += step.outcome == "begun"
            if count == 3:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            run(source, dest, on_take=stop_at_third)
        with NightRecord.read(dest) as catalog:
            assert sorted(row.state for row in catalog.takes()) == ["done", "done", "new"]
        assert not list(dest.glob(f"{PREFIX}*"))
        night, _ = run(source, dest)
        assert (len(night.done), len(night.there)) == (3, 2)
        run(source, tmp_path / "other")
        assert content_of(dest) == content_of(tmp_path / "other")
        assert files_under(dest) == files_under(tmp_path / "other")

    def test_work_stops_when_its_run_is_over(self, tmp_path, monkeypatch):
        from flashpan.night import permit as permits

        monkeypatch.setattr(permits, "_LOOK_EVERY_S", 0.0)
        with permit(tmp_path) as name:
            allowed = Permit(str(tmp_path), name)
            allowed.check()
        with pytest.raises(RunOver):
            allowed.check()
        with pytest.raises(RunOver, match="same place"):
            Permit(str(tmp_path), name)

    def test_a_new_run_ends_what_an_old_one_left(self, tmp_path):
        (tmp_path / f"{PREFIX}old").touch()
        with permit(tmp_path) as name:
            assert [path.name for path in tmp_path.iterdir()] == [name]


class TestJournal:
    def test_lines_are_appended_as_they_come(self, source, dest, tmp_path):
        path = tmp_path / "night.jsonl"
        run(source, dest, log_file=path)
        first = path.read_text().splitlines()
        run(source, dest, log_file=path)
        lines = path.read_text().splitlines()
        assert lines[: len(first)] == first
        said_ = [json.loads(line) for line in lines]
        assert all({"time", "what"} <= set(line) for line in said_)
        done = next(line for line in said_ if line["what"] == "take-done" and line["events"])
        assert done["clips"] >= 1
        assert done["kept"] > 0

    def test_a_file_that_cannot_be_written_is_refused_at_once(self, source, dest, tmp_path):
        with pytest.raises(UsageError, match="--log-file"):
            run(source, dest, log_file=tmp_path / "no" / "where.jsonl")
        assert not dest.exists()


class TestKey:
    def test_says_what_was_asked_and_where(self):
        settings = Settings.from_mapping({"pre_roll": "5ms", "capture_rate": 1000}, "card.toml")
        assert said(settings, TrimSettings(how="copy")) == {
            "find": {"pre_roll": "5ms", "capture_rate": 1000},
            "trim": {"how": "copy"},
            "from": {"pre_roll": "card.toml", "capture_rate": "card.toml"},
        }

    def test_counts_what_changes_results_only(self):
        one = Settings.from_mapping({"pre_roll": 5}, "a")
        other = Settings.from_mapping({"pre_roll": 5}, "b")
        plain = TrimSettings()
        by_hand = Settings(capture_rate=1000)  # type as a script gives it
        as_read = Settings.from_mapping({"capture_rate": "1000"})
        assert key_of(by_hand, plain) == key_of(as_read, plain)
        assert key_of(one, plain) == key_of(other, TrimSettings(overwrite=True))
        assert key_of(one, plain) != key_of(replace(one, first=3), plain)
        assert key_of(one, plain) != key_of(one, TrimSettings(verify=False))
        assert key_of(one, plain) != key_of(one, TrimSettings(also=("gif",)))


class TestEngines:
    @pytest.mark.parametrize(
        ("name", "more", "said"),
        [
            ("threads", {}, "no engine called"),
            ("processes", {"workers": 0}, "1 or more"),
            ("inline", {"scheduler": "tcp://x"}, "--engine dask"),
        ],
    )
    def test_refusals(self, name, more, said):
        with pytest.raises(UsageError, match=said):
            make_engine(name, **more)


class _Roomy(Inline):
    """Takes two things at a time, and does each at once."""

    @property
    def n_places(self):
        return 2


class _Deadly(Inline):
    """An engine whose worker dies of a take."""

    def __init__(self, name, times=99):
        self._name, self._times = name, times

    def submit(self, work, job):
        future = super().submit(work, job)
        if self._name in job.take and self._times:
            self._times -= 1
            future = type(future)()
            future.set_exception(WorkerDied("the worker process ended by signal 9"))
        return future


_CUSTOM = """
import os, signal
from flashpan.trim import TrimRun
plan = TrimRun.plan
def deadly(self, reader, *more, **named):
    if "stills 03" in reader.info.path:
        os.kill(os.getpid(), signal.SIGSEGV)
    return plan(self, reader, *more, **named)
TrimRun.plan = deadly
"""


def test_a_take_that_crashes_its_worker_costs_itself_only(source, dest, tmp_path, monkeypatch):
    """As a codec does that crashes: the real processes, the real signal."""
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "sitecustomize.py").write_text(_CUSTOM)
    path = os.pathsep.join([str(tmp_path / "site"), os.environ.get("PYTHONPATH", "")])
    monkeypatch.setenv("PYTHONPATH", path)
    night, lines = run(source, dest, engine="processes", workers=2)
    assert (len(night.done), len(night.failed)) == (4, 1)
    assert "signal 11" in night.errors[0]
    assert "stills 03" in night.errors[0]
    assert kinds(lines).count("worker-died") == 1
    monkeypatch.undo()
    assert run(source, dest)[0].exit_code == 0
