"""What the README says of flagging a card is what the program does."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import cv2
import pytest
from trim_fixtures import h264, pictures

README = (Path(__file__).parents[2] / "README.md").read_text()
SECTION = README.partition("## Before the offload")[2].partition("\n## ")[0]


@pytest.fixture
def card(tmp_path, monkeypatch):
    """Raw pixels, stills and H.264; the rolls are in the settings file."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "card"
    (folder / "stills").mkdir(parents=True)
    (folder / "flashpan.toml").write_text(
        'pre-roll = 4\npost-roll = 5\nmerge-gap = 3\n[take."burst.bin"]\nraw = "64x48:Mono8+512"\n'
    )
    (folder / "burst.bin").write_bytes(bytes(512) + pictures().tobytes())
    for number, shot in enumerate(pictures(80, flashes=[40])):
        cv2.imwrite(str(folder / "stills" / f"drop_{number:04d}.png"), shot)
    h264(folder / "strike.mp4", pictures(flashes=[70]))
    return folder


def block(kind):
    return re.search(rf"```{kind}\n(.*?)```", SECTION, re.S)[1]


def without_figures(text):
    """Sizes of coded files differ from one library to the next, and columns with them."""
    text = re.sub(r"\d[\d.,]* (?:[kM]?B|bytes)|bytes \d+-\d+|\d+:\d+:\d+|\d+\.\d", "0", text)
    return re.sub(r"[\s0]+", " ", text).strip()


def test_the_table_shown(run, card, tmp_path):
    shown = block("text")
    command = re.match(r"\$ flashpan (.*)\n", shown)[1]
    done = run(*command.split())
    assert (done.status, done.err) == (0, "")
    said = done.out.replace(str(tmp_path), "/home/op")
    assert without_figures(said) == without_figures(shown.partition("\n")[2])


@pytest.mark.skipif(shutil.which("rsync") is None, reason="rsync is not installed")
def test_the_commands(card, tmp_path, on_path):
    done = subprocess.run(
        ["bash", "-eo", "pipefail", "-c", block("sh")],
        env=on_path,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    edit, offload = tmp_path / "edit", tmp_path / "offload"
    assert len(list((edit / "stills").iterdir())) == 16
    assert (edit / "strike.mp4").read_bytes() == (card / "strike.mp4").read_bytes()
    assert (edit / "burst.bin").read_bytes() == (offload / "burst.bin").read_bytes()
    assert len(list(offload.glob("strike_r*.mp4"))) == 1


def test_the_python(card, tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", block("python")], capture_output=True, text=True, check=True
    )
    lines = done.stdout.splitlines()
    assert lines[0] == f"burst.bin 46 61 [({512 + 46 * 3072}, {16 * 3072})]"
    assert "seconds saved" in lines[4]
    assert {line.split()[0] for line in lines[5:]} >= {"copied/burst.bin", "copied/stills"}
    assert any(line.endswith("bit for bit") for line in lines[5:])
