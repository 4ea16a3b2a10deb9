"""Names that a terminal would obey, and text that a spreadsheet would compute."""

import csv
import io

import numpy as np
import pytest
from trim_fixtures import QUICK

from flashpan.visible import csv_text, shown, shown_lines

NASTY = "evil\x1b]0;owned\x07\x9b31m\u202egnp\nline"


def test_control_characters_are_written_as_numbers():
    assert shown(NASTY) == r"evil\x1b]0;owned\x07\x9b31m\u202egnp\nline"
    assert shown("täke µs 雷.mov") == "täke µs 雷.mov"
    assert shown_lines("a\x1b\nb") == "a\\x1b\nb"


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "=cmd|' /C calc'!A0"]
)
def test_what_begins_like_a_formula_is_text(text):
    ((cell,),) = csv.reader(io.StringIO(csv_text([[text]]), newline=""))
    assert cell == f"'{text}"


def test_numbers_and_plain_text_are_left_alone():
    assert csv_text([[-1, -0.5, None, "a=b", "é"]]) == "-1,-0.5,,a=b,é\n"


@pytest.fixture
def nasty(tmp_path, flash):
    take = tmp_path / f"{NASTY}.npy"
    np.save(tmp_path / "t.npy", np.load(flash)[350:450])
    (tmp_path / "t.npy").rename(take)
    return take


@pytest.mark.parametrize("command", [["find"], ["slate"], ["find", "--explain", "10"]])
def test_no_terminal_is_told_anything_by_a_name(run, nasty, command):
    status, out, err = run(*command[:1], nasty, *command[1:])
    assert status == 0
    assert r"\x1b]0;owned" in out
    assert not {"\x1b", "\x07", "\x9b", "\u202e"} & {*out, *err}


def test_nor_by_one_that_cannot_be_read_nor_by_clips(run, nasty, tmp_path):
    texts = [*run("trim", nasty, "--out", tmp_path / "out", *QUICK)]
    nasty.write_bytes(b"xx")
    texts += run("find", nasty)
    texts += run("find", tmp_path / "none\x1b[31m.mp4")
    texts += run("find", "--none\x1b[31m")
    assert not {"\x1b", "\x07", "\x9b", "\u202e"} & {*"".join(map(str, texts))}


def test_csv_in_a_pipe_is_exact(run, nasty):
    (row,) = csv.DictReader(io.StringIO(run("find", nasty, "--csv").out, newline=""))
    assert row["path"] == str(nasty)
