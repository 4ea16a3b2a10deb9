import os
import sys
from typing import NamedTuple

import numpy as np
import pytest

from flashpan.cli import main


class Outcome(NamedTuple):
    status: int
    out: str
    err: str


@pytest.fixture
def run(capsys):
    """Run the command line in this process."""

    def run_main(*args):
        with pytest.raises(SystemExit) as left:
            main([str(arg) for arg in args])
        out, err = capsys.readouterr()
        return Outcome(left.value.code, out, err)

    return run_main


@pytest.fixture
def on_path(tmp_path):
    """An environment whose PATH has a ``flashpan`` command of this source."""
    command = tmp_path / "bin" / "flashpan"
    command.parent.mkdir()
    command.write_text(
        f'#!/bin/sh\nexec {sys.executable} -c "from flashpan.cli import main; main()" "$@"\n'
    )
    command.chmod(0o755)
    return {**os.environ, "PATH": f"{command.parent}:{os.environ['PATH']}"}


def frames(n_frames=600, flash_at=()):
    """Invented: grey noise, with a square that lights up for six frames."""
    random = np.random.default_rng(1)
    pictures = random.normal(40, 2, (n_frames, 48, 64))
    for onset in flash_at:
        pictures[onset : onset + 6, 16:32, 24:40] += 80
    return np.clip(pictures, 0, 255).astype(np.uint8)


@pytest.fixture(scope="session")
def takes(tmp_path_factory):
    """A folder with a take that flashes at 400 and one in which nothing happens."""
    folder = tmp_path_factory.mktemp("takes")
    np.save(folder / "flash.npy", frames(flash_at=[400]))
    np.save(folder / "quiet.npy", frames())
    return folder


@pytest.fixture
def flash(takes):
    return takes / "flash.npy"


@pytest.fixture
def quiet(takes):
    return takes / "quiet.npy"
