"""The work of one take: reported whatever happens, and done again from where it was."""

import os
import pickle
import shutil
import subprocess
import threading
import time

import pytest
from ingest_fixtures import files_under, job_for, mixed_takes
from trim_fixtures import video

from flashpan.errors import TakeError
from flashpan.night.alone import LOCK_NAME, alone_in
from flashpan.night.checksums import checksum, write_checksums
from flashpan.night.job import do
from flashpan.trim import TrimRun


@pytest.fixture
def take(tmp_path):
    (tmp_path / "source").mkdir()
    return video(tmp_path / "source" / "storm.mov")


@pytest.fixture
def dest(tmp_path):
    return tmp_path / "night"


def test_reports_log_and_clips(take, dest):
    report = do(job_for(take, dest, "cam/storm"))
    assert report.error == ""
    assert report.folder == "cam/storm"
    assert report.log["take"]["frames"] == 120
    assert report.log_name == "storm.events.json"
    assert [clip.form for clip in report.clips] == ["clip", "clip"]
    for clip in report.clips:
        path = dest / "cam/storm" / clip.name
        assert (path.stat().st_size, checksum(path)) == (clip.bytes, clip.sha256)
        assert clip.proof == "bit for bit"
    assert report.source_bytes == take.stat().st_size
    assert pickle.loads(pickle.dumps(report)) == report


def test_is_the_same_when_done_again(take, dest):
    first = do(job_for(take, dest))
    before = files_under(dest)
    again = do(job_for(take, dest))
    assert (again.log, again.clips) == (first.log, first.clips)
    assert files_under(dest) == before


def test_completes_what_was_cut_short(take, dest):
    whole = do(job_for(take, dest))
    before = files_under(dest)
    clip = dest / "take" / whole.clips[1].name
    clip.unlink()
    (dest / "take" / ".flashpan-0123456789ab.part.mov").write_bytes(b"half")
    assert do(job_for(take, dest)).clips == whole.clips
    assert files_under(dest) == before


def test_checksums_satisfy_the_command(tmp_path, dest):
    stills = next(path for path in mixed_takes(tmp_path / "s", 4) if path.is_dir())
    do(job_for(stills, dest))
    listed = next((dest / "take").glob("*.sha256"))
    assert len(listed.read_text().splitlines()) > 20
    if shutil.which("sha256sum"):
        subprocess.run(["sha256sum", "--check", "--strict", listed], cwd=listed.parent, check=True)


def test_checksum_of_a_folder_is_that_of_the_commands_lines(tmp_path):
    folder = tmp_path / "stills"
    folder.mkdir()
    for name in ("b.tif", "a.tif", "back\\slash"):
        (folder / name).write_text(name)
    if shutil.which("sha256sum"):
        said = subprocess.run(
            "LC_ALL=C sha256sum *", shell=True, cwd=folder, capture_output=True, check=True
        )
        (tmp_path / "lines").write_bytes(said.stdout)
        assert checksum(folder) == checksum(tmp_path / "lines")


def test_checksums_are_not_written_anew_where_they_are_right(tmp_path):
    (tmp_path / "clip").write_text("x")
    path = write_checksums(tmp_path / "t.sha256", [tmp_path / "clip"])
    before = os.stat(path)
    write_checksums(path, [tmp_path / "clip"])
    assert os.stat(path).st_ino == before.st_ino


@pytest.mark.parametrize("content", [b"", b"no video at all"])
def test_a_take_that_cannot_be_read_is_reported(tmp_path, dest, content):
    bad = tmp_path / "bad.mov"
    bad.write_bytes(content)
    report = do(job_for(bad, dest))
    assert report.error.startswith(str(bad))
    assert "\n" not in report.error
    assert report.log is None


def test_a_fault_in_a_plug_in_is_reported(take, dest, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(TrimRun, "plan", broken)
    assert f"{take}: ZeroDivisionError" in do(job_for(take, dest)).error


def test_a_clip_that_fails_leaves_the_others(take, dest, monkeypatch):
    from flashpan.cut import engine

    def spoilt(cut, table, part):
        if cut.span.start > 60:
            raise TakeError(f"{cut.take.path}: spoilt")
        return kept(cut, table, part)

    kept = engine.copy_passage
    monkeypatch.setattr(engine, "copy_passage", spoilt)
    report = do(job_for(take, dest))
    assert report.error.endswith("spoilt")
    assert len(report.clips) == 1


def test_a_take_that_changes_meanwhile_is_refused(take, dest, monkeypatch):
    plan = TrimRun.plan

    def growing(*args, **named):
        done = plan(*args, **named)
        with take.open("ab") as file:
            file.write(b"more")
        return done

    monkeypatch.setattr(TrimRun, "plan", growing)
    assert "changed while it was read" in do(job_for(take, dest)).error


def test_a_second_worker_waits_for_the_first(tmp_path):
    order = []

    def second():
        with alone_in(tmp_path / "f"):
            order.append("second")

    with alone_in(tmp_path / "f"):
        thread = threading.Thread(target=second)
        thread.start()
        time.sleep(0.3)
        order.append("first")
    thread.join()
    assert order == ["first", "second"]
    assert not (tmp_path / "f" / LOCK_NAME).exists()


def test_its_patience_ends(tmp_path):
    with (
        alone_in(tmp_path),
        pytest.raises(TakeError, match="another run is at work"),
        alone_in(tmp_path, patience_s=0.2),
    ):
        pass


def test_a_lock_that_a_killed_worker_left_is_no_obstacle(tmp_path):
    (tmp_path / LOCK_NAME).touch()
    with alone_in(tmp_path, patience_s=0):
        pass
