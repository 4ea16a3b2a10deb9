"""What nobody foresaw is one line all the same."""

import errno
import os

import pytest

from flashpan.cli import TRACEBACK


def raising(monkeypatch, error):
    def fail(*words, **more):
        raise error

    monkeypatch.setattr("flashpan.night.verify.verify", fail)


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (OSError(errno.EIO, os.strerror(errno.EIO), "/card/a"), "/card/a: Input/output error"),
        (MemoryError(), "memory ran out; close other programs"),
        (ValueError("odd"), "ValueError: odd (test_cli_unforeseen.py, line "),
    ],
)
def test_one_line_and_no_traceback(run, tmp_path, monkeypatch, error, says):
    raising(monkeypatch, error)
    status, out, err = run("verify", tmp_path)
    assert (status, out) == (3, "")
    assert err.startswith(f"flashpan: {says}")
    assert err.count("\n") == 1


def test_those_who_mend_it_may_see_where_it_is(tmp_path, monkeypatch):
    from flashpan.cli import main

    raising(monkeypatch, ValueError("odd"))
    monkeypatch.setenv(TRACEBACK, "1")
    with pytest.raises(ValueError, match="odd"):
        main(["verify", str(tmp_path)])
