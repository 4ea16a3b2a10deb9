import hashlib
import json
import os
from dataclasses import replace

import numpy as np
import pytest
import tifffile
from array_takes import grey_noise
from log_fixtures import a_log

from flashpan import find, open_take
from flashpan.errors import TakeError
from flashpan.eventlog import from_dict, to_dict, to_json
from flashpan.fingerprint import HEAD_BYTES, TAIL_BYTES, check_fits, fingerprint_of
from flashpan.model import TakeInfo


def a_file(path, n_bytes=2_000_000, seed=1):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(np.random.default_rng(seed).bytes(n_bytes))
    return path


def some_stills(folder, n=5, seed=1, shape=(24, 32)):
    folder.mkdir(parents=True)
    for number, picture in enumerate(grey_noise(n, shape, seed=seed)):
        tifffile.imwrite(folder / f"shot_{number:04d}.tif", picture)
    return folder


def spoil(path, offset):
    with path.open("r+b") as file:
        file.seek(offset)
        byte = file.read(1)
        file.seek(offset)
        file.write(bytes([byte[0] ^ 1]))


class TestOfAFile:
    def test_is_size_and_hash_of_head_and_tail(self, tmp_path):
        path = a_file(tmp_path / "a.bin")
        data = path.read_bytes()
        print_ = fingerprint_of(path)
        assert (print_.size_bytes, print_.n_files) == (len(data), 1)
        ends = data[:HEAD_BYTES] + data[-TAIL_BYTES:]
        assert print_.digest == hashlib.sha256(ends).hexdigest()

    @pytest.mark.parametrize("n_bytes", [0, 1, HEAD_BYTES, HEAD_BYTES + 1, HEAD_BYTES + TAIL_BYTES])
    def test_a_short_file_is_hashed_once(self, tmp_path, n_bytes):
        path = a_file(tmp_path / "a.bin", n_bytes)
        assert fingerprint_of(path).digest == hashlib.sha256(path.read_bytes()).hexdigest()

    def test_stays_when_renamed_moved_or_touched(self, tmp_path):
        path = a_file(tmp_path / "a.bin")
        before = fingerprint_of(path)
        os.utime(path, (0, 0))
        (tmp_path / "elsewhere").mkdir()
        moved = path.rename(tmp_path / "elsewhere" / "b.mov")
        assert fingerprint_of(moved) == before

    @pytest.mark.parametrize("offset", [0, HEAD_BYTES - 1, 2_000_000 - TAIL_BYTES, 1_999_999])
    def test_every_byte_of_both_ends_counts(self, tmp_path, offset):
        path = a_file(tmp_path / "a.bin")
        before = fingerprint_of(path)
        spoil(path, offset)
        assert fingerprint_of(path).digest != before.digest

    def test_reads_less_than_two_mebibytes(self, tmp_path, monkeypatch):
        path = tmp_path / "long.bin"
        with path.open("wb") as file:
            file.truncate(1 << 40)  # sparse: a terabyte of zeros
        read, real = [], os.pread
        monkeypatch.setattr(os, "pread", lambda *a: read.append(a[1]) or real(*a))
        assert fingerprint_of(path).size_bytes == 1 << 40
        assert sum(read) <= 2 << 20

    def test_a_log_cannot_ask_for_more(self, tmp_path):
        path = a_file(tmp_path / "a.bin", 4 << 20)
        assert fingerprint_of(path, 1 << 50, -1).head_bytes == 1 << 20

    def test_what_has_no_lasting_bytes_has_none(self, tmp_path):
        os.mkfifo(tmp_path / "pipe")
        for path in ("-", tmp_path / "none", tmp_path / "pipe", "/dev/null", tmp_path):
            assert fingerprint_of(path) is None


class TestOfStills:
    def test_counts_files_and_bytes(self, tmp_path):
        folder = some_stills(tmp_path / "take")
        print_ = fingerprint_of(folder)
        assert print_.n_files == 5
        assert print_.size_bytes == sum(p.stat().st_size for p in folder.iterdir())
        assert fingerprint_of(folder / "shot_%04d.tif") == print_

    def test_stays_when_the_folder_moves_or_gains_a_sidecar(self, tmp_path):
        folder = some_stills(tmp_path / "take")
        before = fingerprint_of(folder)
        (folder / "notes.txt").write_text("rain")
        assert fingerprint_of(folder.rename(tmp_path / "other")) == before

    def test_a_file_more_less_renamed_or_longer_counts(self, tmp_path):
        folder = some_stills(tmp_path / "take", 12)
        middle, seen = folder / "shot_0005.tif", [fingerprint_of(folder)]
        middle.write_bytes(middle.read_bytes() + b"x")
        seen.append(fingerprint_of(folder))
        middle.rename(folder / "shot_0105.tif")
        seen.append(fingerprint_of(folder))
        (folder / "shot_0105.tif").unlink()
        seen.append(fingerprint_of(folder))
        assert len({p.digest for p in seen}) == 4

    def test_the_ends_of_first_and_last_count(self, tmp_path):
        for number in (0, 4):
            folder = some_stills(tmp_path / f"take{number}")
            before = fingerprint_of(folder)
            spoil(folder / f"shot_{number:04d}.tif", 300)
            assert fingerprint_of(folder).digest != before.digest


class TestInTheLog:
    def test_find_writes_it_and_it_reads_back(self, tmp_path):
        folder = some_stills(tmp_path / "take", 40)
        log = find(folder)
        data = json.loads(to_json(log))["take"]["fingerprint"]
        assert list(data) == ["bytes", "files", "head_bytes", "tail_bytes", "sha256"]
        assert from_dict(to_dict(log)) == log
        assert log.take.fingerprint == fingerprint_of(folder)

    def test_a_log_of_before_has_none(self):
        data = to_dict(a_log())
        del data["take"]["fingerprint"]
        assert from_dict(data).take.fingerprint is None


def described(folder):
    with open_take(folder) as reader:
        return reader.info


class TestFits:
    @pytest.fixture
    def folder(self, tmp_path):
        return some_stills(tmp_path / "take", 40)

    @pytest.fixture
    def log(self, folder):
        return find(folder)

    def refusal(self, log, take):
        with pytest.raises(TakeError) as error:
            check_fits(log, take, "logs/a.events.json")
        text = str(error.value)
        assert "\n" not in text
        assert text.startswith("logs/a.events.json: was made from another take than ")
        assert take.path in text
        assert "give the log of this take" in text
        return text

    def test_its_own_take_fits_also_when_moved(self, folder, log):
        check_fits(log, described(folder), "log")
        check_fits(log, described(folder.rename(folder.with_name("moved"))), "log")

    def test_names_frames_and_size(self, folder, log):
        (folder / "shot_0039.tif").unlink()
        text = self.refusal(log, described(folder))
        assert "size: " in text
        assert "files: 40 in the log, 39 now" in text
        assert "frames: 40 in the log, 39 now" in text
        assert "hash: head or tail" in text

    def test_names_the_hash_alone(self, folder, log):
        spoil(folder / "shot_0000.tif", 300)
        text = self.refusal(log, described(folder))
        assert "(hash: head or tail is not as it was)" in text

    def test_names_the_picture(self, folder, log):
        small = replace(described(folder), shape=(24, 16), bit_depth=12)
        text = self.refusal(log, small)
        assert "picture: 32x24 at 8 bits in the log, 16x24 at 12 bits now" in text

    def test_an_older_log_is_held_against_what_it_has(self, folder, log):
        old = replace(log, take=replace(log.take, fingerprint=None))
        spoil(folder / "shot_0000.tif", 300)
        check_fits(old, described(folder), "log")
        (folder / "shot_0039.tif").unlink()
        assert "(frames: 40 in the log, 39 now)" in self.refusal(old, described(folder))

    def test_declared_frames_serve_where_none_were_counted(self):
        take = TakeInfo(path="a", name="a", shape=(2, 2), bit_depth=8, declared_frames=10)
        log = replace(a_log(), take=take)
        check_fits(log, take, "log")
        with pytest.raises(TakeError, match="frames: 10 in the log, 11 now"):
            check_fits(log, replace(take, declared_frames=11), "log")
