"""Commands that run into trouble, in processes of their own, and what is left of it."""

import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from trim_fixtures import video

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from faultlab import begun, command, injected, tiny_shots


class Ended(NamedTuple):
    """How a command ended, what it said, and what it did below the folder that is watched."""

    status: int
    said: str
    did: list[str]

    @property
    def line(self):
        """The last line that it said for people; there is no traceback in it."""
        assert "Traceback" not in self.said, self.said
        assert "Exception ignored" not in self.said, self.said
        lines = [line for line in self.said.splitlines() if line.startswith("flashpan: ")]
        return lines[-1] if lines else ""


@pytest.fixture
def end_of(tmp_path):
    """Run a command to its end, with a fault in it where one is given."""

    def run(*words, fault=None, work=command):
        words = [str(word) for word in words]
        said, watched = tmp_path / "said.txt", tmp_path / "did.txt"
        watched.unlink(missing_ok=True)
        if fault is None:
            process = begun(work, words, said=said)
        else:
            process = begun(injected, words, fault, watched, said=said)
        process.join()
        did = watched.read_text().splitlines() if watched.exists() else []
        return Ended(process.exitcode, said.read_text(errors="replace"), did)

    return run


@pytest.fixture(scope="session")
def card(tmp_path_factory):
    """Two tiny takes, an array and a video; nobody may change them."""
    folder = tmp_path_factory.mktemp("card")
    np.save(folder / "a.npy", tiny_shots(1))
    video(folder / "b.mov", shots=tiny_shots(2))
    return folder
