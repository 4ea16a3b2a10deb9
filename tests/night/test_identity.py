"""Which take it is: size, time, hash of head and tail."""

import os
import shutil

import numpy as np
import pytest
import tifffile

from flashpan.errors import UnreadableTake
from flashpan.night.discovery import discover
from flashpan.night.identity import Identity, identity_of


def the_identity(source):
    (found,) = discover(source)
    return identity_of(found)


@pytest.fixture
def take(tmp_path):
    path = tmp_path / "card" / "a.mp4"
    path.parent.mkdir()
    path.write_bytes(bytes(range(256)) * 8192)
    return path


def test_a_renamed_and_moved_take_is_recognised(take, tmp_path):
    before = the_identity(take)
    (tmp_path / "card" / "deeper").mkdir()
    moved = take.rename(tmp_path / "card" / "deeper" / "another name.MP4")
    assert the_identity(moved).is_same(before)


def test_a_copy_that_keeps_its_time(take, tmp_path):
    copy = shutil.copy2(take, tmp_path / "b.mp4")
    assert the_identity(copy).is_same(the_identity(take))


def test_a_card_that_counts_in_steps_of_two_seconds(take):
    before = the_identity(take)
    os.utime(take, ns=(0, before.mtime_ns // 2_000_000_000 * 2_000_000_000))
    assert the_identity(take).is_same(before)


@pytest.mark.parametrize(
    "change",
    [
        lambda path: path.write_bytes(path.read_bytes() + b"x"),
        lambda path: os.utime(path, ns=(0, path.stat().st_mtime_ns + 3_000_000_000)),
    ],
    ids=["longer", "later"],
)
def test_a_changed_take_is_another(take, change):
    before = the_identity(take)
    change(take)
    assert not the_identity(take).is_same(before)


@pytest.mark.parametrize("at", [0, -1])
def test_a_changed_head_or_tail_is_seen_at_the_same_time(take, at):
    before = the_identity(take)
    content = bytearray(take.read_bytes())
    content[at] ^= 1
    take.write_bytes(content)
    os.utime(take, ns=(0, before.mtime_ns))
    after = the_identity(take)
    assert not after.is_same(before)
    assert not after.has_bytes_of(before)


def test_stills_in_another_folder(tmp_path):
    folder = tmp_path / "drop"
    folder.mkdir()
    for k in range(3):
        tifffile.imwrite(folder / f"{k}.tif", np.full((8, 8), k, np.uint8))
    before = the_identity(folder)
    assert before.n_files == 3
    assert the_identity(folder.rename(tmp_path / "other")).is_same(before)


def test_a_take_that_grows_meanwhile(take):
    (found,) = discover(take)
    with take.open("ab") as file:
        file.write(b"more")
    with pytest.raises(UnreadableTake, match=r"a\.mp4: changed while it was looked at; run again"):
        identity_of(found)


def test_a_take_that_is_gone(take):
    (found,) = discover(take)
    take.unlink()
    with pytest.raises(UnreadableTake, match=r"a\.mp4: cannot be read now; check the disk"):
        identity_of(found)


def test_times_do_not_make_bytes_the_same():
    one = Identity(bytes=1, n_files=1, mtime_ns=5, digest="a")
    assert not one.is_same(Identity(bytes=1, n_files=1, mtime_ns=5, digest="b"))
    assert not one.is_same(Identity(bytes=2, n_files=1, mtime_ns=5, digest="a"))
    assert not one.is_same(Identity(bytes=1, n_files=2, mtime_ns=5, digest="a"))
