import shutil
import sys
from pathlib import Path

import pytest

# the small takes that the readers' tests are made of
sys.path.insert(0, str(Path(__file__).parent.parent / "readers"))


@pytest.fixture(autouse=True, scope="session")
def _reference_decoder():
    """The proof of these tests is another program's: without it there is none, and no pass."""
    assert shutil.which("ffmpeg"), "these tests need the ffmpeg command; apt-get install ffmpeg"
