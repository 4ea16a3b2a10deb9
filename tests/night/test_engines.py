"""Engines: a worker that dies costs what it had in hand, and nobody else anything."""

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import wait
from pathlib import Path

import engine_work as work
import psutil
import pytest
from night_fixtures import promised

from flashpan.night.engines import Inline, WorkerDied, Workers, how_it_ended
from flashpan.threads import DECODER_THREADS, budget, decoder_threads, threads_each, usable_cores


@pytest.fixture
def two():
    engine = Workers(2)
    yield engine
    engine.stop()


def until(condition, most_s=20):
    end = time.monotonic() + most_s
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.mark.parametrize("make", [Inline, lambda: Workers(2)], ids=["inline", "workers"])
def test_does_the_work(make):
    engine = make()
    for numbers in ([1, 2], [3, 4], [5, 6]):
        futures = [engine.submit(work.double, n) for n in numbers[: engine.n_places]]
        assert [future.result() for future in futures] == [2 * n for n in numbers[: len(futures)]]
    engine.close()


@pytest.mark.parametrize("make", [Inline, lambda: Workers(1)], ids=["inline", "workers"])
def test_hands_on_errors(make):
    engine = make()
    with pytest.raises(ValueError, match="what went wrong"):
        engine.submit(work.fail, "what went wrong").result()
    assert engine.submit(work.double, 4).result() == 8
    engine.stop()


def test_a_death_leaves_the_other_worker_alone(two):
    innocent = two.submit(work.double_or_die, 7)
    guilty = two.submit(work.double_or_die, -signal.SIGKILL)
    with pytest.raises(WorkerDied, match=r"signal 9.*memory"):
        guilty.result()
    assert innocent.result() == 14
    assert two.submit(work.double, 4).result() == 8


@pytest.mark.parametrize(
    ("what", "thing", "said"),
    [
        (work.double_or_die, -signal.SIGSEGV, "signal 11"),
        (work.double_or_die, -signal.SIGABRT, "signal 6"),
        (work.leave_with_status, 3, "status 3"),
    ],
)
def test_says_how_a_worker_died(two, what, thing, said):
    with pytest.raises(WorkerDied, match=said):
        two.submit(what, thing).result()


def test_a_worker_that_dies_idle_is_replaced():
    engine = Workers(1)
    first = engine.submit(work.pid, None).result()
    os.kill(first, signal.SIGKILL)
    until(lambda: not psutil.pid_exists(first) or psutil.Process(first).status() == "zombie")
    time.sleep(0.3)  # its pool must have seen it
    assert engine.submit(work.pid, None).result() != first
    engine.close()


def test_many_deaths_in_a_row(two):
    for _ in range(4):
        pair = [two.submit(work.double_or_die, -9), two.submit(work.double_or_die, 1)]
        wait(pair)
        assert isinstance(pair[0].exception(), WorkerDied)
        assert pair[1].result() == 2


def test_stops_at_once_and_tidily(two, tmp_path):
    paths = [tmp_path / "a", tmp_path / "b"]
    for path in paths:
        two.submit(work.wait_and_tidy, path)
    until(lambda: all(path.exists() and path.read_text() for path in paths))
    pids = [int(path.read_text()) for path in paths]
    with promised(5):  # the promise, not the speed
        two.stop()
    assert not any(path.exists() for path in paths)
    assert not any(psutil.pid_exists(pid) for pid in pids)


def test_ends_a_worker_that_will_not_listen(tmp_path):
    engine = Workers(1)
    future = engine.submit(work.wait_deaf, tmp_path / "a")
    until(lambda: (tmp_path / "a").exists() and (tmp_path / "a").read_text())
    with promised(5):  # the promise, not the speed
        engine.stop()
    assert isinstance(future.exception(), WorkerDied)


def test_workers_do_not_outlive_the_coordinator(tmp_path):
    marks = [tmp_path / "a", tmp_path / "b"]
    script = tmp_path / "coordinate.py"
    script.write_text(
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "import time, engine_work as work\n"
        "from flashpan.night.engines import Workers\n"
        "if __name__ == '__main__':\n"
        "    engine = Workers(2)\n"
        f"    for path in {[str(mark) for mark in marks]}:\n"
        "        engine.submit(work.wait_and_tidy, path)\n"
        "    time.sleep(60)\n"
    )
    coordinator = subprocess.Popen([sys.executable, script])
    until(lambda: all(mark.exists() and mark.read_text() for mark in marks))
    pids = [int(mark.read_text()) for mark in marks]
    coordinator.kill()
    coordinator.wait()
    until(lambda: not any(psutil.pid_exists(pid) for pid in pids))


class TestThreads:
    def test_are_shared_out(self, monkeypatch):
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
            monkeypatch.delenv(name, raising=False)
        engine = Workers(2)
        each = str(threads_each(2))
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", DECODER_THREADS):
            assert engine.submit(work.environment, name).result() == each
        assert engine.submit(work.opencv_threads, None).result() == int(each)
        engine.close()
        assert DECODER_THREADS not in os.environ

    def test_what_the_user_set_stands(self, monkeypatch):
        monkeypatch.setenv("OMP_NUM_THREADS", "3")
        engine = Workers(1)
        assert engine.submit(work.environment, "OMP_NUM_THREADS").result() == "3"
        engine.close()

    def test_never_fewer_than_one(self):
        assert threads_each(10 * usable_cores()) == 1
        assert threads_each(1) == usable_cores()

    def test_budget_is_put_back(self, monkeypatch):
        monkeypatch.setenv(DECODER_THREADS, "5")
        with budget(2):
            assert decoder_threads() == 2
        assert decoder_threads() == 5

    def test_reaches_the_decoder(self, tmp_path):
        from trim_fixtures import video

        from flashpan.readers._video_open import open_container, picture_stream

        path = str(video(tmp_path / "take.mov"))
        with budget(1), open_container(path) as container:
            assert picture_stream(container, path).codec_context.thread_count == 1


def test_words_for_every_end():
    assert "without a word" in how_it_ended(None)
    assert "status 70" in how_it_ended(70)
