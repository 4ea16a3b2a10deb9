"""What the README says of a whole night is what the program does."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from trim_fixtures import h264, pictures, video

README = (Path(__file__).parents[2] / "README.md").read_text()
SECTION = README.partition("## A whole night")[2].partition("\n## ")[0]


@pytest.fixture
def card(tmp_path, monkeypatch):
    """Three takes, one of them cut off."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "card"
    (folder / "tower").mkdir(parents=True)
    video(folder / "burst.mov")
    h264(folder / "tower" / "strike.mp4", pictures(flashes=[60]))
    cut = h264(folder / "tower" / "late.mp4", pictures(flashes=[80]))
    cut.write_bytes(cut.read_bytes()[:3000])
    for path in folder.rglob("*.m*"):
        os.utime(path, (1_780_000_000, 1_780_000_000))
    return folder


def block(kind):
    return re.search(rf"```{kind}\n(.*?)```", SECTION, re.S)[1]


def without_figures(text):
    """The words: times and sizes differ from machine to machine, and columns with them."""
    text = re.sub(r"\d[\d.,]* (?:[kM]?B|bytes)", "0", text)
    text = re.sub(r"\d+:\d+:\d+|\d{4}-\d\d-\d\d \d\d:\d\d|\d\d-\d\d|[A-Z]{3,4} |\d+\.\d", "0", text)
    return re.sub(r"[\s0]+", " ", text).strip()


def test_the_report_shown(run, card, tmp_path):
    shown = block("text")
    command = re.match(r"\$ flashpan (.*)\n", shown)[1]
    done = run(*command.split(), "--engine", "inline")
    assert done.status == 3
    said = done.out.replace(str(tmp_path), "/home/op")
    assert without_figures(said) == without_figures(shown.partition("\n")[2])


def test_the_settings_file_is_valid(run, card):
    (card / "flashpan.toml").write_text(block("toml"))
    (card / "spark_1.npy").write_bytes(b"")
    shown = run("ingest", card, "--to", "night", "--show-settings", "--json")
    assert shown.status == 0
    rates = {
        one["take"]["place"]: one["settings"]["capture_rate"]["value"]
        for one in json.loads(shown.out)
    }
    assert rates["burst.mov"] == 20000
    assert rates["tower/strike.mp4"] == 100000


def test_the_shell_pipeline(card, tmp_path, on_path):
    (tmp_path / "edit").mkdir()
    done = subprocess.run(
        ["bash", "-eo", "pipefail", "-c", block("sh")],
        env=on_path,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert "late.mp4" in json.loads((tmp_path / "failed.jsonl").read_text())["take"]
    assert sorted(path.suffix for path in (tmp_path / "edit").iterdir()) == [".mkv", ".mov"]
    assert "2 done, 1 failed" in (tmp_path / "report.txt").read_text()


def test_the_python_pipeline(card, tmp_path):
    (tmp_path / "pipeline.py").write_text(block("python"))
    done = subprocess.run(
        [sys.executable, "pipeline.py"], capture_output=True, text=True, check=True
    )
    lines = done.stdout.splitlines()
    assert lines[0].startswith("FAILED")
    assert len(lines) == 3
    assert all(Path(line.split()[0]).exists() for line in lines[1:])
