"""Its place here lets tests in every folder import ``array_takes`` and ``log_fixtures``."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import hypothesis
import pytest

# and what the tests of reading, of cutting and of nights are made of
sys.path[:0] = [
    str(Path(__file__).parent / room) for room in ("readers", "cut", "night", "handoff", "offload")
]

from trim_fixtures import video  # noqa: E402  # found through the path just set

# No test is timed: a busy machine must not fail it.
hypothesis.settings.register_profile("flashpan", deadline=None)
hypothesis.settings.load_profile("flashpan")

SMALL_DISK_BYTES = 1 << 20


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Give neighbours to one worker: what tests of a module share is then made once, not twice."""
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log)


@pytest.fixture(autouse=True, scope="session")
def _reference_decoder(tmp_path_factory):
    """An ``ffmpeg`` command to hold results against; a package brings one where none is."""
    if shutil.which("ffmpeg"):
        yield
        return
    import imageio_ffmpeg

    folder = tmp_path_factory.mktemp("command")
    (folder / "ffmpeg").symlink_to(imageio_ffmpeg.get_ffmpeg_exe())
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
        yield


@pytest.fixture
def mjpeg(tmp_path):
    """An invented take with two flashes, every frame coded by itself."""
    return video(tmp_path / "take.mov")


@pytest.fixture
def out(tmp_path):
    """Where clips go."""
    return tmp_path / "out"


@pytest.fixture
def small_disk(tmp_path):
    """A file system of one mebibyte, where this machine lets us make one."""
    folder = tmp_path / "small"
    folder.mkdir()
    options = f"size={SMALL_DISK_BYTES}"
    mounted = (
        shutil.which("mount")
        and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", options, "tmpfs", folder], capture_output=True
        ).returncode
    )
    if not mounted:
        pytest.skip("only an administrator may mount a small disk")
    yield folder
    subprocess.run(["umount", folder], check=True)
