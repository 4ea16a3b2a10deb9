"""A damaged catalog is kept, and made anew from what can be read, from logs and from clips."""

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing

import numpy as np
import pytest
from ingest_fixtures import QUICKLY, content_of, shots_of

from flashpan.errors import CatalogError
from flashpan.night.catalog import Catalog, mended
from flashpan.night.discovery import CATALOG_NAME
from flashpan.night.ingest import ingest
from flashpan.night.record import NightRecord
from flashpan.night.reviewbook import ReviewBook
from flashpan.night.verify import verify
from flashpan.settings import Settings

PAGE = 4096


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """A night of three takes that somebody has looked through; nobody may change it."""
    folder = tmp_path_factory.mktemp("done")
    (folder / "card").mkdir()
    for number in range(3):
        np.save(folder / "card" / f"take{number}.npy", shots_of(number, 80, [50]))
    run(folder / "card", folder / "night")
    with ReviewBook.open(folder / "night") as book:
        for take in book.takes():
            book.mark(take.id, 0, "circled")
            book.note(take.id, 0, f"note {take.name}")
            book.set_range(take.id, 0, 40, 60)
    return folder


@pytest.fixture
def night(done, tmp_path):
    """The same, to be spoilt."""
    shutil.copytree(done / "night", tmp_path / "night")
    return tmp_path / "night"


def run(card, night, settings=QUICKLY):
    notes = []
    result = ingest(card, night, settings, engine="inline", sheets=False, on_note=notes.append)
    assert result.errors == []
    return result, notes


def judged(night):
    with NightRecord.read(night) as record:
        return {
            take.name: (
                [(event.mark, event.note) for event in record.events(take.id)],
                [(edit.first, edit.last) for edit in record.range_edits(take.id).values()],
            )
            for take in record.takes()
        }


def spoil(night, how):
    path = night / CATALOG_NAME
    content = bytearray(path.read_bytes())
    if how == "empty":
        content = b""
    elif how == "first page":
        content[:PAGE] = os.urandom(PAGE)
    elif how == "cut in two":
        content = content[: len(content) // 2 // PAGE * PAGE + 100]
    elif how == "text":
        content = b"no catalog any more\n" * 500
    path.write_bytes(content)
    return bytes(content)


@pytest.mark.parametrize("how", ["empty", "first page", "cut in two", "text"])
def test_it_is_kept_and_made_anew(done, night, how):
    before = content_of(night)
    content = spoil(night, how)
    told = mended(night)
    assert (night / "night.damaged-1.sqlite").read_bytes() == content
    assert told.kept == night / "night.damaged-1.sqlite"
    assert told.n_read + told.n_rebuilt == 3
    takes, rows = content_of(night)
    assert rows[1:] == before[1][1:]  # ranges and clips
    facts = [(event.onset, event.peak, event.end, event.box) for _, event in rows[0]]
    assert facts == [(one.onset, one.peak, one.end, one.box) for _, one in before[1][0]]
    assert {take[0] for take in takes.values()} == {"done"}
    assert verify(night).faults == ()
    assert mended(night) is None


def test_what_was_lost_is_said(night):
    spoil(night, "first page")
    said = str(mended(night))
    assert "was damaged (file is not a database)" in said
    assert "kept as night.damaged-1.sqlite" in said
    assert "0 takes could be read" in said
    assert "3 are made up from their logs" in said
    assert "marks, notes and ranges of a review are lost of 3 takes" in said
    assert "\n" not in said


def pages_of(path, table):
    with closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name=?", [table])
        return [*root]


@pytest.mark.parametrize("table", ["clip", "trim_range", "attempt", "attempt_by_take", "warning"])
def test_a_page_of_what_logs_know_costs_nothing_of_a_review(done, night, table):
    before, wanted = content_of(night), judged(night)
    path = night / CATALOG_NAME
    content = bytearray(path.read_bytes())
    for page in pages_of(path, table):
        content[(page - 1) * PAGE : page * PAGE] = b"\xa5" * PAGE
    path.write_bytes(content)
    result, notes = run(done / "card", night)
    assert len(notes) == 1
    assert "night.damaged-1.sqlite" in notes[0]
    assert result.damaged == []
    assert content_of(night) == before
    assert judged(night) == wanted


def test_a_page_of_marks_is_said_to_be_lost(night):
    path = night / CATALOG_NAME
    content = bytearray(path.read_bytes())
    (page,) = pages_of(path, "event")
    content[(page - 1) * PAGE : page * PAGE] = b"\xa5" * PAGE
    path.write_bytes(content)
    told = mended(night)
    assert (told.n_read, told.n_completed, told.n_unjudged) == (3, 3, 3)
    assert all(len(events) == 1 for events, _ in judged(night).values())
    assert [edits for _, edits in judged(night).values()] == [[(40, 60)]] * 3


def test_the_next_run_finds_its_takes_again_and_cuts_nothing_twice(done, night):
    before = content_of(night)
    clips = {path: path.stat().st_mtime_ns for path in night.rglob("*_r0*.npy")}
    spoil(night, "first page")
    _, notes = run(done / "card", night)
    assert "made anew" in notes[0]
    takes, rows = content_of(night)
    assert (takes, rows[1:]) == (before[0], before[1][1:])
    assert {path: path.stat().st_mtime_ns for path in night.rglob("*_r0*.npy")} == clips
    result, notes = run(done / "card", night)
    assert (len(result.there), notes) == (3, [])


def test_with_other_settings_it_moves_aside_what_was_made(done, night):
    spoil(night, "first page")
    run(done / "card", night, Settings.from_mapping({"pre_roll": 9, "post_roll": 9}))
    assert sorted(path.name for path in night.glob("take0*")) == ["take0", "take0.earlier-1"]


def test_takes_that_are_gone_are_made_up_from_their_logs(done, night, tmp_path):
    shutil.copytree(done / "card", tmp_path / "card")
    run(tmp_path / "card", tmp_path / "other")
    shutil.rmtree(tmp_path / "card")
    spoil(tmp_path / "other", "text")
    assert mended(tmp_path / "other").n_rebuilt == 3
    with NightRecord.read(tmp_path / "other") as record:
        assert {take.state for take in record.takes()} == {"done"}
        assert len(list(record.clips())) == 3


def test_a_clip_that_is_missing_is_said(night):
    spoil(night, "text")
    next(night.glob("take0/*_r0*.npy")).unlink()
    mended(night)
    with NightRecord.read(night) as record:
        (failed,) = record.takes(state="failed")
    assert failed.error.endswith("take0.npy: no whole clip of range 0; run again")


def test_a_log_of_writes_that_was_deleted(done, night):
    """What was in it is lost; the catalog is sound, and the next run does what is missing."""
    for _ in range(2):
        with closing(sqlite3.connect(night / CATALOG_NAME)) as connection:
            connection.execute("PRAGMA wal_autocheckpoint = 0")
            connection.execute("UPDATE take SET state = 'new'")
            connection.commit()
            shutil.copyfile(night / CATALOG_NAME, night / "before")
    (night / "before").replace(night / CATALOG_NAME)
    for ending in ("-wal", "-shm"):
        (night / f"{CATALOG_NAME}{ending}").unlink(missing_ok=True)
    run(done / "card", night)
    assert {take[0] for take in content_of(night)[0].values()} == {"done"}


def test_killed_before_the_new_file_has_its_name(night, monkeypatch):
    spoil(night, "cut in two")
    with monkeypatch.context() as patch:
        patch.setattr("flashpan.night.mend._switch", lambda folder: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            mended(night)
    assert mended(night) is None  # the last step alone was left
    assert not (night / "night.mended.sqlite").exists()
    assert verify(night).faults == ()
    assert len(list(night.glob("night.damaged-*"))) == 1


def test_the_same_by_hand_again_keeps_both(night):
    spoil(night, "text")
    mended(night)
    spoil(night, "text")
    mended(night)
    names = sorted(path.name for path in night.glob("night.damaged-*"))
    assert names == ["night.damaged-1.sqlite", "night.damaged-2.sqlite"]


def test_a_new_folder_is_not_taken_for_damage(tmp_path):
    (tmp_path / CATALOG_NAME).touch()
    with Catalog.open(tmp_path) as catalog:
        assert catalog.mended is None
    with pytest.raises(CatalogError, match="holds no night"):
        mended(tmp_path / "none")


def test_from_the_command_line(night):
    spoil(night, "cut in two")
    words = [sys.executable, "-c", "from flashpan.cli import main; main()", "verify", str(night)]
    refused = subprocess.run([*words], capture_output=True, text=True)
    assert refused.returncode == 3
    assert "flashpan verify --mend" in refused.stdout
    ended = subprocess.run([*words, "--mend"], capture_output=True, text=True)
    assert ended.returncode == 0
    assert "was damaged" in ended.stderr
    assert "Traceback" not in ended.stderr + refused.stderr
