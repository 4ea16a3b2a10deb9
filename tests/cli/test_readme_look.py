"""What the README says of sheets and pages is what the program does."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from trim_fixtures import video

README = (Path(__file__).parents[2] / "README.md").read_text()
SECTION = README.partition("## Look at it")[2].partition("\n## ")[0]


@pytest.fixture
def takes(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return video(tmp_path / "burst.mov")


def block(kind):
    return re.search(rf"```{kind}\n(.*?)```", SECTION, re.S)[1]


def test_the_sheet_shown(run, takes):
    command, _, shown = block("text").partition("\n")
    done = run(*command.removeprefix("$ flashpan ").split())
    assert (done.status, done.out) == (0, shown)


def test_the_python_example(takes):
    done = subprocess.run(
        [sys.executable, "-c", block("python")], capture_output=True, text=True, check=True
    )
    lines = done.stdout.splitlines()
    assert lines[0].startswith("0 [")
    assert "tone" in lines[0]


@pytest.mark.parametrize("line", [line for line in block("sh").splitlines() if line])
def test_the_commands_are_known(run, line):
    name = line.split()[1]
    shown = run(name, "--help")
    assert shown.status == 0
    for option in re.findall(r"--\w+", line):
        assert option in shown.out


def test_review_says_what_it_lacks(tmp_path):
    """Without the extra packages it names them, in a line."""
    for missing in ("starlette", "uvicorn"):
        (tmp_path / f"{missing}.py").write_text(
            f"raise ModuleNotFoundError('no {missing}', name='{missing}')\n"
        )
    done = subprocess.run(
        [sys.executable, "-c", "from flashpan.cli import main; main()", "review", str(tmp_path)],
        env={**os.environ, "PYTHONPATH": f"{tmp_path}:{os.environ.get('PYTHONPATH', '')}"},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 3
    assert len(done.stderr.splitlines()) == 1
    assert "flashpan[review]" in done.stderr
