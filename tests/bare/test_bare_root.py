"""The wheel runs on a Debian without any graphics library: see ``check.sh``."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

UNPREPARED = 77  # what check.sh says when the root itself could not be made

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root can make a Debian root"
    ),
    pytest.mark.skipif(shutil.which("debootstrap") is None, reason="debootstrap is not installed"),
]


def test_the_wheel_runs_without_graphics_libraries(tmp_path):
    done = subprocess.run(
        ["bash", Path(__file__).with_name("check.sh")],
        env={**os.environ, "PYTHON": sys.executable, "TMPDIR": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode == UNPREPARED and not os.environ.get("CI"):
        pytest.skip(done.stderr.strip().splitlines()[-1])
    assert done.returncode == 0, done.stderr
    assert not any(tmp_path.iterdir()), "the root was left behind"
