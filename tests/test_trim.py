"""Trimming end to end: stopped at any moment, without room, in every container."""

import errno
import fcntl
import importlib
import json
import os
import random
import resource
import shutil
import subprocess
import sys
import time
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from cut_fixtures import framemd5, opencv_count_and_rate
from trim_fixtures import (
    N_FRAMES,
    QUICK,
    clips,
    h264,
    log_in,
    pictures,
    ranges,
    state,
    temporary,
    trim_command,
    video,
)
from warm import warm_command

import flashpan
from flashpan import atomic
from flashpan.atomic import new_file, new_folder, remove_left_over
from flashpan.cut import forms
from flashpan.cut.engine import Cutter, size_of
from flashpan.errors import ClipDiffers, TakeError, UsageError
from flashpan.eventlog import write_log
from flashpan.find import Search
from flashpan.model import TrimRange
from flashpan.readers.open import open_take
from flashpan.readers.packets import packet_table
from flashpan.settings import Settings

QUICKLY = Settings.from_mapping({"pre_roll": 4, "post_roll": 5, "merge_gap": 3})


class TestFunction:
    def test_returns_log_and_clips(self, mjpeg, out):
        notes = []
        done = flashpan.trim(mjpeg, out, QUICKLY, on_note=notes.append)
        assert [(clip.first, clip.last) for clip in done.clips] == ranges(out, "take")
        assert all(clip.verified for clip in done.clips)
        assert done.log_path == out / "take.events.json"
        assert done.kept_frames == done.log.totals.kept
        assert len(notes) == 1

    def test_a_clip_that_differs_raises_when_the_others_are_done(self, mjpeg, out, monkeypatch):
        from flashpan.cut import engine, remux

        def spoilt(cut, table, part):
            written = remux.copy_passage(cut, table, part)
            if cut.span.start < 60:
                data = part.read_bytes()
                part.write_bytes(data[: len(data) // 2])
            return written

        monkeypatch.setattr(engine, "copy_passage", spoilt)
        with pytest.raises(ClipDiffers, match="differs"):
            flashpan.trim(mjpeg, out, QUICKLY)
        names = [clip.name for clip in clips(out)]
        assert len(names) == 2
        assert sum(".differs" in name for name in names) == 1

    def test_a_budget_may_be_text(self, mjpeg, out):
        done = flashpan.trim(mjpeg, out, QUICKLY, flashpan.TrimSettings(budget="17"))
        assert len(done.clips) == 1
        assert len(done.left_out) == 1

    def test_bad_words_are_refused(self):
        with pytest.raises(ValueError, match="is not a valid"):
            flashpan.TrimSettings(also=("mp3",))


# Containers and codecs that FFmpeg writes, each with an ending, pixels, and how it is cut;
# tests/cut has them all, with every place to cut at.
TAKES = [
    ("avi", "mjpeg", "yuvj420p", {}, "copy"),
    ("mov", "prores_ks", "yuv422p10le", {}, "copy"),
    ("mkv", "ffv1", "gray", {"g": "1"}, "copy"),
    ("mp4", "libx264", "yuv420p", {"g": "20", "bf": "2", "crf": "10"}, "exact"),
    ("mkv", "libx265", "yuv420p", {"x265-params": "log-level=none:pools=1:crf=10"}, "exact"),
    ("webm", "libvpx-vp9", "yuv420p", {"crf": "10", "deadline": "realtime"}, "exact"),
]


@pytest.mark.parametrize(
    ("ending", "codec", "pixels", "options", "how"), TAKES, ids=lambda value: str(value)[:12]
)
def test_clips_are_the_takes_frames_in_other_decoders(
    tmp_path, out, ending, codec, pixels, options, how
):
    """The ffmpeg command's framemd5 is the judge; OpenCV counts."""
    path = video(tmp_path / f"take.{ending}", codec, pixels, options=options)
    before, wanted = state(path), framemd5(path)
    done = flashpan.trim(path, out, QUICKLY)
    assert done.clips
    for clip in done.clips:
        assert clip.how == how
        assert framemd5(clip.path) == wanted[clip.first : clip.last + 1]
        n_frames, rate = opencv_count_and_rate(clip.path)
        assert n_frames == clip.n_frames
        assert rate == pytest.approx(25, abs=0.01)
    assert state(path) == before


@pytest.mark.parametrize("how", ["copy", "bridge", "exact"])
def test_stated_ways_on_reordered_frames(tmp_path, out, how):
    path = h264(tmp_path / "take.mp4")
    wanted = framemd5(path)
    done = flashpan.trim(path, out, QUICKLY, flashpan.TrimSettings(how=how))
    for clip in done.clips:
        found = framemd5(clip.path)[clip.head_frames :]
        assert (
            found[clip.recoded_frames :][: clip.last - clip.first + 1 - clip.recoded_frames]
            == (wanted[clip.first + clip.recoded_frames : clip.last + 1])
        )


def test_a_varying_rate_is_kept(tmp_path, out):
    gaps = np.random.default_rng(2).integers(1, 9, N_FRAMES)
    stamps = [0, *np.cumsum(gaps[:-1]).tolist()]
    path = video(tmp_path / "take.mkv", "ffv1", "gray", options={"g": "1"}, pts=stamps,
                 time_base=Fraction(1, 1000), rate=1000)  # fmt: skip
    wanted = framemd5(path)
    for clip in flashpan.trim(path, out, QUICKLY).clips:
        assert framemd5(clip.path) == wanted[clip.first : clip.last + 1]
        times = json.loads(clip.sidecar.read_text())["times_s"]
        kept = stamps[clip.first : clip.last + 1]
        assert [Fraction(text) for text in times] == [
            Fraction(stamp - kept[0], 1000) for stamp in kept
        ]


def test_what_a_search_notes_is_the_table_that_a_second_look_gives(tmp_path):
    for path in (h264(tmp_path / "a.mp4"), video(tmp_path / "b.avi"), h264(tmp_path / "c.mkv")):
        with open_take(path) as reader:
            reader.keeps_index = True
            for _ in reader:
                pass
            noted = Cutter(reader.packet_index).table(reader.info)
            looked = packet_table(reader.info)
        for name in ("pts", "place", "size", "is_key", "is_shown", "packet_of"):
            np.testing.assert_array_equal(getattr(noted, name), getattr(looked, name), name)
        assert (noted.intra, noted.is_whole) == (looked.intra, looked.is_whole)


def test_with_what_a_search_notes_the_take_is_not_opened_again(tmp_path, monkeypatch):
    with open_take(h264(tmp_path / "a.mp4")) as reader:
        reader.keeps_index = True
        for _ in reader:
            pass
    monkeypatch.setattr("flashpan.readers.packets.open_container", None)
    assert Cutter(reader.packet_index).table(reader.info).is_whole


def test_a_search_that_nobody_asked_keeps_no_index(mjpeg):
    with open_take(mjpeg) as reader:
        for _ in reader:
            pass
        assert reader.packet_index is None


class TestUndecided:
    """What a pipe may let go of: no event begins before the frame that the search names."""

    @pytest.mark.parametrize("seed", range(2))
    def test_no_later_event_begins_earlier(self, tmp_path, seed):
        draw = np.random.default_rng(seed)
        onsets = np.cumsum(draw.integers(20, 100, 10)).tolist()
        shots = pictures(800, flashes=onsets).astype(np.int16)
        slow = draw.integers(0, 600)
        shots[slow : slow + 200, 8:40, 8:56] += np.arange(200, dtype=np.int16)[:, None, None] // 4
        np.save(tmp_path / "take.npy", np.clip(shots, 0, 255).astype(np.uint8))
        with open_take(tmp_path / "take.npy") as reader:
            search = Search(reader, QUICKLY)
            low, told = 0, []

            def arrived(index):
                nonlocal low
                low = max(low, search.undecided_from)

            for event in search.events(arrived):
                assert event.onset >= low
                told.append(event)
        assert len(told) > 5
        assert low > told[-2].onset


# Killing and filling.

BRIEF = ["--pre-roll", "2", "--post-roll", "2", "--merge-gap", "3"]


def settled(out, wanted):
    """Nothing half-written under a final name: every clip has its frames and its sidecar."""
    for clip, about in clips(out).items():
        if "form" in about:
            assert about["files_sha256"] == forms._files_sha256(clip)
            assert about["bytes"] == size_of(clip)
            continue
        assert about["verified"] is True
        assert framemd5(clip) == wanted[about["first"] : about["last"] + 1]
    named = {clip.name for clip in clips(out)}
    for path in out.iterdir():
        is_ours = path.name in named or path.name.startswith(".flashpan-")
        assert is_ours or path.name.endswith((".clip.json", ".events.json")), path.name
    for log in out.glob("*.events.json"):
        json.loads(log.read_text())


def ended_by_itself(process):
    process.join()
    assert process.exitcode == 0


def kill_at_random(tmp_path, n_kills, seed):
    path = video(tmp_path / "take.mov", shots=pictures(100, flashes=(20, 50, 80)))
    before, wanted, out = state(path), framemd5(path), tmp_path / "out"
    # with ways of all kinds: files, folders, copies
    words = ["trim", path, "--out", out, "--also", "png8", "--also", "gif", *BRIEF]
    ended_by_itself(warm_command(*words))
    shutil.rmtree(out)
    began = time.monotonic()
    ended_by_itself(warm_command(*words))
    took = time.monotonic() - began
    whole = sorted(one.name for one in out.iterdir())
    draw = random.Random(seed)
    n_left_over = 0
    for turn in range(n_kills):
        if turn % 3 == 0:
            shutil.rmtree(out)
            out.mkdir()
        running = warm_command(*words)
        time.sleep(draw.uniform(0.0, 1.0) * took)
        running.kill()
        running.join()
        settled(out, wanted)
        n_left_over += bool(temporary(out))
    done = subprocess.run(trim_command(*words[1:]), capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    settled(out, wanted)
    assert sorted(one.name for one in out.iterdir()) == whole
    assert state(path) == before
    return n_left_over


def test_killed_at_a_few_moments_it_goes_on(tmp_path):
    kill_at_random(tmp_path, 2, seed=1)


@pytest.mark.slow
@pytest.mark.skipif(
    "FLASHPAN_LONG_TESTS" not in os.environ, reason="takes a minute; set FLASHPAN_LONG_TESTS=1"
)
def test_killed_at_fifty_moments_it_goes_on(tmp_path):
    assert kill_at_random(tmp_path, 50, seed=2) > 0


def test_a_full_disk_is_one_line_and_nothing_half_written(mjpeg, small_disk, run_cli):
    noise = np.random.default_rng(0).integers(0, 256, (N_FRAMES, 96, 128), dtype=np.uint8)
    np.save(mjpeg.parent / "noise.npy", noise)  # 1.5 MB, on a disk of 1 MiB
    log = whole_take_log(mjpeg.parent / "noise.npy")
    status, said, err = run_cli(
        "trim", mjpeg.parent / "noise.npy", "--out", small_disk, "--log", log
    )
    assert status == 3
    assert err.count("\n") == 1
    assert "must stay free" in err
    assert said == ""
    assert sorted(os.listdir(small_disk)) == ["noise.events.json"]


def test_a_disk_that_fills_meanwhile(mjpeg, small_disk, run_cli, monkeypatch):
    """The room that was there when it was looked at is gone when it is written to."""
    module = importlib.import_module("flashpan.trim")
    monkeypatch.setattr(module, "require_space", lambda *_: "room enough, or so it seems")
    (small_disk / "ballast").write_bytes(b"x" * (980 << 10))
    noise = np.random.default_rng(0).integers(0, 256, (N_FRAMES, 96, 128), dtype=np.uint8)
    np.save(mjpeg.parent / "noise.npy", noise)
    log = whole_take_log(mjpeg.parent / "noise.npy")
    status, _said, err = run_cli(
        "trim", mjpeg.parent / "noise.npy", "--out", small_disk, "--log", log
    )
    assert status == 3
    assert "No space left on device" in err
    assert "free some space and run again" in err
    assert sorted(os.listdir(small_disk)) == ["ballast", "noise.events.json"]


def whole_take_log(path):
    """A log that keeps every frame."""
    log = flashpan.find(path)
    whole = replace(log, ranges=(TrimRange(0, log.totals.frames - 1, ()),), events=())
    return write_log(whole, path.parent / "logs")


@pytest.fixture
def run_cli(capsys):
    from flashpan.cli import main

    def run(*words):
        with pytest.raises(SystemExit) as left:
            main([str(word) for word in words])
        said, err = capsys.readouterr()
        return left.value.code, said, err

    return run


def test_a_limit_on_files_is_one_line_a_clip_and_nothing_half_written(tmp_path, out):
    """A limit of the file size needs no mount; what does not fit fails, the rest is done."""
    shots = pictures(rows=96, cols=128, flashes=(50,))
    shots[60:100] = np.random.default_rng(0).integers(0, 256, (40, 96, 128), dtype=np.uint8)
    path = video(tmp_path / "take.mkv", "ffv1", "gray", shots, options={"g": "1"})

    def limited():
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    words = trim_command(path, "--out", out, *QUICK)
    done = subprocess.run(words, capture_output=True, text=True, preexec_fn=limited)
    assert done.returncode == 3
    failed = [line for line in done.stderr.splitlines() if "File too large" in line]
    assert len(failed) == 1
    assert "another disk" in failed[0]
    assert "Traceback" not in done.stderr
    settled(out, framemd5(path))
    assert temporary(out) == []
    assert len(log_in(out, "take")["ranges"]) > len(clips(out))


class TestLeftOver:
    def make(self, folder):
        folder.mkdir()
        (folder / ".flashpan-0123456789ab.part.mkv").write_bytes(b"half")
        (folder / ".flashpan-0123456789ac.part").mkdir()
        (folder / ".flashpan-0123456789ac.part" / "a.tif").write_bytes(b"half")
        (folder / "clip.mkv").write_bytes(b"whole")
        (folder / ".flashpan-notes").write_text("somebody's own")
        return folder

    def test_is_removed_and_nothing_else(self, out):
        removed = remove_left_over(self.make(out))
        assert len(removed) == 2
        assert sorted(os.listdir(out)) == [".flashpan-notes", "clip.mkv"]

    def test_stays_while_anybody_writes_there(self, out):
        self.make(out)
        with new_file(out / "other.txt") as part:
            part.write_text("x")
            assert remove_left_over(out) == []
            assert part.exists()
        assert len(temporary(out)) == 3
        with new_folder(out / "others"):
            assert remove_left_over(out) == []
        assert len(remove_left_over(out)) == 2

    def test_of_another_process_stays_until_that_ends(self, out):
        out.mkdir()
        code = (
            "import sys, time\n"
            "from flashpan.atomic import new_file\n"
            "with new_file(sys.argv[1]) as part:\n"
            "    part.write_text('x')\n"
            "    print('there', flush=True)\n"
            "    time.sleep(60)\n"
        )
        command = [sys.executable, "-c", code, str(out / "a.txt")]
        running = subprocess.Popen(command, stdout=subprocess.PIPE)
        running.stdout.readline()
        assert remove_left_over(out) == []
        assert len(temporary(out)) == 1
        running.kill()
        running.communicate()
        assert len(remove_left_over(out)) == 1
        assert os.listdir(out) == []

    def test_a_file_system_without_locks_is_let_off_and_never_cleared(self, out, monkeypatch):
        def none(descriptor, how):
            raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

        self.make(out)
        monkeypatch.setattr(fcntl, "flock", none)
        with new_file(out / "other.txt") as part:
            part.write_text("x")
        assert (out / "other.txt").read_text() == "x"
        assert remove_left_over(out) == []
        assert len(temporary(out)) == 3

    def test_a_folder_that_was_to_be_replaced_comes_back(self, out, monkeypatch):
        (out / "clip").mkdir(parents=True)
        (out / "clip" / "old.tif").write_bytes(b"old")
        real = os.rename

        class Killed(BaseException):
            pass

        def killed_between(self, target):
            if ".part" in self.name:
                raise Killed
            real(self, target)

        monkeypatch.setattr(atomic.Path, "rename", killed_between)
        monkeypatch.setattr(atomic.shutil, "rmtree", lambda *_, **__: None)

        def replace_it():
            with new_folder(out / "clip", overwrite=True) as part:
                (part / "new.tif").write_bytes(b"new")

        with pytest.raises(Killed):
            replace_it()
        monkeypatch.undo()
        assert not (out / "clip").exists()
        assert "clip" in remove_left_over(out)
        assert os.listdir(out) == ["clip"]
        assert (out / "clip" / "old.tif").read_bytes() == b"old"

    def test_what_was_replaced_goes(self, out):
        (out / "clip").mkdir(parents=True)
        (out / ".flashpan-0123456789ac.of.clip.old").mkdir()
        assert len(remove_left_over(out)) == 1
        assert os.listdir(out) == ["clip"]

    def test_no_folder_has_none(self, out):
        assert remove_left_over(out) == []

    def test_is_said(self, mjpeg, out):
        self.make(out)
        notes = []
        flashpan.trim(mjpeg, out, QUICKLY, on_note=notes.append)
        assert sum("cleared away what a stopped run left" in note for note in notes) == 2


def test_a_destination_that_cannot_be_made(mjpeg, tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="is no folder"):
        flashpan.trim(mjpeg, tmp_path / "file", QUICKLY)
    with pytest.raises(TakeError, match="cannot be made"):
        flashpan.trim(mjpeg, tmp_path / "file" / "out", QUICKLY)
