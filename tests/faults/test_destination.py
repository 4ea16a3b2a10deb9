"""The disk of a night: gone in the middle of a run, or full while it is reviewed and sealed."""

import errno
import os
import re
import shutil
import subprocess
import warnings
from contextlib import suppress
from pathlib import Path

import pytest
from faultlab import DIE, Injected, begun, broken_rules, hashes, lasting
from ingest_fixtures import QUICKLY

from flashpan.errors import CatalogError, TakeError
from flashpan.night import mhl
from flashpan.night.ingest import ingest
from flashpan.night.record import NightRecord
from flashpan.night.reviewbook import ReviewBook
from flashpan.night.sealing import seal_again
from flashpan.night.verify import verify
from flashpan.review.recut import recut

IS_LONG = os.environ.get("FLASHPAN_LONG_TESTS") == "1"


def ingested(card, night, **how):
    return ingest(card, night, QUICKLY, engine="inline", sheets=False, **how)


# gone


class Moved:
    """A folder that is moved away, as somebody may do in a hurry."""

    def __init__(self, place):
        self.place = place
        place.mkdir()

    def go(self):
        self.place.rename(self.place.with_name("elsewhere"))

    def come_back(self):
        self.place.with_name("elsewhere").rename(self.place)

    def close(self):
        pass


class Unmounted:
    """A disk that is unmounted while it is in use; its mount point stays, and is empty."""

    def __init__(self, place):
        self.place = place
        place.mkdir()
        place.with_name("disk").mkdir()
        self.come_back()

    def come_back(self):
        words = ["mount", "--bind", self.place.with_name("disk"), self.place]
        if not shutil.which("mount") or subprocess.run(words, capture_output=True).returncode:
            text = "NO DISK IS UNMOUNTED HERE: only an administrator may mount one"
            warnings.warn(text, stacklevel=1)
            pytest.skip(text)

    def go(self):
        subprocess.run(["umount", "--lazy", self.place], check=True)
        assert os.listdir(self.place) == []

    def close(self):
        subprocess.run(["umount", self.place], check=True)


@pytest.mark.parametrize("disk_of", [Moved, Unmounted])
@pytest.mark.parametrize("when", ["begun", "written", "done"])
def test_the_destination_goes_in_the_middle(card, tmp_path, monkeypatch, disk_of, when):
    """Nothing is told to the catalog of what lies elsewhere, and nothing is left there."""
    before, disk, gone = hashes(card), disk_of(tmp_path / "night"), []

    def go(step=None):
        at = os.path.basename(step.path) == "b.mov" and step.outcome if step else "written"
        if not gone and at == when:
            gone.append(disk.go())

    if when == "written":  # the last that a worker does
        monkeypatch.setattr("flashpan.night.job.write_checksums", lambda *_: go())
    try:
        with pytest.raises(TakeError, match="night: is not there any more: its disk was") as said:
            ingested(card, disk.place, on_take=go)
        assert "\n" not in str(said.value)
        assert not disk.place.exists() or os.listdir(disk.place) == []
        monkeypatch.undo()
        disk.come_back()
        assert broken_rules(disk.place) == []
        assert ingested(card, disk.place).errors == []
        assert broken_rules(disk.place) == []
        with NightRecord.read(disk.place) as record:
            assert [take.state for take in record.takes()] == ["done", "done"]
        assert not verify(disk.place).faults
        assert hashes(card) == before
    finally:
        disk.close()


# full


@pytest.fixture(scope="module")
def done(card, tmp_path_factory):
    """A night; nobody may change it."""
    folder = tmp_path_factory.mktemp("done")
    assert ingested(card, folder / "night").errors == []
    return folder / "night"


def note_down(book, take, saved):
    """Write long notes; those that are saved are noted."""
    for number in range(1000):
        text = f"{number} " * 300
        book.note(take, 0, text)
        saved.append(text.strip())


def test_a_disk_that_is_full_while_the_review_saves(done, disk):
    night, saved, full = disk.folder / "night", [""], "night.sqlite: database or disk is full; free"
    shutil.copytree(done, night)
    with ReviewBook.open(night) as book:
        take = next(book.takes()).id
        book.mark(take, 0, "circled")
        disk.fill()
        with pytest.raises(CatalogError, match=re.escape(full)):
            note_down(book, take, saved)
        assert next(iter(book.events(take))).note == saved[-1]
    disk.fill()
    with suppress(CatalogError), ReviewBook.open(night) as book:  # which may take room, too
        note_down(book, take, saved)
    (disk.folder / "full").unlink()
    with ReviewBook.open(night) as book:
        event = next(iter(book.events(take)))
        assert (event.mark, event.note) == ("circled", saved[-1])
        book.mark(take, 0, None)
        assert next(iter(book.events(take))).mark is None
    assert broken_rules(night) == []


def test_a_disk_that_is_full_while_a_range_is_cut_again(done, disk):
    night = disk.folder / "night"
    shutil.copytree(done, night)
    take = edited(night)
    before = hashes(night / "a")
    disk.fill()
    with pytest.raises((TakeError, CatalogError)) as said:
        recut(night, take, 0)
    assert "\n" not in str(said.value)
    assert {name: text for name, text in hashes(night / "a").items() if name in before} == before
    (disk.folder / "full").unlink()
    assert broken_rules(night) == []
    recut(night, take, 0)
    assert broken_rules(night) == []
    assert not verify(night).faults


def test_power_goes_while_a_range_is_cut_again(card, done, tmp_path):
    """What is there then is a night without faults, and cutting again does the rest."""
    calm = tmp_path / "calm"
    shutil.copytree(done, calm)
    watched, did = Injected(str(calm)), tmp_path / "did"
    words = (recut, calm, edited(calm), 0)
    begun(under, watched, did, *words, said=tmp_path / "said").join()
    n_ops = did.read_text().partition("\n\n")[0].count("\n") + 1
    for at in range(3, n_ops, 1 if IS_LONG else 5):
        night = tmp_path / f"dark{at}"
        shutil.copytree(done, night)
        fault, take = Injected(str(night), at=at, error=DIE), edited(night)
        process = begun(under, fault, did, recut, night, take, 0, said=tmp_path / "said")
        process.join()
        assert process.exitcode == -9
        assert broken_rules(night) == []
        again = ingested(card, night)
        assert (again.errors, again.damaged) == ([], [])
        assert not verify(night).faults
        recut(night, take, 0)
        assert not verify(night).faults
        assert clips_of(night) == clips_of(calm)
        assert list(night.rglob(".flashpan-*")) == []


def clips_of(night):
    """What lasts of a night, but clips that gave way: how many, a kill has a say in."""
    return {name: text for name, text in lasting(night).items() if "earlier-clips" not in name}


def edited(night):
    """A night in which the first take's range shall be another."""
    with ReviewBook.open(night) as book:
        take = next(book.takes()).id
        kept = next(iter(book.ranges(take)))
        book.set_range(take, 0, kept.first + 1, kept.last)
    return take


def under(fault, said, work, *arguments):
    """Do something with a fault in it, and write down what was done and said."""
    fault.install()
    words = work(*arguments)
    Path(said).write_text("\n".join([*fault.seen, "", str(words)]))


@pytest.mark.parametrize("kind", ["first", "more", "anew"])
def test_a_disk_that_is_full_while_the_list_is_sealed(done, tmp_path, monkeypatch, kind):
    night = tmp_path / "night"
    shutil.copytree(done, night)
    if kind == "first":
        shutil.rmtree(night / mhl.FOLDER)
    elif kind == "more":
        shutil.copytree(night / "a", night / "c")
    else:
        with monkeypatch.context() as patch:
            patch.setattr("flashpan.review.recut.seal_again", lambda dest: ())
            recut(night, edited(night), 0)
    before = hashes(night)
    for at in range(50):
        fault = Injected(str(night), at=at, error=errno.ENOSPC, lasts=True)
        process = begun(under, fault, tmp_path / "did", seal_again, night, said=tmp_path / "said")
        process.join()
        assert process.exitcode == 0, (tmp_path / "said").read_text()
        did, _, words = (tmp_path / "did").read_text().partition("\n\n")
        if hashes(night) != before:
            break
        assert "No space left on device" in words, (did, words)
    assert at > 5, did
    assert seal_again(night) == ()
    assert not verify(night).faults


def test_no_room_where_the_list_is_made(done, tmp_path, monkeypatch):
    night = tmp_path / "night"
    shutil.copytree(done, night)
    shutil.rmtree(night / mhl.FOLDER)

    def full():
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("tempfile.TemporaryDirectory", full)
    (said,) = seal_again(night)
    assert said.startswith(f"{night / mhl.FOLDER}: cannot be written (No space left on device); ")
