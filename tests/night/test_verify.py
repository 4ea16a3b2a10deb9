"""A night that was really made, checked, spoilt and checked again."""

import json
import re
import shutil

import numpy as np
import pytest
from ingest_fixtures import QUICKLY, _tif_stills
from test_mhl import reference
from trim_fixtures import pictures

import flashpan
from flashpan.night.catalog import Catalog
from flashpan.night.verify import verify


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Stills and a stack; made twice, the second time with other settings."""
    card, dest = tmp_path_factory.mktemp("card"), tmp_path_factory.mktemp("night")
    _tif_stills(card, 3, 120, [50])
    np.save(card / "stack.npy", pictures())
    first = flashpan.ingest(card, dest, QUICKLY, engine="inline")
    assert (first.exit_code, reference(dest)) == (0, 0)
    more = QUICKLY.merged_with(flashpan.Settings(playback_rate=24))
    second = flashpan.ingest(card, dest, more, engine="inline")
    assert (second.exit_code, reference(dest)) == (0, 0)
    assert (dest / "ascmhl.earlier-1").is_dir()
    return dest


@pytest.fixture
def night(made, tmp_path):
    return shutil.copytree(made, tmp_path / "night")


@pytest.fixture
def clip(night):
    return next(night.glob("stack/*.npy"))


def test_all_is_well(night):
    done = verify(night)
    assert (done.ok, done.notes) == (True, ())
    assert done.by == ("the ASC MHL", "checksum lists", "the catalog")
    files = [path for path in night.rglob("*") if path.is_file()]
    of_no_list = re.compile(r"night\.[^/]*$|ascmhl[^/]*/|\.sheet\.|\.scores\.|\.strips/")
    listed = [p for p in files if not of_no_list.search(p.relative_to(night).as_posix())]
    assert done.n_files == len(listed)


def test_a_clip_that_differs(night, clip):
    content = bytearray(clip.read_bytes())
    content[-1] ^= 1
    clip.write_bytes(content)
    (fault,) = verify(night).faults
    assert fault == (f"{clip}: differs from the ASC MHL, its checksum list and the catalog")


def test_a_still_of_a_clip_that_differs(night):
    still = next(night.glob("stills 03/*/*.tif"))
    still.write_bytes(still.read_bytes()[:-1])
    faults = verify(night).faults
    assert any(fault.startswith(f"{still}: differs from the ASC MHL") for fault in faults)
    assert any(fault == f"{still.parent}: differs from the catalog" for fault in faults)


def test_a_still_too_many(night):
    folder = next(night.glob("stills 03/*/*.tif")).parent
    (folder / "stray.tif").write_bytes(b"")
    assert f"{folder}: differs from the catalog" in verify(night).faults


def test_without_its_lists_the_catalog_knows_the_clips(night, clip):
    shutil.rmtree(night / "ascmhl")
    for path in night.rglob("*.sha256"):
        path.unlink()
    assert verify(night).by == ("the catalog",)
    clip.unlink()
    (fault,) = verify(night).faults
    assert fault == f"{clip}: is missing, and is in the catalog"


def test_without_its_catalog(night):
    (night / "night.sqlite").unlink()
    done = verify(night)
    assert done.ok
    assert any("there is no catalog" in note for note in done.notes)


def test_a_damaged_catalog(night):
    (night / "night.sqlite").write_bytes(b"x" * 4096)
    (fault,) = verify(night).faults
    assert "night.sqlite: is damaged" in fault


def test_not_sealed_yet(night):
    shutil.rmtree(night / "ascmhl")
    assert any("files are not in the ASC MHL yet" in note for note in verify(night).notes)


def test_nothing_there(tmp_path):
    with pytest.raises(flashpan.FlashpanError, match="holds no night, no ascmhl and no checksum"):
        verify(tmp_path)


def test_nothing_is_written(night):
    before = {path: path.stat().st_mtime_ns for path in night.rglob("*")}
    verify(night)
    assert {path: path.stat().st_mtime_ns for path in night.rglob("*")} == before


def test_ingest_says_that_a_clip_was_damaged(night, clip, capsys):
    """A run that has nothing to do looks at sizes and times."""
    with Catalog.open(night) as catalog:
        card = next(catalog.takes()).path.rpartition("/")[0]
    clip.write_bytes(b"broken")
    lines = []
    more = QUICKLY.merged_with(flashpan.Settings(playback_rate=24))
    done = flashpan.ingest(card, night, more, engine="inline", on_line=lines.append)
    assert done.exit_code == 3
    assert done.damaged == [f"{clip}: is not what its checksum list says"]
    assert [line["what"] for line in lines].count("damaged") == 1


def test_the_command(night, clip, capsys):
    from flashpan.cli import main

    def run(*args):
        with pytest.raises(SystemExit) as left:
            main(["verify", str(night), *args])
        return left.value.code, capsys.readouterr().out

    status, out = run()
    assert status == 0
    assert out.rstrip().endswith("checksum lists and the catalog: all is as it was written")
    clip.unlink()
    status, out = run()
    assert status == 3
    assert out.startswith(f"FAULT     {clip}: is missing")
    status, out = run("--json")
    assert (status, json.loads(out)["ok"]) == (3, False)
