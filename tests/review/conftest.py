"""A night to be reviewed, and the server that shows it."""

import shutil

import numpy as np
import pytest
from review_fixtures import served

from flashpan.night.ingest import ingest
from flashpan.settings import Settings


def shots(seed, flashes, n_frames=120):
    """Invented: grey noise of 12 bits, with a square that lights up for six frames."""
    pictures = np.random.default_rng(seed).normal(600, 30, (n_frames, 48, 64))
    for onset in flashes:
        pictures[onset : onset + 6, 16:32, 24:40] += 1200
    return np.clip(pictures, 0, 4095).astype(np.uint16)


@pytest.fixture(scope="session")
def small_night(tmp_path_factory):
    """Two takes with three events, as a run leaves them; nobody may change it."""
    folder = tmp_path_factory.mktemp("small")
    (folder / "card").mkdir()
    np.save(folder / "card" / "spark.npy", shots(1, [50, 90]))
    np.save(folder / "card" / "bang.npy", shots(2, [60]))
    asked = Settings.from_mapping(
        {"capture_rate": 1000, "pre_roll": 4, "post_roll": 5, "merge_gap": 3}
    )
    night = ingest(folder / "card", folder / "night", asked, engine="inline")
    assert night.errors == []
    return folder


@pytest.fixture
def night(small_night, tmp_path):
    """The same, to be changed; its takes lie where they lay."""
    shutil.copytree(small_night / "night", tmp_path / "night")
    return tmp_path / "night"


@pytest.fixture
def client(night):
    with served(night) as (client, _):
        yield client
