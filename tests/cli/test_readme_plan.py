"""What the README says of the plan, and of what goes on to the edit, is what the program does."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from trim_fixtures import h264, pictures, video

README = (Path(__file__).parents[2] / "README.md").read_text()


def section(title):
    return README.partition(f"## {title}\n")[2].partition("\n## ")[0]


def blocks(title, kind):
    return re.findall(rf"```{kind}\n(.*?)```", section(title), re.S)


class TestPlan:
    def test_the_table_shown(self, run):
        (shown,) = blocks("Before the shot", "text")
        command, _, table = shown.replace("\\\n", "").partition("\n")
        outcome = run(*shlex.split(command)[2:])
        assert outcome.status == 0
        assert outcome.out == table

    def test_every_command(self, run):
        (commands,) = blocks("Before the shot", "sh")
        for line in commands.splitlines():
            assert run(*shlex.split(line, comments=True)[1:]).status == 0, line

    def test_from_python(self):
        (code,) = blocks("Before the shot", "python")
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
        assert float(done.stdout) == pytest.approx(float(re.search(r"# ([\d.]+):", code)[1]))


class TestHandOff:
    @pytest.fixture
    def night(self, run, tmp_path, monkeypatch):
        monkeypatch.chdir(tmp_path)
        (tmp_path / "card").mkdir()
        video(tmp_path / "card" / "burst.mov")
        h264(tmp_path / "card" / "strike.mp4", pictures(flashes=[60]))
        (tmp_path / "card" / "flashpan.toml").write_text(blocks("On to the edit", "toml")[0])
        for path in (tmp_path / "card").glob("*.m*"):
            os.utime(path, (1_780_000_000, 1_780_000_000))
        quick = ("--pre-roll", "4", "--post-roll", "5", "--merge-gap", "3")
        assert run("ingest", "card", "--to", "night", "--engine", "inline", *quick).status == 0
        return tmp_path / "night"

    def test_all_that_is_shown(self, run, night):
        listed, edl = blocks("On to the edit", "text")
        command, _, files = listed.partition("\n")
        assert run(*shlex.split(command)[2:]).out == files
        assert (night / "night.handoff" / "cutlist.edl").read_text().startswith(edl)
        log = (night / "night.handoff" / "shotlog.csv").read_text()
        assert "slate production" in log
        assert "Night storms" in log
        for line in blocks("On to the edit", "sh")[0].splitlines():
            words = line.partition(">")[0]
            assert run(*shlex.split(words)[1:]).status == 0, line
        code = blocks("On to the edit", "python")[0]
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
        assert done.stdout == "48 frames in 3 cuts\n"
