"""Limits: what a take may ask for, and what becomes of one that asks for more.

Takes are invented.  Decoders that hang, crash or ask for the whole memory are stood in for by code
that is put into the worker processes, since nobody has such a file for every library.
"""

import hashlib
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from ingest_fixtures import BRIEFLY

from flashpan import limits
from flashpan.errors import FlashpanError, SettingsError
from flashpan.night.ingest import ingest
from flashpan.readers.multipage import has_several_pages
from flashpan.readers.open import open_take
from sample_generators.damage import FORMATS, make_corpus

_SECONDS = 4  # enough for a busy machine to load libraries

# What libraries do to a process, at the third frame of a take of that name.
_LIBRARIES = """
import ctypes, os, signal, time
import numpy as np
from flashpan.readers.npy import NpyReader
fetch = NpyReader._fetch
def deadly(self, index):
    if index == 2 and "hangs" in self.info.name:
        ctypes.PyDLL(None).sleep(60)  # in C, and without letting other threads run
    if index == 2 and "sleeps" in self.info.name:
        time.sleep(60)
    if index == 2 and "crashes" in self.info.name:
        os.kill(os.getpid(), signal.SIGSEGV)
    if index == 2 and "swells" in self.info.name:
        np.ones(1 << 45)
    return fetch(self, index)
NpyReader._fetch = deadly
"""


@pytest.fixture
def libraries(tmp_path, monkeypatch):
    """Processes that are started get the libraries above."""
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "sitecustomize.py").write_text(_LIBRARIES)
    path = os.pathsep.join([str(tmp_path / "site"), os.environ.get("PYTHONPATH", "")])
    monkeypatch.setenv("PYTHONPATH", path)
    monkeypatch.setenv(limits.FRAME_SECONDS.name, str(_SECONDS))


def write_take(path, n_frames=40):
    random = np.random.default_rng([*path.name.encode()])
    np.save(path, random.normal(60, 3, (n_frames, 24, 32)).astype(np.uint8))
    return path


def sums(folder):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


def test_a_night_goes_on_after_takes_that_hang_crash_or_swell(tmp_path, libraries):
    source = tmp_path / "card"
    source.mkdir()
    for name in ("a good", "b hangs", "c crashes", "d swells", "e good"):
        write_take(source / f"{name}.npy")
    before = sums(source)
    night = ingest(source, tmp_path / "night", BRIEFLY, engine="processes", workers=2, sheets=False)
    assert [Path(take).stem for take in sorted(night.done)] == ["a good", "e good"]
    errors = sorted(night.errors)
    assert len(errors) == 3
    for error, name, words in zip(
        errors,
        ("b hangs.npy", "c crashes.npy", "d swells.npy"),
        (f"nothing could be read for {_SECONDS} s", "signal 11", limits.WORKER_BYTES.name),
        strict=True,
    ):
        assert f"{source / name}: " in error
        assert words in error
        assert "\n" not in error
    assert sums(source) == before


def test_a_search_that_hangs_ends_with_one_line(tmp_path, libraries):
    take = write_take(tmp_path / "sleeps.npy")
    code = "from flashpan.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "find", take], capture_output=True, text=True, timeout=50
    )
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr.startswith(f"flashpan: {take}: nothing could be read for {_SECONDS} s: ")
    assert limits.FRAME_SECONDS.name in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_search_that_crashes_names_the_take(tmp_path, libraries):
    takes = [write_take(tmp_path / f"{name}.npy") for name in ("good", "crashes", "later")]
    code = "from flashpan.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "find", *takes], capture_output=True, text=True, timeout=50
    )
    assert done.returncode == -signal.SIGSEGV
    assert "40 frames" in done.stdout  # the first one's table
    assert done.stderr.startswith(f"flashpan: {takes[1]}: the program was ended while it read ")
    assert done.stderr.count("\n") == 1


def test_a_take_may_keep_a_worker_only_so_long(tmp_path, monkeypatch):
    monkeypatch.setenv(limits.TAKE_SECONDS.name, "1")
    monkeypatch.setattr("flashpan.night.job.time.monotonic", iter(range(10_000)).__next__)
    (tmp_path / "card").mkdir()
    take = write_take(tmp_path / "card" / "a.npy")
    night = ingest(take, tmp_path / "night", BRIEFLY, engine="inline", sheets=False)
    assert f"{take}: is not done after 1 s; {limits.TAKE_SECONDS.name} sets" in night.errors[0]


@pytest.fixture(scope="module")
def corpus(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SVT_LOG", "0")
        return {one.format: one for one in make_corpus(tmp_path_factory.mktemp("corpus"))}


def laid(specimen, folder):
    """The take on disk."""
    for name, data in {specimen.name: specimen.data, **specimen.others}.items():
        (folder / name).write_bytes(data)
    return folder if specimen.others else folder / specimen.name


@pytest.mark.parametrize("name", [name for name in FORMATS if not name.startswith("pipe")])
def test_pictures_larger_than_is_believed(name, corpus, tmp_path, monkeypatch):
    specimen = corpus[name]
    take = laid(specimen, tmp_path)
    with open_take(take, raw=specimen.raw) as reader:
        assert next(iter(reader)).luma.size > 1000
    monkeypatch.setenv(limits.MAX_PIXELS.name, "1000")
    with pytest.raises(FlashpanError) as refused, open_take(take, raw=specimen.raw) as reader:
        list(reader)
    assert "\n" not in str(refused.value)
    assert limits.MAX_PIXELS.name in str(refused.value)


@pytest.mark.parametrize("value", ["0", "-1", "many", "1e9", "9" * 30, " "])
def test_a_limit_that_is_no_number(value, tmp_path, monkeypatch):
    monkeypatch.setenv(limits.MAX_PIXELS.name, value)
    with pytest.raises(SettingsError, match="set it to a whole number of pixels"):
        open_take(write_take(tmp_path / "a.npy"))


def test_a_limit_is_the_default_where_nothing_is_set(monkeypatch):
    monkeypatch.setenv(limits.MAX_PIXELS.name, "")
    assert limits.MAX_PIXELS.value == limits.MAX_PIXELS.default
    assert limits.believable(7_000, 9_000)  # 63 million pixels, as large sensors have


def test_the_readme_has_every_limit():
    table = (Path(__file__).parents[2] / "README.md").read_text()
    stated = dict(re.findall(r"^\| `(FLASHPAN_\w+)` \| ([^|]+) \|", table, re.M))
    known = {one.name: one for one in vars(limits).values() if isinstance(one, limits.Limit)}
    assert stated.keys() == known.keys()
    assert stated.pop(limits.WORKER_BYTES.name) == "the machine's memory"
    assert all(text == f"{known[name].default:,}" for name, text in stated.items())


def test_looking_for_pages_decodes_none(corpus, tmp_path, monkeypatch):
    """The coordinator of a night asks this: a decoder that crashes would take it along."""
    monkeypatch.setattr("tifffile.TiffPage.asarray", lambda *_: pytest.fail("decoded"))
    assert has_several_pages(str(laid(corpus["pages-lzw"], tmp_path)))
    assert has_several_pages(str(laid(corpus["pages-shaped"], tmp_path)))
    still = corpus["stills-deflate"]
    laid(still, tmp_path)
    assert not has_several_pages(str(tmp_path / still.name))
