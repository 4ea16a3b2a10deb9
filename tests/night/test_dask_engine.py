"""A real Dask cluster on this machine: scheduler and workers as processes of their own."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import engine_work as work
import numpy as np
import psutil
import pytest
from ingest_fixtures import QUICKLY, content_of, files_under, mixed_takes
from night_fixtures import promised
from trim_fixtures import pictures

from flashpan.errors import TakeError, UsageError
from flashpan.night import dask_engine
from flashpan.night.desk import make_engine
from flashpan.night.ingest import ingest

distributed = pytest.importorskip("distributed")
pytestmark = pytest.mark.slow

HERE = os.path.dirname(__file__)


def started(*words):
    """A process of the cluster; whatever it says goes nowhere."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([*sys.path, HERE])}
    return subprocess.Popen(
        [sys.executable, "-m", "distributed.cli." + words[0], *words[1:]],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


@contextmanager
def cluster(folder, n_workers=2):
    """Scheduler and workers, each ended by its own id."""
    file = folder / "scheduler.json"
    processes = [
        started(
            *("dask_scheduler", "--host", "127.0.0.1", "--port", "0"),
            *("--no-dashboard", "--scheduler-file", str(file)),
        )
    ]
    try:
        until(file.exists)
        processes += [worker(folder, number) for number in range(n_workers)]
        yield address(file), processes[1:]
    finally:
        for process in processes:
            process.kill()
            process.wait()


def worker(folder, number):
    return started(
        *("dask_worker", "--scheduler-file", str(folder / "scheduler.json"), "--no-nanny"),
        *("--nthreads", "1", "--name", f"w{number}", "--no-dashboard"),
        *("--local-directory", str(folder / f"w{number}")),
    )


def address(file):
    return json.loads(file.read_text())["address"]


def until(condition, most_s=60):
    end = time.monotonic() + most_s
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.05)


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    """Eight mixed takes, which nobody changes."""
    folder = tmp_path_factory.mktemp("shared") / "card"
    mixed_takes(folder, 8)
    return folder


@pytest.fixture(scope="module")
def here(tmp_path_factory, source):
    """The night that one process makes of them."""
    dest = tmp_path_factory.mktemp("here") / "night"
    ingest(source, dest, QUICKLY, engine="inline", sheets=False)
    return dest


def test_the_same_night_though_a_worker_is_lost_midway(tmp_path, source, here):
    n_done = 0
    with cluster(tmp_path) as (where, workers):

        def lose_one(step):
            nonlocal n_done
            n_done += step.outcome == "done"
            if n_done == 2 and workers[0].poll() is None:
                os.kill(workers[0].pid, signal.SIGKILL)

        night = ingest(
            source,
            tmp_path / "there",
            QUICKLY,
            engine="dask",
            sheets=False,
            scheduler=where,
            on_take=lose_one,
        )
        assert workers[0].poll() == -signal.SIGKILL
    assert (len(night.done), night.errors) == (8, [])
    assert content_of(tmp_path / "there") == content_of(here)
    assert files_under(tmp_path / "there") == files_under(here)


def test_a_scheduler_that_is_lost_loses_no_more_than_what_was_in_hand(tmp_path, source, here):
    n_done = 0
    with cluster(tmp_path) as (where, _):

        def lose_the_scheduler(step):
            nonlocal n_done
            n_done += step.outcome == "done"
            if n_done == 2 and step.outcome == "done":
                scheduler_of(tmp_path).kill()

        with pytest.raises(TakeError, match="does not answer any more"):
            ingest(
                source,
                tmp_path / "there",
                QUICKLY,
                engine="dask",
                sheets=False,
                scheduler=where,
                on_take=lose_the_scheduler,
            )
    night = ingest(source, tmp_path / "there", QUICKLY, engine="inline", sheets=False)
    assert len(night.done) + len(night.there) == 8
    assert len(night.there) >= 2
    assert content_of(tmp_path / "there") == content_of(here)


def scheduler_of(folder):
    """The scheduler's process, by the file that it was told to write."""
    return next(
        process
        for process in psutil.Process().children()
        if str(folder / "scheduler.json") in process.cmdline()
        and "dask_scheduler" in " ".join(process.cmdline())
    )


def test_a_long_take_in_pieces(tmp_path):
    source = tmp_path / "card"
    mixed_takes(source, 2)
    long = source / "long.npy"
    np.save(long, np.concatenate([pictures(300, [200 + n]) for n in range(8)]))
    ingest(source, tmp_path / "here", QUICKLY, engine="inline", sheets=False)
    lines = []
    with cluster(tmp_path) as (where, _):
        night = ingest(
            source,
            tmp_path / "there",
            QUICKLY,
            engine="dask",
            sheets=False,
            scheduler=where,
            split_above=long.stat().st_size - 1,
            on_line=lines.append,
        )
    assert (len(night.done), night.errors) == (3, [])
    assert [line for line in lines if line["what"] == "take-whole"] == []
    assert content_of(tmp_path / "there") == content_of(tmp_path / "here")
    assert files_under(tmp_path / "there") == files_under(tmp_path / "here")


def test_a_cluster_of_this_machine(tmp_path, source):
    night = ingest(source, tmp_path / "night", QUICKLY, engine="dask", workers=2, sheets=False)
    assert (len(night.done), night.errors) == (8, [])


def test_identical_work_is_done_as_often_as_asked(tmp_path):
    with cluster(tmp_path, n_workers=1) as (where, _):
        engine = make_engine("dask", scheduler=where)
        counter = tmp_path / "count"
        futures = [engine.submit(work.add_line, str(counter)) for _ in range(3)]
        assert [future.result() for future in futures] == [None] * 3
        assert counter.read_text() == "x\n" * 3
        engine.close()


def test_errors_come_back(tmp_path):
    with cluster(tmp_path, n_workers=1) as (where, _):
        engine = make_engine("dask", scheduler=where)
        with pytest.raises(ValueError, match="what went wrong"):
            engine.submit(work.fail, "what went wrong").result()
        engine.close()


def test_leaves_a_cluster_that_is_at_work_at_once(tmp_path):
    with cluster(tmp_path, n_workers=1) as (where, _):
        engine = make_engine("dask", scheduler=where)
        engine.submit(work.wait_and_tidy, str(tmp_path / "begun"))
        until((tmp_path / "begun").exists)
        with promised(5):  # the promise, not the speed
            engine.stop()


def test_nobody_there(monkeypatch):
    monkeypatch.setattr(dask_engine, "_TRIES_S", 0.5)
    with pytest.raises(UsageError, match="no Dask scheduler"):
        make_engine("dask", scheduler="tcp://127.0.0.1:9")
