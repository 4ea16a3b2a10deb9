"""kill -9 at random moments: the night that comes of it is the one that nobody disturbed."""

import os
import random
import signal
import subprocess
import sys
import time
from itertools import count

import psutil
import pytest
from ingest_fixtures import content_of, files_under, mixed_takes

MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]
QUICK = ["--pre-roll", "4", "--post-roll", "5", "--merge-gap", "3", "--no-sheets"]


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
    """Run a night and kill what is at work until it is over or all kills are spent."""
    hit, process = [], None
    while len(hit) < n_kills:
        if process is None or process.poll() not in (None, 0, 3):
            process = subprocess.Popen(
                command(source, dest), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        time.sleep(draw.uniform(0.3, most_s))
        if process.poll() is not None:
            return hit
        victims = workers_of(process) if draw.random() < 0.5 else []
        if victims:
            draw.choice(victims).send_signal(signal.SIGKILL)
        else:
            process.kill()
            process.wait()
        hit.append("worker" if victims else "coordinator")
    if process is not None:
        process.wait()
    return hit


def done_to_its_end(source, dest):
    """Run until every take is done: one whose worker was killed twice is tried by the next run."""
    for _ in range(3):
        ended = subprocess.run(command(source, dest), capture_output=True, text=True)
        if ended.returncode == 0:
            return
    raise AssertionError(ended.stderr)


def check(tmp_path, n_takes, n_kills, most_s, seed):
    """Spend the kills on one night, or on several where the first is over too soon."""
    source, calm, draw, hit = tmp_path / "card", tmp_path / "calm", random.Random(seed), []
    mixed_takes(source, n_takes)
    done_to_its_end(source, calm)
    for number in count():
        if len(hit) == n_kills:
            break
        dest = tmp_path / f"night{number}"
        now = disturbed(source, dest, n_kills - len(hit), draw, most_s)
        done_to_its_end(source, dest)
        hit += now
        print(f"kills of one night: {', '.join(now)}")
        assert content_of(dest) == content_of(calm)
        assert files_under(dest) == files_under(calm)
        assert [path.name for path in dest.rglob(".flashpan-*")] == []


def test_a_few_kills(tmp_path):
    check(tmp_path, n_takes=6, n_kills=4, most_s=3.0, seed=1)


@pytest.mark.slow
@pytest.mark.skipif(
    "FLASHPAN_LONG_TESTS" not in os.environ, reason="takes minutes; set FLASHPAN_LONG_TESTS=1"
)
def test_thirty_kills_of_a_night_of_sixty_takes(tmp_path):
    check(tmp_path, n_takes=60, n_kills=30, most_s=4.0, seed=2)
