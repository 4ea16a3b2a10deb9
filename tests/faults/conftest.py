"""Commands that run into trouble, in processes of their own, and what is left of it."""

import shutil
import subprocess
import sys
import warnings
from contextlib import suppress
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


class SmallDisk:
    """A real file system that holds so many bytes and no more."""

    most_bytes = 8 << 20
    """Enough for all that is written, and for what must stay free."""

    def __init__(self, folder):
        self.folder = folder

    def resize(self, n_bytes):
        how = f"remount,size={n_bytes}"
        subprocess.run(["mount", "-o", how, self.folder], check=True, capture_output=True)

    def fill(self):
        """Write until nothing more goes in."""
        with (self.folder / "full").open("ab", buffering=0) as file, suppress(OSError):
            while True:
                file.write(bytes(4096))

    def clear(self):
        for path in self.folder.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()


@pytest.fixture
def disk(tmp_path):
    folder = tmp_path / "disk"
    folder.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={SmallDisk.most_bytes}", "tmpfs", folder]
    if not shutil.which("mount") or subprocess.run(words, capture_output=True).returncode:
        text = "NO REAL DISK IS FILLED HERE: only an administrator may mount a small one"
        warnings.warn(text, stacklevel=1)
        pytest.skip(text)
    yield SmallDisk(folder)
    subprocess.run(["umount", folder], check=True)
