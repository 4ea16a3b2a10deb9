"""Takes become a night as they finish arriving. All takes are invented."""

import json
import os
import queue
import shutil
import signal
import subprocess
import sys
import threading
import time

import numpy as np
import pytest
import tifffile
from night_fixtures import promised
from trim_fixtures import pictures, video

from flashpan.errors import NightBusy, SettingsError, UsageError
from flashpan.night.catalog import Catalog
from flashpan.night.record import NightRecord
from flashpan.night.verify import verify
from flashpan.night.watch import watch
from flashpan.settings import Settings

ASKED = Settings.from_mapping({"pre_roll": 4, "post_roll": 5, "merge_gap": 3})
OPTIONS = ["--pre-roll", "4", "--post-roll", "5", "--merge-gap", "3", "--engine", "inline"]
MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]
SLOW_S = 60.0


@pytest.fixture(scope="session")
def a_take(tmp_path_factory):
    return video(tmp_path_factory.mktemp("take") / "a.mov")


@pytest.fixture
def source(tmp_path):
    folder = tmp_path / "card"
    folder.mkdir()
    return folder


@pytest.fixture
def dest(tmp_path):
    return tmp_path / "night"


def once(source, dest, **more):
    return watch(
        source, dest, ASKED, engine="inline", once=True, sheets=False, **{"settle_s": 0.2} | more
    )


def rows(dest):
    with NightRecord.read(dest) as record:
        return {row.place: row.state for row in record.takes()}


class TestOnce:
    def test_what_is_at_rest(self, source, dest, a_take):
        shutil.copy2(a_take, source / "a.mov")
        night = once(source, dest)
        assert night.done == [str(source / "a.mov")]
        assert rows(dest) == {"a.mov": "done"}
        assert sorted(path.name for path in dest.glob("night.*")) == [
            *("night.csv", "night.json", "night.lock", "night.sqlite", "night.txt"),
        ]

    def test_again_there_is_nothing_to_wait_for(self, source, dest, a_take):
        shutil.copy2(a_take, source / "a.mov")
        once(source, dest)
        began = time.monotonic()
        night = once(source, dest, settle_s=30.0)
        assert time.monotonic() - began < 30
        assert night.there == [str(source / "a.mov")]

    def test_what_still_grows_is_left(self, source, dest, a_take):
        content = a_take.read_bytes()
        growing, stop, notes = source / "b.mov", threading.Event(), []
        shutil.copy2(a_take, source / "a.mov")
        os.utime(source / "a.mov", (1e9, 1e9))  # of another time: else one is a copy of the other

        def grow():
            with growing.open("wb", buffering=0) as file:
                for at in range(0, len(content), 100):
                    file.write(content[at : at + 100])
                    if stop.wait(0.02):
                        return

        writer = threading.Thread(target=grow)
        writer.start()
        try:
            night = once(source, dest, settle_s=1.0, on_note=notes.append)
        finally:
            stop.set()
            writer.join()
        assert night.done == [str(source / "a.mov")]
        assert notes == [f"{source}: 1 still arriving; left for the next run"]
        growing.write_bytes(content)
        assert once(source, dest).done == [str(growing)]

    def test_stills_that_lack_a_number_are_left(self, source, dest):
        shots = pictures()
        for number in [*range(60), *range(61, len(shots))]:
            tifffile.imwrite(source / f"s_{number:04d}.tif", shots[number])
        assert once(source, dest).n_found == 0
        tifffile.imwrite(source / "s_0060.tif", shots[60])
        assert once(source, dest).done == [str(source)]

    def test_what_cannot_be_read(self, source, dest, a_take):
        shutil.copy2(a_take, source / "a.mov")
        (source / "empty.mov").touch()
        told = []
        night = once(source, dest, on_take=told.append)
        assert night.exit_code == 3
        assert [step.error for step in told if step.outcome == "unreadable"] == [
            f"{source}/empty.mov: is empty (0 bytes); copy it again from the camera"
        ]
        with NightRecord.read(dest) as record:
            assert [problem.place for problem in record.problems()] == ["empty.mov"]
        (source / "empty.mov").unlink()
        once(source, dest)
        with NightRecord.read(dest) as record:
            assert record.problems() == []

    def test_a_take_that_was_changed_is_done_again(self, source, dest, a_take):
        shutil.copy2(a_take, source / "a.mov")
        once(source, dest)
        video(source / "a.mov", shots=pictures(flashes=(30,)))
        assert once(source, dest).done == [str(source / "a.mov")]
        with NightRecord.read(dest) as record:
            assert [event.onset for event in record.events()] == [30]

    def test_a_wrong_settings_file(self, source, dest, a_take):
        shutil.copy2(a_take, source / "a.mov")
        (source / "flashpan.toml").write_text("pre-rol = 3\n")
        with pytest.raises(SettingsError, match="did you mean 'pre-roll'"):
            once(source, dest)

    def test_no_source(self, source, dest):
        with pytest.raises(UsageError, match="no such file or folder; check the path, or mount"):
            once(source / "none", dest)


class TestRefused:
    def test_a_source_that_is_a_take(self, source, dest):
        (source / "a.mov").touch()
        with pytest.raises(UsageError, match=r"a\.mov: is no folder; watch the folder it lies in"):
            watch(source / "a.mov", dest)

    def test_a_source_in_the_destination(self, source, tmp_path):
        with pytest.raises(UsageError, match="choose a folder for the night that holds no takes"):
            watch(source, tmp_path)

    def test_times_that_make_no_sense(self, source, dest):
        with pytest.raises(UsageError, match="--settle -1 --look-every 30: give seconds"):
            watch(source, dest, settle_s=-1)
        with pytest.raises(UsageError, match="--settle 10 --look-every 0: give seconds"):
            watch(source, dest, look_every_s=0)

    def test_another_run_at_work(self, source, dest):
        with Catalog.open(dest), pytest.raises(NightBusy):
            watch(source, dest, once=True)


class Watching:
    """A watch in a process of its own."""

    def __init__(self, source, dest, *more):
        self.lines = queue.Queue()
        command = [*MAIN, "watch", source, "--to", dest, "--settle", "0.5", *OPTIONS, *more]
        self.process = subprocess.Popen(
            list(map(str, command)), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self):
        for line in self.process.stdout:
            self.lines.put(line.rstrip("\n"))

    def next_line(self):
        return self.lines.get(timeout=SLOW_S)

    def stop(self, how=signal.SIGTERM):
        """End it; return its exit status."""
        self.process.send_signal(how)
        status = self.process.wait(timeout=SLOW_S)
        self._reader.join()
        self.process.stdout.close()
        return status


@pytest.fixture
def watching(source, dest):
    started = []

    def start(*more, source=source):
        started.append(Watching(source, dest, *more))
        return started[-1]

    yield start
    for one in started:
        if one.process.poll() is None:
            one.process.kill()
            one.stop()


class TestOnAndOn:
    def test_takes_as_they_arrive_and_a_clean_stop(self, watching, source, dest, a_take, tmp_path):
        shutil.copy2(a_take, source / "before.mov")
        lines = tmp_path / "lines.jsonl"
        process = watching("--log-file", lines)
        assert process.next_line() == (
            f"{source}/before.mov: 2 events, 32 of 120 frames (26.7 %) kept in 2 clips,"
            " 27 kB of 95 kB"
        )
        content = a_take.read_bytes()
        with (source / "slow.mov").open("wb", buffering=0) as file:
            for at in range(0, len(content), len(content) // 5):
                file.write(content[at : at + len(content) // 5])
                time.sleep(0.3)
        (source / "deep").mkdir()
        video(source / "deep" / "quiet.mov", shots=pictures(flashes=()))
        said = {process.next_line() for _ in range(2)}
        assert {line.partition(":")[0] for line in said} == {
            f"{source}/slow.mov",
            f"{source}/deep/quiet.mov",
        }
        assert any(line.endswith("0 events, none of 120 frames kept") for line in said)
        with promised(5):  # the promise, not the speed
            assert process.stop() == 130
        states = rows(dest)
        assert states == {"before.mov": "done", "slow.mov": "done", "deep/quiet.mov": "done"}
        with NightRecord.read(dest) as record:
            assert [one.outcome for one in record.attempts()] == ["done"] * 3
        whats = [json.loads(line)["what"] for line in lines.read_text().splitlines()]
        assert whats[0] == "source-there"
        assert whats.count("take-done") == 3
        assert "take-failed" not in whats

    def test_ctrl_c(self, watching, source, a_take):
        process = watching()
        shutil.copy2(a_take, source / "a.mov")
        process.next_line()
        with promised(5):
            assert process.stop(signal.SIGINT) == 130

    def test_an_idle_watch_looks_seldom(self, watching, source, a_take):
        """Its own reading must not wake it: it would walk through the source without end."""
        import psutil

        shutil.copy2(a_take, source / "a.mov")
        process = watching("--look-every", "3600")
        process.next_line()
        time.sleep(1.5)
        watched = psutil.Process(process.process.pid)
        before = watched.cpu_times()
        time.sleep(1.8)
        after = watched.cpu_times()
        assert after.user + after.system - before.user - before.system < 0.3

    def test_a_settings_file_that_is_mended(self, watching, source, dest, a_take):
        (source / "flashpan.toml").write_text("capture-rat = 1000\n")
        shutil.copy2(a_take, source / "a.mov")
        process = watching()
        assert "unknown setting 'capture-rat'" in process.next_line()
        (source / "flashpan.toml").write_text("capture-rate = 1000\n")
        assert "2 events" in process.next_line()
        with NightRecord.read(dest) as record:
            assert next(record.takes()).capture_rate == 1000

    def test_a_failed_take_is_not_tried_without_end(self, watching, source, dest):
        (source / "bad.mov").write_bytes(b"\0\0\0\x14ftypqt  " + b"junk" * 99)
        process = watching("--look-every", "0.5")
        assert "bad.mov" in process.next_line()
        time.sleep(2.2)  # four looks
        process.stop()
        assert process.lines.qsize() == 1
        assert process.lines.get() == "flashpan: stopped"
        with NightRecord.read(dest) as record:
            assert [one.outcome for one in record.attempts()] == ["failed"]

    def test_a_source_that_comes_later_goes_and_comes_back(self, watching, tmp_path, a_take):
        late = tmp_path / "late"
        process = watching("--look-every", "0.5", source=late)
        assert process.next_line() == f"flashpan: {late}: is not there; waiting for it"
        late.mkdir()
        shutil.copy2(a_take, late / "a.mov")
        assert "looking anew" in process.next_line()
        assert "2 events" in process.next_line()
        late.rename(tmp_path / "away")
        assert process.next_line() == f"flashpan: {late}: is not there; waiting for it"
        video(tmp_path / "away" / "b.mov", shots=pictures(flashes=(30,)))
        (tmp_path / "away").rename(late)
        assert "looking anew" in process.next_line()
        assert "b.mov: 1 event" in process.next_line()
        assert process.stop() == 130

    def test_unmounted_and_mounted_again(self, watching, source, dest, a_take, tmp_path):
        if os.geteuid() or not shutil.which("mount"):
            pytest.skip("only an administrator may mount a disk")
        image = tmp_path / "stick"
        image.mkdir()
        mount = ["mount", "--bind", image, source]
        if subprocess.run(mount, capture_output=True).returncode:
            pytest.skip("no mounting here")
        try:
            shutil.copy2(a_take, source / "a.mov")
            process = watching("--look-every", "0.5")
            assert "a.mov: 2 events" in process.next_line()
            subprocess.run(["umount", source], check=True)
            assert "was mounted or unmounted; looking anew" in process.next_line()
            video(image / "b.mov", shots=pictures(flashes=(30,)))
            subprocess.run(mount, check=True)
            line = process.next_line()
            while "looking anew" in line:
                line = process.next_line()
            assert "b.mov: 1 event" in line
            assert process.stop() == 130
        finally:
            subprocess.run(["umount", source], capture_output=True)
        assert rows(dest) == {"a.mov": "done", "b.mov": "done"}

    def test_killed_it_goes_on_where_it_was(self, watching, source, dest, a_take):
        shutil.copy2(a_take, source / "a.mov")
        process = watching()
        process.next_line()
        process.process.kill()
        process.process.wait()
        np.save(source / "b.npy", pictures(flashes=(70,)))
        again = watching()
        assert "b.npy: 1 event" in again.next_line()
        again.stop()
        with NightRecord.read(dest) as record:
            assert [one.outcome for one in record.attempts()] == ["done", "done"]


class TestSealing:
    def test_once_at_the_end(self, source, dest, a_take):
        shutil.copy2(a_take, source / "a.mov")
        assert once(source, dest).damaged == []
        assert verify(dest).by == ("the ASC MHL", "checksum lists", "the catalog")
        assert verify(dest).notes == ()
