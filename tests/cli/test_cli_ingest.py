"""``flashpan ingest``: exit statuses, what is printed where, and how it is stopped."""

import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from night_fixtures import promised

from flashpan.night.catalog import Catalog
from flashpan.night.record import NightRecord

MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]
QUICK = ["--pre-roll", "4", "--post-roll", "5", "--merge-gap", "3", "--no-sheets"]
INLINE = ["--engine", "inline", *QUICK]


def shots(seed, n_frames=90, flash_at=(50,)):
    """Invented: grey noise, with a square that lights up for six frames."""
    pictures = np.random.default_rng(seed).normal(40, 2, (n_frames, 32, 48))
    for onset in flash_at:
        pictures[onset : onset + 6, 8:24, 16:32] += 80
    return np.clip(pictures, 0, 255).astype(np.uint8)


@pytest.fixture
def card(tmp_path):
    folder = tmp_path / "card"
    (folder / "tower").mkdir(parents=True)
    np.save(folder / "storm.npy", shots(1))
    np.save(folder / "tower" / "spark.npy", shots(2))
    return folder


@pytest.fixture
def dest(tmp_path):
    return tmp_path / "night"


def states(dest):
    with NightRecord.read(dest) as record:
        return {row.name: row.state for row in record.takes()}


class TestStatus:
    def test_all_done(self, run, card, dest):
        done = run("ingest", card, "--to", dest, *INLINE)
        assert done.status == 0
        assert "2 done" in done.out
        assert done.err == ""
        assert states(dest) == {"storm": "done", "spark": "done"}

    def test_nothing_there(self, run, tmp_path, dest):
        (tmp_path / "empty").mkdir()
        assert run("ingest", tmp_path / "empty", "--to", dest, *INLINE).status == 0

    def test_some_failed(self, run, card, dest):
        (card / "bad.mov").write_bytes(b"no video")
        done = run("ingest", card, "--to", dest, *INLINE)
        assert done.status == 3
        assert len(done.err.splitlines()) == 1
        assert str(card / "bad.mov") in done.err
        assert states(dest)["storm"] == "done"

    def test_unreadable(self, run, card, dest):
        (card / "lost.mov").symlink_to(card / "nowhere.mov")
        done = run("ingest", card, "--to", dest, *INLINE)
        assert done.status == 3
        assert "lost.mov" in done.err

    @pytest.mark.parametrize(
        ("more", "said"),
        [
            (["--workers", "0"], "1 or more"),
            (["--scheduler", "tcp://127.0.0.1:1"], "--engine dask"),
            (["--engine", "threads"], "--engine"),
            (["--pre-roll", "5ms", "--capture-rate", "none"], "capture-rate"),
            (["--log-file", "/nowhere/at/all.jsonl"], "--log-file"),
        ],
    )
    def test_wrong_command(self, run, card, dest, more, said):
        done = run("ingest", card, "--to", dest, *QUICK, *more)
        assert done.status == 2
        assert len(done.err.splitlines()) == 1
        assert said in done.err

    def test_wrong_settings_file(self, run, card, dest):
        (card / "tower" / "flashpan.toml").write_text("pre-rol = 5\n")
        done = run("ingest", card, "--to", dest, *INLINE)
        assert done.status == 2
        assert "did you mean 'pre-roll'?" in done.err
        assert not dest.exists()

    def test_another_run_is_at_work(self, run, card, dest):
        with Catalog.open(dest):
            done = run("ingest", card, "--to", dest, *INLINE)
        assert done.status == 2
        assert "another run is at work" in done.err

    def test_no_source(self, run, tmp_path, dest):
        done = run("ingest", tmp_path / "none", "--to", dest)
        assert (done.status, done.out) == (2, "")

    def test_source_in_destination(self, run, card):
        assert run("ingest", card, "--to", card.parent).status == 2


class TestOutput:
    def test_json(self, run, card, dest):
        done = run("ingest", card, "--to", dest, *INLINE, "--json")
        assert json.loads(done.out) == json.loads((dest / "night.json").read_text())

    def test_the_index_lies_beside_the_catalog(self, run, card, dest):
        done = run("ingest", card, "--to", dest, *INLINE)
        assert (dest / "night.txt").read_text() == done.out
        rows = (dest / "night.csv").read_text().splitlines()
        assert len(rows) == 3

    def test_settings_are_shown_and_nothing_done(self, run, card, dest):
        (card / "flashpan.toml").write_text('capture-rate = 2000\n[take."spark"]\npre-roll = 9\n')
        done = run("ingest", card, "--to", dest, "--post-roll", "5", "--show-settings")
        assert done.status == 0
        assert not dest.exists()
        assert "command line" in done.out
        assert '[take."spark"]' in done.out
        shown = run("ingest", card, "--to", dest, "--post-roll", "5", "--show-settings", "--json")
        spark = next(one for one in json.loads(shown.out) if "spark" in one["take"]["place"])
        assert spark["settings"]["pre_roll"]["value"] == 9
        assert spark["settings"]["post_roll"]["from"] == "command line"

    def test_the_settings_shown_are_those_used(self, run, card, dest):
        (card / "flashpan.toml").write_text('[take."spark"]\npre-roll = 9\n')
        assert run("ingest", card, "--to", dest, *INLINE[:2], *QUICK[2:]).status == 0
        used = {}
        for path in dest.rglob("*.events.json"):
            log = json.loads(path.read_text())
            used[log["take"]["name"]] = log["settings"]["pre_roll_frames"]
        assert used == {"storm": 25, "spark": 9}

    def test_sections_that_fit_nothing_are_named(self, run, card, dest):
        (card / "flashpan.toml").write_text('[take."sprak"]\npre-roll = 9\n')
        assert "sprak" in run("ingest", card, "--to", dest, *INLINE).err


class TestStopped:
    @pytest.fixture
    def long_card(self, tmp_path):
        folder = tmp_path / "long"
        folder.mkdir()
        for number in range(2):
            np.save(folder / f"take{number}.npy", shots(number, n_frames=1000))
        return folder

    @pytest.mark.parametrize(
        ("engine", "number"),
        [
            ("processes", signal.SIGINT),
            ("processes", signal.SIGTERM),
            ("inline", signal.SIGINT),
            ("inline", signal.SIGTERM),
            pytest.param("dask", signal.SIGINT, marks=pytest.mark.slow),
        ],
    )
    def test_stops_in_time_and_goes_on(self, long_card, dest, engine, number):
        words = ["ingest", str(long_card), "--to", str(dest), "--engine", engine, *QUICK]
        process = subprocess.Popen(
            [*MAIN, *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        _until(lambda: list(dest.rglob(".flashpan-at-work")))
        time.sleep(0.3)
        with promised(5):  # the promise, not the speed
            os.killpg(process.pid, number)  # as a terminal does: to the workers, too
            out, err = process.communicate(timeout=120)
        assert process.returncode == 130
        # the processes of Dask may say something of their own
        said = err.splitlines()[-1:] if engine == "dask" else err.splitlines()
        assert said == ["flashpan: stopped"]
        assert out == ""
        assert "running" not in states(dest).values()
        left = {path.name for path in dest.rglob(".flashpan-*")}
        # Dask may end its workers before they have put everything away: a lock that nobody holds
        assert left <= ({".flashpan-at-work"} if engine == "dask" else set())
        short = subprocess.run([*MAIN, *words], capture_output=True, text=True)
        assert short.returncode == 0
        assert set(states(dest).values()) == {"done"}


def _until(condition, most_s=120):  # a guard, no promise: the machine may be busy
    end = time.monotonic() + most_s
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_loads_nothing_heavy_for_help():
    code = (
        "import sys; from flashpan.cli import main\n"
        "try: main(['ingest', '--help'])\n"
        "except SystemExit: pass\n"
        "assert not {'numpy', 'av', 'cv2', 'sqlite3', 'distributed'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
