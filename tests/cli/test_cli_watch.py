"""``flashpan watch``, and what the README says of it."""

import re
import shlex
import shutil
import subprocess
import sys
from configparser import ConfigParser
from pathlib import Path

import click
import pytest
from trim_fixtures import video

from flashpan.cli import commands
from flashpan.night.record import NightRecord

README = (Path(__file__).parents[2] / "README.md").read_text()
SECTION = README.partition("## Takes as they arrive")[2].partition("\n## ")[0]
QUICK = [*("--once", "--settle", "0.2", "--engine", "inline", "--pre-roll", "4", "--no-sheets")]


@pytest.fixture
def card(tmp_path):
    folder = tmp_path / "card"
    folder.mkdir()
    video(folder / "a.mov")
    return folder


@pytest.fixture
def dest(tmp_path):
    return tmp_path / "night"


def test_once_with_settings_of_the_command_line(run, card, dest):
    status, out, err = run("watch", card, "--to", dest, *QUICK, "--also", "gif")
    assert (status, err) == (0, "")
    assert out.startswith(f"{card}/a.mov: ")
    with NightRecord.read(dest) as record:
        assert {clip.form for clip in record.clips()} == {"clip", "gif"}
        assert record.totals().done == 1


def test_what_fails_is_on_stderr_and_the_status_says_so(run, card, dest):
    (card / "empty.mov").touch()
    status, out, err = run("watch", card, "--to", dest, *QUICK)
    assert status == 3
    assert out.count("\n") == 1
    assert err == (
        f"flashpan: {card}/empty.mov: is empty (0 bytes); copy it again from the camera\n"
    )


def test_a_wrong_command(run, card, dest):
    status, _, err = run("watch", card, "--to", dest, "--settle", "-1")
    assert status == 2
    assert "--settle -1" in err
    status, _, err = run("watch", card, "--to", card.parent)
    assert status == 2
    assert "choose a folder for the night that holds no takes" in err
    assert not dest.exists()


def test_help_has_examples_and_no_long_line(run):
    said = run("watch", "--help").out
    assert "Examples:" in said
    assert max(map(len, said.splitlines())) <= 100


def test_the_commands_in_the_readme_work(tmp_path, card, on_path):
    script = re.search(r"```sh\n(.*?)```", SECTION, re.S)[1].replace("/media/card", "card")
    script = script.replace("--once", "--once --settle 0.2")
    done = subprocess.run(
        ["sh", "-e", "-c", script],
        cwd=tmp_path,
        env=on_path,
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "offload   0:00:00 saved at 120 MB per second" in done.stdout
    assert done.stdout.rstrip().splitlines()[-1].startswith("20")  # a row of the CSV


def test_the_python_in_the_readme_works(tmp_path, card):
    script = re.search(r"```python\n(.*?)```", SECTION, re.S)[1]
    script = script.replace("once=True", "once=True, settle_s=0.2")
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")
    first, *events = done.stdout.splitlines()
    assert first.endswith("frames kept of 120")
    assert [line.split()[1] for line in events] == ["a.mov"] * len(events)
    assert events


class TestService:
    @pytest.fixture
    def unit(self):
        parser = ConfigParser(interpolation=None)
        parser.optionxform = str
        parser.read_string(re.search(r"```ini\n(.*?)```", SECTION, re.S)[1])
        return parser

    def test_its_command_parses(self, unit):
        program, name, *words = shlex.split(unit["Service"]["ExecStart"])
        assert Path(program).name == "flashpan"
        command = commands.get_command(click.Context(commands), name)
        assert command.make_context(name, words).params["dest"] == "/night"

    def test_being_stopped_is_no_failure_and_a_wrong_command_is_not_tried_again(self, unit):
        assert unit["Service"]["SuccessExitStatus"] == "130"
        assert unit["Service"]["RestartPreventExitStatus"] == "2"
        assert int(unit["Service"]["TimeoutStopSec"]) > 5

    def test_systemd_accepts_it(self, unit, tmp_path):
        if not shutil.which("systemd-analyze"):
            pytest.skip("no systemd here")
        text = re.search(r"```ini\n(.*?)```", SECTION, re.S)[1]
        text = text.replace("/opt/flashpan/bin/flashpan", "/bin/true").replace("ingest", "root", 1)
        path = tmp_path / "flashpan-watch.service"
        path.write_text(text)
        done = subprocess.run(["systemd-analyze", "verify", path], capture_output=True, text=True)
        assert "flashpan-watch" not in done.stderr
