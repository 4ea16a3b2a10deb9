"""The memory of a night."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from contextlib import closing
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
    report,
)

from flashpan.errors import CatalogError, NightBusy
from flashpan.night import database, schema
from flashpan.night.catalog import Catalog
from flashpan.night.database import Database
from flashpan.night.discovery import CATALOG_NAME, discover
from flashpan.night.identity import identity_of
from flashpan.night.lock import LOCK_NAME
from flashpan.night.record import NightRecord
from flashpan.night.schema import STEPS, VERSION


@pytest.fixture
def catalog(tmp_path):
    with Catalog.open(tmp_path / "night") as opened:
        yield opened


def raw(dest):
    return closing(sqlite3.connect(dest / CATALOG_NAME, isolation_level=None))


class TestTakes:
    def test_a_new_take(self, catalog):
        take_id = catalog.add(found(), identity())
        assert catalog.state(take_id) == "new"
        (row,) = catalog.takes()
        assert (row.id, row.path, row.place, row.name) == (take_id, "/card/a.mp4", "a.mp4", "a")
        assert (row.identity, row.settings, row.attempts) == (identity(), {}, 0)
        assert not catalog.is_done(identity(), "k")

    def test_again(self, catalog):
        assert catalog.add(found(), identity()) == catalog.add(found(), identity())
        assert len(list(catalog.takes())) == 1

    def test_no_such_take(self, catalog):
        with pytest.raises(KeyError):
            catalog.state(7)

    def test_renamed(self, catalog):
        take_id = put_done(catalog)
        assert catalog.add(found("/other/b.mp4"), identity()) == take_id
        (row,) = catalog.takes()
        assert (row.path, row.name, row.state, row.folder) == ("/other/b.mp4", "b", "done", "a")
        assert catalog.is_done(identity(), "k")

    def test_a_copy_beside_it_does_not_take_its_place(self, catalog, tmp_path):
        one = tmp_path / "card" / "a.mp4"
        one.parent.mkdir()
        one.write_bytes(b"x" * 99)
        (first,) = discover(one)
        take_id = catalog.add(first, identity_of(first))
        two = tmp_path / "card" / "b.mp4"
        two.write_bytes(b"x" * 99)
        os.utime(two, ns=(0, first.mtime_ns))
        (second,) = discover(two)
        assert catalog.add(second, identity_of(second)) == take_id
        assert [row.path for row in catalog.takes()] == [str(one)]
        one.unlink()
        catalog.add(second, identity_of(second))
        assert [row.path for row in catalog.takes()] == [str(two)]

    def test_changed_at_its_place(self, catalog):
        old = put_done(catalog)
        later = EVENING_NS + HOUR_NS
        new = catalog.add(found(mtime_ns=later), identity(mtime_ns=later))
        assert new != old
        assert [row.id for row in catalog.takes()] == [new]
        assert [row.is_replaced for row in catalog.takes(replaced=True)] == [True, False]
        assert list(catalog.events()) == []
        assert len(list(catalog.events(old))) == 1

    @pytest.mark.parametrize("new_first", [True, False])
    def test_moved_and_another_in_its_place(self, catalog, new_first):
        old = put_done(catalog, digest="old")
        both = [(found(), identity("new")), (found("/card/moved.mp4"), identity("old"))]
        for one in both if new_first else reversed(both):
            catalog.add(*one)
        rows = {row.path: row for row in catalog.takes()}
        assert set(rows) == {"/card/a.mp4", "/card/moved.mp4"}
        assert rows["/card/moved.mp4"].id == old
        assert catalog.is_done(identity("old"), "k")
        assert not catalog.is_done(identity("new"), "k")

    def test_two_seconds_are_no_change(self, catalog):
        take_id = put_done(catalog)
        a_little = EVENING_NS - 1_900_000_000
        assert catalog.add(found(mtime_ns=a_little), identity(mtime_ns=a_little)) == take_id
        assert catalog.known_identity(found(mtime_ns=a_little)) == identity(mtime_ns=a_little)

    def test_identity_without_reading(self, catalog):
        assert catalog.known_identity(found()) is None
        catalog.add(found(), identity())
        assert catalog.known_identity(found()) == identity()
        assert catalog.known_identity(found(size=9001)) is None
        assert catalog.known_identity(found(mtime_ns=EVENING_NS + 1)) is None
        assert catalog.known_identity(found("/card/b.mp4")) is None

    @pytest.mark.parametrize(
        "path",
        [
            *("/card/Gewitter über Köln.mp4", "/雷/夜.mp4", "/card/it's; DROP TABLE take.mp4"),
            *("/card/\udcff\udcfe.mp4", "/card/ü\udcff.mp4", "/card/new\nline.mp4"),
        ],
    )
    def test_any_name(self, catalog, path):
        catalog.add(found(path), identity())
        catalog.fail(1, f"{path}: cannot be read")
        (row,) = catalog.takes()
        assert (row.path, row.error) == (path, f"{path}: cannot be read")
        assert catalog.known_identity(found(path)) == identity()

    def test_text_that_is_neither_unicode_nor_a_name(self, catalog):
        catalog.add(found(), identity())
        catalog.fail(1, "half a pair \ud800")
        assert next(catalog.takes()).error == "half a pair \\ud800"


class TestAttempts:
    def test_begun_and_done(self, catalog):
        take_id = catalog.add(found(), identity())
        catalog.begin(take_id, SETTINGS, "k", "sub/a")
        assert catalog.state(take_id) == "running"
        assert not catalog.is_done(identity(), "k")
        catalog.finish(take_id, outcome(warnings=("cut short",)))
        assert catalog.state(take_id) == "done"
        (row,) = catalog.takes()
        assert (row.settings, row.settings_key, row.folder) == (SETTINGS, "k", "sub/a")
        assert (row.frames, row.log_name, row.attempts) == (1000, "a.events.json", 1)
        assert (row.capture_rate, row.playback_rate) == (1000, Fraction(30_000, 1001))
        assert catalog.warnings(take_id) == ["cut short"]
        assert catalog.folder_of(take_id) == "sub/a"
        assert catalog.folders() == {"sub/a"}
        (attempt,) = catalog.attempts(take_id)
        assert (attempt.outcome, attempt.seconds, attempt.bytes_read) == ("done", 1.5, 9000)
        assert attempt.began_at <= attempt.ended_at

    def test_done_with_other_settings_is_not_done(self, catalog):
        put_done(catalog, key="k")
        assert catalog.is_done(identity(), "k")
        assert not catalog.is_done(identity(), "other")

    def test_what_was_found(self, catalog):
        take_id = put_done(catalog, result=outcome([event(50), event(500, onset_s=None)]))
        one, two = catalog.events(take_id)
        assert (one.onset, one.peak, one.end, one.kind) == (50, 52, 55, "flash")
        assert (one.box, one.onset_s, one.trim_range) == ((24, 12, 16, 8), 0.05, 0)
        assert (two.number, two.onset_s, two.trim_range) == (1, None, 1)
        assert [(kept.first, kept.last) for kept in catalog.ranges(take_id)] == [
            (40, 69),
            (490, 519),
        ]
        assert [clip.sha256 for clip in catalog.clips(take_id)] == ["ab" * 32] * 2

    def test_copies_beside_a_clip(self, catalog):
        result = outcome(clips=(clip(0), clip(0, form="view", name="a.mp4")))
        take_id = put_done(catalog, result=result)
        assert {clip.form for clip in catalog.clips(take_id)} == {"clip", "view"}

    def test_when_it_was_shot(self, catalog):
        put_done(catalog)
        (row,) = catalog.takes()
        assert (row.shot_at, row.shot_at_from) == ("2023-11-14T22:13:20+00:00", "file")
        said = {"shot_at": "2023-11-14T21:00:00+00:00", "shot_at_from": "container"}
        put_done(catalog, key="other", result=outcome(**said))
        (row,) = catalog.takes()
        assert (row.shot_at, row.shot_at_from) == ("2023-11-14T21:00:00+00:00", "container")

    def test_failed_and_tried_again(self, catalog):
        take_id = catalog.add(found(), identity())
        catalog.begin(take_id, SETTINGS, "k", "a")
        catalog.fail(take_id, "a.mp4: its worker died")
        assert catalog.state(take_id) == "failed"
        assert not catalog.is_done(identity(), "k")
        catalog.begin(take_id, SETTINGS, "k", "a")
        assert next(catalog.takes()).error == ""
        catalog.finish(take_id, outcome())
        assert [one.outcome for one in catalog.attempts(take_id)] == ["failed", "done"]
        assert next(catalog.takes()).attempts == 2

    def test_failed_with_clips_that_are_there(self, catalog):
        take_id = put_done(catalog, result=outcome(error="a.mp4: one clip differs"))
        assert catalog.state(take_id) == "failed"
        assert len(list(catalog.clips(take_id))) == 1

    def test_results_stay_where_a_take_could_not_be_searched_again(self, catalog):
        take_id = put_done(catalog)
        catalog.begin(take_id, SETTINGS, "other", "a")
        catalog.finish(take_id, report(error="a.mp4: no such file"))
        assert len(list(catalog.events(take_id))) == 1

    def test_results_give_way_to_later_ones(self, catalog):
        take_id = put_done(catalog, result=outcome([event(50), event(500)]))
        catalog.begin(take_id, SETTINGS, "other", "a")
        catalog.finish(take_id, outcome([event(70)]))
        assert [one.onset for one in catalog.events()] == [70]
        assert len(list(catalog.clips())) == len(list(catalog.ranges())) == 1

    def test_given_up(self, catalog):
        take_id = catalog.add(found(), identity())
        catalog.begin(take_id, SETTINGS, "k", "a")
        catalog.release(take_id)
        assert catalog.state(take_id) == "new"
        assert [one.outcome for one in catalog.attempts()] == ["stopped"]

    def test_left_in_hand_by_a_killed_run(self, catalog):
        put_done(catalog)
        for digest in "bc":
            take_id = catalog.add(found(f"/card/{digest}.mp4"), identity(digest))
            catalog.begin(take_id, SETTINGS, "k", digest)
        assert catalog.reset_running() == 2
        assert catalog.reset_running() == 0
        assert [row.state for row in catalog.takes()] == ["done", "new", "new"]

    def test_all_or_nothing(self, catalog):
        take_id = put_done(catalog)
        broken = outcome([event(50), event(500) | {"kind": None}])
        with pytest.raises(CatalogError, match="NOT NULL"):
            catalog.finish(take_id, broken)
        assert [one.onset for one in catalog.events()] == [50]
        assert catalog.faults() == []

    def test_many_at_once(self, catalog):
        def add_two_and_fail():
            with catalog.together():
                catalog.add(found(), identity())
                catalog.add(found("/card/b.mp4"), identity("b"))
                raise RuntimeError

        with pytest.raises(RuntimeError):
            add_two_and_fail()
        assert list(catalog.takes()) == []
        with catalog.together():
            catalog.add(found(), identity())
        assert len(list(catalog.takes())) == 1


class TestSlate:
    def test_of_a_take(self, catalog):
        take_id = put_done(catalog)
        assert next(catalog.takes()).slate == {}
        catalog.set_slate(take_id, {"scene": "12", "Ort": "über dem Turm"})
        assert next(catalog.takes()).slate == {"scene": "12", "Ort": "über dem Turm"}
        catalog.set_slate(take_id, {})
        assert next(catalog.takes()).slate == {}


class TestMarks:
    def test_of_an_event(self, catalog):
        take_id = put_done(catalog, result=outcome([event(50), event(500)]))
        assert {(one.mark, one.note) for one in catalog.events()} == {(None, "")}
        catalog.set_mark(take_id, 0, "circled")
        catalog.set_mark(take_id, 1, "rejected")
        catalog.set_note(take_id, 0, "the fork, über dem Turm")
        assert [(one.mark, one.note) for one in catalog.events()] == [
            ("circled", "the fork, über dem Turm"),
            ("rejected", ""),
        ]
        catalog.set_mark(take_id, 1, None)
        assert [one.mark for one in catalog.events()] == ["circled", None]

    def test_no_such_event_and_no_such_mark(self, catalog):
        take_id = put_done(catalog)
        with pytest.raises(KeyError):
            catalog.set_mark(take_id, 1, "circled")
        with pytest.raises(KeyError):
            catalog.set_note(take_id + 1, 0, "x")
        with pytest.raises(ValueError, match="'good' is none of circled, rejected"):
            catalog.set_mark(take_id, 0, "good")
        with pytest.raises(CatalogError, match="CHECK"):
            catalog._db.run("UPDATE event SET mark = 'good'")

    def test_done_once_more_the_same_events_keep_theirs(self, catalog):
        take_id = put_done(catalog, result=outcome([event(50), event(500)]))
        catalog.set_mark(take_id, 1, "circled")
        catalog.set_note(take_id, 1, "keep")
        put_done(catalog, key="other", result=outcome([event(300), event(497), event(505)]))
        assert [(one.onset, one.mark, one.note) for one in catalog.events()] == [
            (300, None, ""),
            (497, "circled", "keep"),
            (505, None, ""),
        ]
        assert catalog.warnings(take_id) == []

    def test_two_that_become_one_give_it_both_notes(self, catalog):
        take_id = put_done(catalog, result=outcome([event(50), event(60)]))
        for number, note in enumerate(("first", "second")):
            catalog.set_note(take_id, number, note)
        put_done(catalog, key="other", result=outcome([event(50) | {"end": 70}]))
        assert next(catalog.events()).note == "first; second"

    def test_what_fits_no_event_is_said(self, catalog):
        take_id = put_done(catalog)
        catalog.set_mark(take_id, 0, "circled")
        catalog.set_note(take_id, 0, "keep")
        put_done(catalog, key="other", result=outcome([event(500)], warnings=("cut short",)))
        assert catalog.warnings(take_id) == [
            "cut short",
            "an event at frames 50-55 (circled, note 'keep') is not found any more",
        ]


class TestProblems:
    def test_only_those_of_the_last_look(self, catalog):
        catalog.put_problems([found("/card/a.mp4", problem="/card/a.mp4: is empty")])
        catalog.put_problems([found("/card/b.mp4", problem="/card/b.mp4: no rights")])
        (row,) = catalog.problems()
        assert (row.path, row.text) == ("/card/b.mp4", "/card/b.mp4: no rights")


class TestOpening:
    def test_makes_the_folder(self, tmp_path):
        with Catalog.open(tmp_path / "a" / "b"):
            assert (tmp_path / "a" / "b" / CATALOG_NAME).is_file()

    def test_one_file_is_left(self, tmp_path):
        with Catalog.open(tmp_path) as catalog:
            put_done(catalog)
        assert sorted(os.listdir(tmp_path)) == [LOCK_NAME, CATALOG_NAME]

    def test_writes_ahead_and_keeps_foreign_keys(self, catalog, tmp_path):
        with raw(tmp_path / "night") as connection:
            assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        with pytest.raises(CatalogError, match="FOREIGN KEY"):
            catalog.begin(99, SETTINGS, "k", "a")

    def test_no_writing_ahead_on_a_network_disk(self, tmp_path, monkeypatch):
        monkeypatch.setattr(database, "is_on_network", lambda folder: True)
        with Catalog.open(tmp_path) as catalog, raw(tmp_path) as connection:
            put_done(catalog)
            assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)

    def test_what_was_written_is_there_again(self, tmp_path):
        with Catalog.open(tmp_path) as catalog:
            put_done(catalog)
        with Catalog.open(tmp_path) as catalog:
            assert catalog.is_done(identity(), "k")

    def test_the_destination_cannot_be_made(self, tmp_path):
        (tmp_path / "file").write_text("")
        with pytest.raises(CatalogError, match=r"cannot be made .Not a directory.; choose another"):
            Catalog.open(tmp_path / "file" / "night")

    def test_a_file_that_is_no_catalog(self, tmp_path):
        with raw(tmp_path) as connection:
            connection.execute("CREATE TABLE other (x)")
        with pytest.raises(CatalogError, match=r"night\.sqlite: is not the catalog of a night"):
            Catalog.open(tmp_path)

    def test_a_file_that_is_no_database(self, tmp_path):
        (tmp_path / CATALOG_NAME).write_text("hello " * 1000)
        with pytest.raises(CatalogError, match=r"is damaged .*; flashpan verify --mend"):
            NightRecord.read(tmp_path)
        with Catalog.open(tmp_path) as catalog:
            assert catalog.mended.damage == "file is not a database"
            assert list(catalog.takes()) == []
        assert (tmp_path / "night.damaged-1.sqlite").read_text() == "hello " * 1000

    def test_of_a_later_version(self, tmp_path):
        Catalog.open(tmp_path).close()
        with raw(tmp_path) as connection:
            connection.execute(f"PRAGMA user_version = {VERSION + 1}")
        for opening in (Catalog.open, NightRecord.read):
            with pytest.raises(CatalogError, match=r"made by a later flashpan.*update flashpan"):
                opening(tmp_path)

    def test_after_an_error_the_lock_is_free(self, tmp_path):
        with raw(tmp_path) as connection:
            connection.execute("CREATE TABLE other (x)")
        with pytest.raises(CatalogError):
            Catalog.open(tmp_path)
        (tmp_path / CATALOG_NAME).unlink()
        Catalog.open(tmp_path).close()


class TestLooking:
    def test_while_a_run_is_at_work(self, catalog, tmp_path):
        put_done(catalog)
        with NightRecord.read(tmp_path / "night") as looking:
            assert len(list(looking.takes())) == 1
            put_done(catalog, "/card/b.mp4", "b")
            assert len(list(looking.takes())) == 2

    def test_there_is_none(self, tmp_path):
        with pytest.raises(
            CatalogError, match=r"holds no night \(night.sqlite\); check the folder"
        ):
            NightRecord.read(tmp_path)

    def test_nothing_is_written(self, tmp_path):
        with Catalog.open(tmp_path) as catalog:
            put_done(catalog)
        before = (tmp_path / CATALOG_NAME).read_bytes()
        with NightRecord.read(tmp_path) as looking:
            assert len(list(looking.events())) == 1
            with pytest.raises(CatalogError, match="readonly"):
                looking._db.run("DELETE FROM event")
        assert (tmp_path / CATALOG_NAME).read_bytes() == before
        assert sorted(os.listdir(tmp_path)) == [LOCK_NAME, CATALOG_NAME]

    def test_on_a_disk_that_takes_nothing(self, tmp_path):
        if os.geteuid() or not shutil.which("mount"):
            pytest.skip("only an administrator may mount a disk")
        with Catalog.open(tmp_path / "night") as catalog:
            put_done(catalog)
        (tmp_path / "shut").mkdir()
        mounts = [
            ["mount", "--bind", tmp_path / "night", tmp_path / "shut"],
            ["mount", "-o", "remount,bind,ro", tmp_path / "shut"],
        ]
        try:
            if any(subprocess.run(mount, capture_output=True).returncode for mount in mounts):
                pytest.skip("no mounting here")
            with NightRecord.read(tmp_path / "shut") as looking:
                assert len(list(looking.events())) == 1
            with pytest.raises(CatalogError, match=r"Read-only file system.*you may write to"):
                Catalog.open(tmp_path / "shut")
        finally:
            subprocess.run(["umount", tmp_path / "shut"], capture_output=True)


# A run that begins a take and then holds still; its process is killed.
AT_WORK = """
    import sys, time
    from night_fixtures import SETTINGS, found, identity, put_done
    from flashpan.night.catalog import Catalog

    catalog = Catalog.open(sys.argv[1])
    put_done(catalog, "/card/done.mp4", "done")
    catalog.begin(catalog.add(found(), identity()), SETTINGS, "k", "a")
    print("begun", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def run_at_work(tmp_path):
    here = os.path.dirname(__file__)
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(AT_WORK), str(tmp_path)],
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([here, *sys.path])},
    )
    assert process.stdout.readline() == b"begun\n"
    yield process
    process.kill()
    process.wait()
    process.stdout.close()


class TestTwoRuns:
    def test_the_second_is_refused_and_told_of_the_first(self, run_at_work, tmp_path):
        pattern = (
            rf"another run is at work on this night \(process {run_at_work.pid} on .*, since 20.*"
            r"\); wait for it, or stop it first"
        )
        with pytest.raises(NightBusy, match=pattern) as refused:
            Catalog.open(tmp_path)
        assert refused.value.exit_code == 2

    def test_a_killed_run_is_no_obstacle(self, run_at_work, tmp_path):
        run_at_work.send_signal(signal.SIGKILL)
        run_at_work.wait()
        assert (tmp_path / LOCK_NAME).read_text()  # what it signed is still there
        with Catalog.open(tmp_path) as catalog:
            assert catalog.reset_running() == 1
            assert [row.state for row in catalog.takes()] == ["done", "new"]
            assert catalog.faults() == []

    def test_in_one_process_too(self, tmp_path):
        with Catalog.open(tmp_path), pytest.raises(NightBusy):
            Catalog.open(tmp_path)

    def test_a_disk_without_locks(self, tmp_path, monkeypatch):
        def no_locks(descriptor, how):
            raise OSError(38, "Function not implemented")

        monkeypatch.setattr("fcntl.flock", no_locks)
        with pytest.raises(CatalogError, match=r"this disk has no file locks.*on another disk"):
            Catalog.open(tmp_path)

    def test_killed_while_writing_over_and_over(self, tmp_path):
        """However often a writer is killed, the file is sound and no change is there by half."""
        code = textwrap.dedent("""
            import itertools, sys
            from night_fixtures import event, outcome, put_done
            from flashpan.night.catalog import Catalog

            catalog = Catalog.open(sys.argv[1])
            print("open", flush=True)
            for k in itertools.count():
                result = outcome([event(50 + 100 * n) for n in range(20)])
                put_done(catalog, f"/card/{k}.mp4", f"{sys.argv[2]}-{k}", result=result)
        """)
        here = os.path.dirname(__file__)
        env = os.environ | {"PYTHONPATH": os.pathsep.join([here, *sys.path])}
        for round_ in range(6):
            with subprocess.Popen(
                [sys.executable, "-c", code, str(tmp_path), str(round_)],
                stdout=subprocess.PIPE,
                env=env,
            ) as process:
                process.stdout.readline()
                time.sleep(0.03 + 0.05 * round_)
                process.kill()
            with Catalog.open(tmp_path) as catalog:
                assert catalog.faults() == []
                done = [row.id for row in catalog.takes(replaced=True) if row.state == "done"]
                assert all(len(list(catalog.events(one))) == 20 for one in done)
                assert all(len(list(catalog.clips(one))) == 20 for one in done)
        assert done


class TestDamage:
    def test_a_full_disk(self, small_disk):
        def fill(catalog):
            for k in range(2000):
                put_done(catalog, f"/card/{k}.mp4", str(k))

        with Catalog.open(small_disk) as catalog:
            put_done(catalog)
            (small_disk / "ballast").write_bytes(bytes(600_000))
            with pytest.raises(CatalogError, match="free some space and run again"):
                fill(catalog)
            (small_disk / "ballast").unlink()
            assert catalog.faults() == []
            put_done(catalog, "/card/last.mp4", "last")


class TestMigration:
    @pytest.fixture
    def old(self, tmp_path):
        """A file of the first version, with a take that is done."""
        with raw(tmp_path) as connection:
            connection.executescript(STEPS[0])
            connection.executescript(
                """
                INSERT INTO setting VALUES ('k', '{}');
                INSERT INTO take (path, place, name, kind, bytes, n_files, mtime_ns, digest,
                                  state, settings_key, folder, frames)
                VALUES ('/card/a.mp4', 'a.mp4', 'a', 'video', 9000, 1, 1700000000000000000, 'a',
                        'done', 'k', 'a', 1000);
                INSERT INTO trim_range VALUES (1, 0, 40, 69);
                INSERT INTO event VALUES (1, 0, 50, 52, 55, 'flash', 'brightness', 12.5, 0.001,
                                          24, 12, 16, 8, 0.05, 0);
                """
            )
            connection.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
            connection.execute("PRAGMA user_version = 1")
        return tmp_path

    def test_nothing_is_lost(self, old):
        with Catalog.open(old) as catalog:
            assert catalog.is_done(identity(), "k")
            assert len(list(catalog.ranges())) == 1
            assert next(catalog.takes()).shot_at == "2023-11-14T22:13:20+00:00"
            (one,) = catalog.events()
            assert (one.onset, one.mark, one.note) == (50, None, "")
            catalog.set_mark(1, 0, "circled")
            assert next(catalog.events()).mark == "circled"
            put_done(catalog, "/card/b.mp4", "b")
            assert catalog.faults() == []
        with raw(old) as connection:
            assert connection.execute("PRAGMA user_version").fetchone() == (VERSION,)

    def test_the_same_tables_as_a_new_file(self, old, tmp_path):
        Catalog.open(old).close()
        Catalog.open(tmp_path / "new").close()
        tables = []
        for dest in (old, tmp_path / "new"):
            with raw(dest) as connection:
                tables.append(connection.execute("SELECT * FROM sqlite_master").fetchall())
        assert [row[4] for row in tables[0]] == [row[4] for row in tables[1]]

    def test_a_step_that_fails_leaves_the_file_as_it_was(self, old, monkeypatch):
        broken = "ALTER TABLE take ADD COLUMN x; INSERT INTO nowhere VALUES (1);"
        monkeypatch.setattr(schema, "STEPS", (*STEPS[:1], broken))
        with pytest.raises(CatalogError, match="no such table: nowhere"):
            Catalog.open(old)
        with raw(old) as connection:
            assert connection.execute("PRAGMA user_version").fetchone() == (1,)
            columns = [row[1] for row in connection.execute("PRAGMA table_info(take)")]
        assert "x" not in columns

    def test_nobody_looks_into_an_old_file_by_mistake(self, old, monkeypatch):
        monkeypatch.setattr(schema, "VERSION", VERSION + 1)
        monkeypatch.setattr(database, "VERSION", VERSION + 1)
        with pytest.raises(CatalogError, match=r"of an earlier version.*run flashpan ingest on it"):
            NightRecord.read(old)


def test_a_database_error_is_one_line(tmp_path):
    with (
        Database.to_write(tmp_path / CATALOG_NAME) as db,
        pytest.raises(CatalogError) as raised,
    ):
        db.run("SELECT nonsense FROM nowhere")
    assert "\n" not in str(raised.value)
    assert str(tmp_path / CATALOG_NAME) in str(raised.value)
