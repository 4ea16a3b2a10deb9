"""Progress on a terminal: speed, events so far, time left; nothing with --quiet or in a pipe."""

import io
import os
import pty
import re
import subprocess
import sys
from contextlib import redirect_stderr

import pytest

from flashpan.cli.progress import progress
from flashpan.readers.open import open_take

MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def terminal(monkeypatch):
    """What a terminal would show of a bar that is drawn at every step."""
    from functools import partial

    import tqdm

    monkeypatch.setattr(tqdm, "tqdm", partial(tqdm.tqdm, mininterval=0, miniters=1, ncols=120))
    return Terminal()


def test_shows_speed_events_and_time_left(flash, terminal):
    with (
        redirect_stderr(terminal),
        open_take(flash) as reader,
        progress(reader.info) as shown,
    ):
        shown(0)
        shown(99)
        shown.event()
        shown(199)
        shown.event()
        shown(299)
    said = terminal.getvalue()
    last = said.split("\r")[-3]
    assert "flash" in last
    assert "300/600" in last
    assert re.search(r"[\d.]+ ?[kM]? ?frames/s|frames/s|s/ frames", last)
    assert re.search(r"<\d\d:\d\d", last)
    assert "2 events" in last
    assert "1 event," not in last
    assert "1 event" in said


def test_quiet_shows_nothing(flash, terminal):
    with (
        redirect_stderr(terminal),
        open_take(flash) as reader,
        progress(reader.info, quiet=True) as shown,
    ):
        shown(0)
        shown.event()
        shown(599)
    assert terminal.getvalue() == ""


@pytest.mark.parametrize("quiet", [False, True])
def test_find_on_a_terminal(flash, tmp_path, quiet):
    above, below = pty.openpty()
    words = ["find", str(flash), "--detector", "difference", "--out", str(tmp_path)]
    done = subprocess.run(
        [*MAIN, *words, *(["--quiet"] if quiet else [])], stdout=subprocess.PIPE, stderr=below
    )
    os.close(below)
    said = b""
    while True:
        try:
            part = os.read(above, 65536)
        except OSError:
            break
        if not part:
            break
        said += part
    os.close(above)
    assert done.returncode == 0
    assert b"flash" in done.stdout
    assert (said == b"") == quiet


def test_find_keeps_scores_on_request(run, flash, tmp_path):
    from flashpan.scores import read_scores

    done = run("find", flash, "--detector", "difference", "--out", tmp_path, "--trace", "--quiet")
    assert (done.status, done.err) == (0, "")
    assert read_scores(tmp_path / "flash.scores.npz").scores.shape == (1, 600)
    assert run("find", flash, "--trace").status == 2
