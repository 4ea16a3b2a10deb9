"""kill -9 at random moments: the night that comes of it is the one that nobody disturbed."""

import os
import random
import signal
import subprocess
import sys
import time

import psutil
import pytest
from ingest_fixtures import content_of, files_under, mixed_takes

MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]
QUICK = ["--pre-roll", "4", "--post-roll", "5", "--merge-gap", "3"]


def command(source, dest):
    return [*MAIN, "ingest", str(source), "--to", str(dest), "--workers", "2", *QUICK]


def workers_of(process):
    """Worker processes, without the helper that Python runs beside them."""
    try:
        children = psutil.Process(process.pid).children(recursive=True)
        return [child for child in children if "spawn_main" in " ".join(child.cmdline())]
    except psutil.Error:
        return []


def disturbed(source, dest, n_kills, draw, most_s):
    """Run nights and kill what is at work, until all kills are spent; return what was hit."""
    hit, process = [], None
    while len(hit) < n_kills:
        if process is None or process.poll() is not None:
            process = subprocess.Popen(command(source, dest), stderr=subprocess.DEVNULL)
        time.sleep(draw.uniform(0.3, most_s))
        victims = workers_of(process) if draw.random() < 0.5 else []
        victim = draw.choice(victims) if victims else None
        try:
            if victim is not None:
                victim.send_signal(signal.SIGKILL)
                hit.append("worker")
            elif process.poll() is None:
                process.kill()
                process.wait()
                hit.append("coordinator")
            else:
                hit.append("nobody")  # the night was over: everything is looked through again
        except psutil.NoSuchProcess:
            pass
    if process is not None and process.poll() is None:
        process.wait()
    return hit


def undisturbed_to_its_end(source, dest):
    """Run until every take is done: one whose worker was killed twice is tried by the next run."""
    for _ in range(3):
        ended = subprocess.run(command(source, dest), capture_output=True, text=True)
        if ended.returncode == 0:
            return
    raise AssertionError(ended.stderr)


def check(tmp_path, n_takes, n_kills, most_s, seed):
    source = tmp_path / "card"
    mixed_takes(source, n_takes)
    undisturbed_to_its_end(source, tmp_path / "calm")
    hit = disturbed(source, tmp_path / "night", n_kills, random.Random(seed), most_s)
    print(f"{n_kills} kills: {', '.join(hit)}")
    undisturbed_to_its_end(source, tmp_path / "night")
    assert content_of(tmp_path / "night") == content_of(tmp_path / "calm")
    assert files_under(tmp_path / "night") == files_under(tmp_path / "calm")
    left = [path.name for path in (tmp_path / "night").rglob(".flashpan-*")]
    assert left == []


def test_a_few_kills(tmp_path):
    check(tmp_path, n_takes=6, n_kills=4, most_s=3.0, seed=1)


@pytest.mark.slow
@pytest.mark.skipif(
    "FLASHPAN_LONG_TESTS" not in os.environ, reason="takes minutes; set FLASHPAN_LONG_TESTS=1"
)
def test_thirty_kills_of_a_night_of_sixty_takes(tmp_path):
    check(tmp_path, n_takes=60, n_kills=30, most_s=8.0, seed=2)
