"""The media hash list of a night, checked by the reference tool of ASC MHL (package ascmhl).

Its exit statuses (read in its source): 0 well, 10 a file is missing, 11 a hash differs, 21 a file
that the list does not know, 30 no list, 31 a list that was altered.
"""

import os
import shutil
import time

import ascmhl.commands
import pytest
from click.testing import CliRunner

from flashpan.errors import CatalogError
from flashpan.night.checksums import write_checksums
from flashpan.night.lists import listed_files, sums_of
from flashpan.night.mhl import FOLDER, seal
from flashpan.night.verify import verify

LONG_AGO_S = 1_700_000_000


def reference(dest):
    """Exit status of the reference tool's check of a folder."""
    return CliRunner().invoke(ascmhl.commands.verify, [str(dest)]).exit_code


def put_take(dest, name, **files):
    """A take's folder with its checksum list; files were last written long ago."""
    folder = dest / name
    folder.mkdir(parents=True, exist_ok=True)
    for file, text in files.items():
        (folder / file).write_text(text)
    write_checksums(folder / f"{name}.sha256", [folder / file for file in files])
    for path in folder.iterdir():
        os.utime(path, (LONG_AGO_S, LONG_AGO_S))
    return folder


@pytest.fixture
def night(tmp_path):
    dest = tmp_path / "night"
    put_take(dest, "storm", log="{}", clip="frames", empty="")
    put_take(dest, "täke [2]", log="{}", clip="more frames")
    (dest / "night.txt").write_text("changes all the time")
    return dest


def generations(dest):
    return sorted(path.name[:4] for path in (dest / FOLDER).glob("*.mhl"))


def read_by(dest):
    """Files that sealing reads."""
    read = []
    seal(dest, read.append)
    return read


class TestSums:
    """Published test vectors of XXH64, and of SHA-256 (FIPS 180-2)."""

    @pytest.mark.parametrize(
        ("text", "xxh64", "sha256"),
        [
            ("", "ef46db3751d8e999", "e3b0c44298fc1c14"),
            ("abc", "44bc2cf5ad770999", "ba7816bf8f01cfea"),
            ("hello", "26c7827d889f6da3", "2cf24dba5fb0a30e"),
            ("world", "e778fbfe66ee51ef", "486ea46224d1bb4f"),
        ],
    )
    def test_vectors(self, tmp_path, text, xxh64, sha256):
        (tmp_path / "file").write_text(text)
        sums = sums_of(tmp_path / "file")
        assert (sums.xxh64, sums.sha256[:16], sums.bytes) == (xxh64, sha256, len(text))


class TestReferenceTool:
    def test_finds_all_well(self, night):
        assert reference(night) == 30
        sealed = seal(night)
        assert (sealed.n_files, sealed.n_new, sealed.is_anew, sealed.faults) == (7, 7, False, ())
        assert reference(night) == 0
        assert verify(night).ok

    def test_a_flipped_bit(self, night):
        seal(night)
        clip = night / "storm" / "clip"
        clip.write_text("frales")
        assert reference(night) == 11
        (fault,) = verify(night).faults
        assert fault == f"{clip}: differs from the ASC MHL and its checksum list"

    def test_a_missing_file(self, night):
        seal(night)
        (night / "storm" / "clip").unlink()
        assert reference(night) == 10
        (fault,) = verify(night).faults
        assert "is missing, and is in the ASC MHL and its checksum list" in fault

    def test_a_file_too_many(self, night):
        seal(night)
        (night / "storm" / "other").write_text("x")
        assert reference(night) == 21
        done = verify(night)
        assert done.ok
        assert any("1 other files are in no list: storm/other" in note for note in done.notes)

    @pytest.mark.parametrize("name", ["notes.txt", "storm/a [1]!.png", "!x", "#x", "a*", "b\\c"])
    def test_what_was_there_when_it_was_sealed_is_left_out(self, night, name):
        (night / name).write_text("x")
        seal(night)
        assert reference(night) == 0
        (night / "storm" / "clip").write_text("fram3s")
        assert reference(night) == 11  # the patterns hide nothing that is listed

    def test_an_altered_list(self, night):
        seal(night)
        (manifest,) = (night / FOLDER).glob("*.mhl")
        manifest.write_text(manifest.read_text() + "\n")
        assert reference(night) == 31
        assert any("Modified ASC MHL manifest" in fault for fault in verify(night).faults)
        with pytest.raises(CatalogError, match=r"Modified ASC MHL manifest.*restore it"):
            seal(night)

    def test_a_list_that_is_no_xml(self, night):
        seal(night)
        (night / FOLDER / "ascmhl_chain.xml").write_text("<")
        with pytest.raises(CatalogError, match=r"ascmhl: cannot be read .*restore it"):
            seal(night)

    def test_a_copy_elsewhere(self, night, tmp_path):
        seal(night)
        copy = shutil.copytree(night, tmp_path / "backup" / "renamed")
        assert reference(copy) == 0
        assert verify(copy).ok


class TestAgain:
    def test_nothing_new_is_no_generation_and_no_reading(self, night):
        seal(night)
        assert read_by(night) == []
        assert generations(night) == ["0001"]

    def test_a_take_more(self, night):
        seal(night)
        put_take(night, "third", clip="third")
        assert sorted(read_by(night)) == ["third/clip", "third/third.sha256"]
        assert generations(night) == ["0001", "0002"]
        assert reference(night) == 0
        info = CliRunner().invoke(ascmhl.commands.info, [str(night)])
        assert "Generation 2" in info.output

    def test_touched_only(self, night):
        seal(night)
        os.utime(night / "storm" / "clip")
        assert read_by(night) == ["storm/clip"]
        assert read_by(night) == []  # the list has its new time
        assert reference(night) == 0

    def test_summer_time_is_no_change(self, night, monkeypatch):
        """The library writes times with the offset of the day it writes on."""
        monkeypatch.setenv("TZ", "Europe/Berlin")
        time.tzset()
        try:
            os.utime(night / "storm" / "clip", (1_690_000_000, 1_690_000_000))  # a July
            seal(night)
            assert read_by(night) == []
        finally:
            monkeypatch.undo()
            time.tzset()

    def test_replaced_on_purpose_begins_a_new_history(self, night):
        seal(night)
        put_take(night, "storm", log="{new}", clip="frames", empty="")
        read = read_by(night)
        assert "täke [2]/clip" not in read  # as it was: its hash is taken over
        assert generations(night) == ["0001"]
        assert (night / "ascmhl.earlier-1").is_dir()
        assert reference(night) == 0
        assert verify(night).ok

    def test_moved_aside(self, night):
        seal(night)
        (night / "storm").rename(night / "storm.earlier-1")
        put_take(night, "storm", log="{new}", clip="frames")
        assert seal(night).is_anew
        assert "storm.earlier-1/clip" in listed_files(night)
        assert reference(night) == 0

    def test_a_damaged_file_is_never_sealed(self, night):
        seal(night)
        (night / "storm" / "clip").write_text("broken")
        sealed = seal(night)
        assert sealed.faults == (f"{night}/storm/clip: is not what its checksum list says",)
        assert reference(night) == 11
        put_take(night, "täke [2]", log="{new}", clip="more frames")
        sealed = seal(night)  # a new history: what the old one said of it stands
        assert sealed.is_anew
        assert len(sealed.faults) == 1
        assert reference(night) == 11

    def test_damage_that_changes_neither_size_nor_time(self, night):
        seal(night)
        clip = night / "storm" / "clip"
        clip.write_text("fRames")
        os.utime(clip, (LONG_AGO_S, LONG_AGO_S))
        assert seal(night).faults == ()  # nobody read it
        assert not verify(night).ok

    def test_a_missing_file_is_said(self, night):
        seal(night)
        (night / "storm" / "clip").unlink()
        assert seal(night).faults == (f"{night}/storm/clip: is missing",)
        assert reference(night) == 10

    def test_a_take_that_is_gone_is_said_and_stays_in_the_list(self, night):
        seal(night)
        shutil.rmtree(night / "storm")
        (fault,) = seal(night).faults
        assert fault == f"{night}/storm/storm.sha256: is missing, and with it what it names"
        assert reference(night) == 10
        put_take(night, "täke [2]", log="{new}", clip="more frames")
        assert seal(night).is_anew  # for the other take
        assert reference(night) == 10

    def test_a_spoilt_checksum_list_is_no_purpose(self, night):
        seal(night)
        path = night / "storm" / "storm.sha256"
        path.write_bytes(path.read_bytes().replace(b"  clip", b"\x00\x00clip"))
        sealed = seal(night)
        assert not sealed.is_anew
        assert sealed.faults == (f"{path}: is no checksum list any more; restore it from a copy",)
        assert reference(night) == 11
        assert any(str(path) in fault for fault in verify(night).faults)

    def test_a_renamed_folder(self, night):
        seal(night)
        (night / "storm").rename(night / "the good one")
        sealed = seal(night)
        assert (sealed.is_anew, sealed.faults) == (True, ())
        assert reference(night) == 0

    def test_a_stop_leaves_the_list_as_it_was(self, night):
        seal(night)
        before = {path: path.read_bytes() for path in (night / FOLDER).iterdir()}
        put_take(night, "third", clip="third")

        def stop(path):
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            seal(night, stop)
        assert {path: path.read_bytes() for path in (night / FOLDER).iterdir()} == before
        seal(night)
        assert reference(night) == 0

    def test_nothing_to_list(self, tmp_path):
        assert seal(tmp_path) is None
        assert list(tmp_path.iterdir()) == []


def test_lists_name_nothing_outside(tmp_path):
    digest = "0" * 64
    (tmp_path / "x.sha256").write_text(
        f"{digest}  ../../etc/passwd\n{digest}  /etc/passwd\nnonsense\n{digest}  a\n"
        f"\\{digest}  b\\\\c\\n\n"
    )
    assert sorted(listed_files(tmp_path)) == ["a", "b\\c\n", "x.sha256"]
