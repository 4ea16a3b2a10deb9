"""Faults while a run is at work: reads that fail, sources that go, clocks, locks, rights."""

import errno
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
import warnings
from contextlib import ExitStack, closing, contextmanager
from multiprocessing import active_children
from multiprocessing.context import SpawnProcess

import numpy as np
import pytest
from brokendisk import broken_disk
from faultlab import QUICK, broken_rules, hashes, tiny_shots
from ingest_fixtures import QUICKLY
from trim_fixtures import video

from flashpan.cli.progress import progress
from flashpan.errors import CatalogError
from flashpan.model import TakeInfo
from flashpan.night import database
from flashpan.night.catalog import Catalog
from flashpan.night.ingest import ingest
from flashpan.night.record import NightRecord
from flashpan.night.reviewbook import ReviewBook
from flashpan.readers.npy import NpyReader

MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]


def ingested(card, night, **how):
    return ingest(card, night, QUICKLY, engine="inline", sheets=False, **how)


# a disk that fails


@pytest.fixture
def failing(tmp_path):
    """Takes of every kind, behind a disk on which each is broken from some byte on."""
    (tmp_path / "behind").mkdir()
    (tmp_path / "card").mkdir()
    shots = tiny_shots(1, n_frames=300, onset=250)
    np.save(tmp_path / "behind" / "array.npy", shots)
    shots.tofile(tmp_path / "behind" / "pixels.raw")
    video(tmp_path / "behind" / "take.avi", shots=shots)
    video(tmp_path / "behind" / "take.mkv", shots=shots)
    broken = {path.name: path.stat().st_size // 2 for path in (tmp_path / "behind").iterdir()}
    with shown_broken(tmp_path, broken) as disk:
        yield tmp_path / "card", disk


@contextmanager
def shown_broken(folder, broken):
    """Show what lies behind a disk that fails as the card, or say that this cannot be done."""
    with ExitStack() as mounted:
        try:
            disk = mounted.enter_context(broken_disk(folder / "behind", folder / "card", broken))
        except OSError as error:
            text = f"NO REAL DISK FAILS HERE: nothing may be mounted ({error.strerror})"
            warnings.warn(text, stacklevel=1)
            pytest.skip(text)
        yield disk


def test_a_disk_that_fails_in_the_middle_of_takes(failing, end_of, tmp_path):
    card, disk = failing
    out = tmp_path / "night"
    words = ("ingest", card, "--to", out, "--engine", "inline", "--no-sheets", *QUICK)
    ended = end_of(*words)
    assert ended.status == 3, ended.said
    assert ended.line
    assert broken_rules(out) == []
    failed = [line for line in ended.said.splitlines() if line.startswith("flashpan: ")]
    assert {path.name for path in card.iterdir() if any(path.name in line for line in failed)} == {
        *("array.npy", "pixels.raw", "take.avi", "take.mkv")
    }
    pixels = card / "pixels.raw"
    ended = end_of("find", pixels, "--raw", "32x24:Mono8")
    assert ended.status == 3
    assert "pixels.raw" in ended.line
    disk.broken_from.clear()
    ended = end_of(*words)
    with NightRecord.read(out) as record:
        assert len(list(record.takes())) == 3
        assert {take.state for take in record.takes()} == {"done"}
        assert {len(list(record.events(take.id))) for take in record.takes()} == {1}


@pytest.mark.parametrize("name", ["array.npy", "take.avi", "take.mkv"])
@pytest.mark.parametrize("command", ["find", "trim", "slate"])
def test_each_command_says_it_in_one_line(failing, end_of, tmp_path, name, command):
    card, _ = failing
    options = {"trim": ["--out", tmp_path / "out", *QUICK]}.get(command, [])
    ended = end_of(command, card / name, *options)
    assert ended.status in (0, 3), ended.said
    assert "Traceback" not in ended.said
    if ended.status == 3:
        assert name in ended.line
    else:  # it asks for no more than the head
        assert command == "slate"


@pytest.fixture
def failing_still(tmp_path):
    """A take of stills, of which one cannot be read: not at all, or not to its end."""
    (tmp_path / "behind").mkdir()
    (tmp_path / "card").mkdir()
    for number, shot in enumerate(tiny_shots(1)):
        name = f"shot_{number:03}.pgm"
        (tmp_path / "behind" / name).write_bytes(b"P5 32 24 255\n" + shot.tobytes())
    with shown_broken(tmp_path, {}) as disk:
        yield tmp_path / "card", disk


def test_a_still_that_cannot_be_read(failing_still, end_of, tmp_path):
    card, disk = failing_still
    out = tmp_path / "night"
    night = ("ingest", card, "--to", out, "--engine", "inline", "--no-sheets", *QUICK)
    for first_byte in (0, 300):
        disk.broken_from = {"shot_041.pgm": first_byte}
        for words in (
            ("find", card),
            ("trim", card, "--out", tmp_path / "clips", *QUICK),
            ("flag", card, "--apply", tmp_path / "copies", *QUICK),
            night,
        ):
            ended = end_of(*words)
            assert ended.status == 3, (words, ended.said)
            assert "shot_041.pgm" in ended.said, (words, ended.said)
        assert broken_rules(out) == []
    disk.broken_from = {}
    assert end_of(*night).status == 0
    with NightRecord.read(out) as record:
        (take,) = record.takes()
        assert (take.state, len(list(record.events(take.id)))) == ("done", 1)


@pytest.mark.parametrize("error", [errno.EIO, errno.ESTALE, errno.ENODEV])
def test_a_read_that_fails_in_a_worker_is_that_takes_fault_alone(tmp_path, monkeypatch, error):
    """Without any disk: also where nothing may be mounted."""
    (tmp_path / "card").mkdir()
    for name in ("a", "b"):
        np.save(tmp_path / "card" / f"{name}.npy", tiny_shots(ord(name)))

    whole = NpyReader.frames

    def frames(reader):
        for number, frame in enumerate(whole(reader)):
            if number == 30 and reader.info.path.endswith("a.npy"):
                raise OSError(error, os.strerror(error))
            yield frame

    with monkeypatch.context() as patch:
        patch.setattr(NpyReader, "frames", frames)
        night = ingested(tmp_path / "card", tmp_path / "night")
    assert [os.path.basename(path) for path in night.done] == ["b.npy"]
    (said,) = night.errors
    assert "a.npy" in said
    assert os.strerror(error) in said
    assert ingested(tmp_path / "card", tmp_path / "night").errors == []


# sources that go


def test_the_card_is_pulled_out_in_the_middle(tmp_path):
    card = tmp_path / "card"
    card.mkdir()
    for number in range(5):
        np.save(card / f"take{number}.npy", tiny_shots(number))

    def pull(step):
        if step.outcome == "done" and card.exists():
            card.rename(tmp_path / "drawer")

    night = ingested(card, tmp_path / "night", on_take=pull)
    assert len(night.done) == 1
    assert len(night.errors) == 4
    assert all(str(card) in error and "\n" not in error for error in night.errors)
    assert broken_rules(tmp_path / "night") == []
    (tmp_path / "drawer").rename(card)
    again = ingested(card, tmp_path / "night")
    assert (len(again.done), len(again.there), again.errors) == (4, 1, [])


@pytest.fixture
def without_rights():
    """A process that may not pass over rights, where this one may."""
    if os.geteuid():
        return []
    assert shutil.which("setpriv"), "util-linux is missing: rights cannot be tried by root"
    return ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]


def test_what_may_not_be_read_or_written(without_rights, card, tmp_path):
    mine = tmp_path / "card"
    shutil.copytree(card, mine)
    (mine / "stills").mkdir()
    for number in range(12):
        (mine / "stills" / f"shot_{number:03}.pgm").write_bytes(b"P5 4 4 255\n" + bytes(16))
    (mine / "stills" / "shot_005.pgm").chmod(0)
    (mine / "a.npy").chmod(0)
    (tmp_path / "locked").mkdir(mode=0o555)

    def run(*words):
        return subprocess.run(
            [*without_rights, *MAIN, *map(str, words)], capture_output=True, text=True
        )

    ended = run(
        *("ingest", mine, "--to", tmp_path / "night", "--engine", "inline", "--no-sheets"), *QUICK
    )
    assert ended.returncode == 3
    assert "a.npy: " in ended.stderr
    assert "ermission denied" in ended.stderr
    refused = run("ingest", mine, "--to", tmp_path / "locked", "--engine", "inline")
    for one in (ended, refused):
        assert "Traceback" not in one.stderr
    assert refused.returncode == 3
    assert "choose a folder you may write to" in refused.stderr
    (mine / "a.npy").chmod(0o644)


# clocks


@pytest.mark.parametrize("jump_s", [-7 * 3600, 7 * 3600])
def test_the_clock_jumps_by_hours(card, tmp_path, monkeypatch, jump_s):
    real, began, lines = time.time, time.time(), []
    monkeypatch.setattr(time, "time", lambda: real() + (jump_s if real() - began > 0.2 else 0))
    night = ingested(card, tmp_path / "night", on_line=lines.append)
    assert night.errors == []
    assert [line["what"] for line in lines][:1] == ["night-begins"]
    assert all(line.get("seconds", 0) >= 0 for line in lines)
    with NightRecord.read(tmp_path / "night") as record:
        assert all(0 <= one.seconds < 600 for one in record.attempts())


def test_the_bar_does_not_wait_for_the_clock_to_come_back(monkeypatch):
    """By the time of day, it would stand still until the hours have passed."""
    import tqdm.std

    info = TakeInfo(path="a.npy", name="a", shape=(4, 4), bit_depth=8, n_frames=1000)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    now = [1e9]
    monkeypatch.setattr(tqdm.std, "time", lambda: now[0])
    with progress(info) as shown:
        now[0] -= 7 * 3600
        for index in range(50):
            shown(index)
            time.sleep(0.01)
        elapsed, drawn = shown._bar.format_dict["elapsed"], shown._bar.last_print_n
    assert 0 <= elapsed < 100
    assert drawn > 0


# catalogs that are in use


def test_a_catalog_that_is_locked_is_waited_for_and_then_told_of(card, tmp_path, monkeypatch):
    night = tmp_path / "night"
    ingested(card, night)
    monkeypatch.setattr(database, "_PATIENCE_S", 0.3)
    with closing(sqlite3.connect(night / "night.sqlite", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with ReviewBook.open(night) as book:
            take = next(book.takes()).id
            with pytest.raises(CatalogError, match="another program has it open; close that"):
                book.mark(take, 0, "circled")
        with pytest.raises(CatalogError, match="another program has it open"):
            ingested(card, night)
        other.execute("ROLLBACK")
    monkeypatch.setattr(database, "_PATIENCE_S", 20.0)
    with closing(
        sqlite3.connect(night / "night.sqlite", isolation_level=None, check_same_thread=False)
    ) as other:
        other.execute("BEGIN IMMEDIATE")
        threading.Timer(0.5, lambda: other.execute("ROLLBACK")).start()
        with ReviewBook.open(night) as book:
            book.mark(take, 0, "circled")  # waits until the other is done
    assert ingested(card, night).errors == []


def test_a_destination_that_may_only_be_read(card, end_of, tmp_path):
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = (
        shutil.which("mount")
        and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=4M", "tmpfs", folder], capture_output=True
        ).returncode
    )
    if not mounted:
        text = "NO READ-ONLY DISK IS TRIED HERE: only an administrator may mount one"
        warnings.warn(text, stacklevel=1)
        pytest.skip(text)
    try:
        words = ["--engine", "inline", "--no-sheets", *QUICK]
        assert end_of("ingest", card, "--to", folder / "night", *words).status == 0
        before = hashes(folder)
        subprocess.run(["mount", "-o", "remount,ro", folder], check=True)
        for command in (
            ["ingest", card, "--to", folder / "night", *words],
            ["trim", card / "a.npy", "--out", folder / "clips"],
            ["find", card / "a.npy", "--out", folder / "logs"],
            ["verify", folder / "night", "--mend"],
            ["flag", card, "--apply", folder / "flagged"],
        ):
            ended = end_of(*command)
            assert ended.status == 3, (command, ended.said)
            assert "ead-only file system" in ended.line, ended.said
        for command in (["report", folder / "night"], ["verify", folder / "night"]):
            assert end_of(*command).status == 0
        assert hashes(folder) == before
    finally:
        subprocess.run(["umount", folder], check=True)


# workers


@pytest.mark.slow
def test_a_worker_that_is_killed_as_memory_runs_out(tmp_path):
    card = tmp_path / "card"
    card.mkdir()
    for number in range(4):
        np.save(card / f"take{number}.npy", tiny_shots(number))
    hit, steps = [], []

    def kill(step):
        steps.append(step.outcome)
        workers = [child for child in active_children() if isinstance(child, SpawnProcess)]
        if step.outcome == "done" and not hit:  # before it gets its next take, or with it in hand
            workers[0].kill()
            hit.append(step.path)

    night = ingest(card, tmp_path / "night", QUICKLY, workers=1, sheets=False, on_take=kill)
    assert (len(night.done), night.errors) == (4, [])
    assert steps.count("again") <= len(hit) == 1
    assert broken_rules(tmp_path / "night") == []


# links in the destination


def test_links_in_the_destination_lead_nowhere(card, end_of, tmp_path):
    victim = tmp_path / "victim.txt"
    victim.write_text("mine")
    (tmp_path / "elsewhere").mkdir()
    out = tmp_path / "out"
    out.mkdir()
    for name in ("a_r000_f000036-000049.npy", "b.events.json"):
        (out / name).symlink_to(victim)
    ended = end_of("trim", card / "a.npy", card / "b.mov", "--out", out, *QUICK)
    assert ended.status == 3, ended.said  # the clip's name is taken; the log gets another
    end_of("trim", card / "a.npy", card / "b.mov", "--out", out, *QUICK, "--overwrite")
    assert victim.read_text() == "mine"
    night = tmp_path / "night"
    night.mkdir()
    (night / "a").symlink_to(tmp_path / "elsewhere")
    (night / "night.txt").symlink_to(victim)
    (night / "night.csv").symlink_to(victim)
    ended = end_of("ingest", card, "--to", night, "--engine", "inline", "--no-sheets", *QUICK)
    assert ended.line or ended.status == 0
    assert victim.read_text() == "mine"
    assert os.listdir(tmp_path / "elsewhere") == []


@pytest.mark.parametrize("column", ["folder", "log_name"])
def test_paths_in_a_catalog_that_somebody_changed_lead_nowhere(card, tmp_path, column):
    night = tmp_path / "night"
    ingested(card, night)
    (tmp_path / "out").mkdir()
    with Catalog.open(night) as catalog:
        catalog._db.run(f"UPDATE take SET {column} = ?, state = 'new'", "../out/stolen")
    ingested(card, night)
    assert os.listdir(tmp_path / "out") == []
