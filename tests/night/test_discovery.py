"""Which takes are in a folder. All files are invented, most of them no pictures at all."""

import os
import socket

import numpy as np
import pytest
import tifffile

from flashpan.errors import UsageError
from flashpan.night.discovery import CATALOG_NAME, discover, is_passed_over, natural_key
from flashpan.night.found import stamp
from flashpan.readers.open import open_take


def put(path, content=b"x" * 10):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def stills(folder, names):
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        tifffile.imwrite(folder / name, np.full((16, 16), 7, np.uint8))


def places(source, **more):
    return [found.place for found in discover(source, **more) if not found.problem]


def problems(source, **more):
    return [found.problem for found in discover(source, **more) if found.problem]


class TestFiles:
    def test_every_kind_that_a_reader_takes(self, tmp_path):
        put(tmp_path / "a.mp4")
        put(tmp_path / "b.MOV")
        np.save(tmp_path / "c.npy", np.zeros((3, 16, 16), np.uint8))
        put(tmp_path / "d.y4m", b"YUV4MPEG2 W4 H4 F25:1\n")
        put(tmp_path / "e.unknown", b"\x1a\x45\xdf\xa3" + b"0" * 40)
        kinds = {found.place: found.kind for found in discover(tmp_path)}
        assert kinds == {
            "a.mp4": "video",
            "b.MOV": "video",
            "c.npy": "npy",
            "d.y4m": "y4m",
            "e.unknown": "video",
        }

    def test_what_is_said_of_a_take(self, tmp_path):
        path = put(tmp_path / "deep" / "storm.mp4", b"y" * 1234)
        os.utime(path, ns=(5, 1_700_000_000_123_456_789))
        (found,) = discover(tmp_path)
        assert (found.path, found.place, found.name) == (str(path), "deep/storm.mp4", "storm")
        assert (found.bytes, found.n_files, found.mtime_ns) == (1234, 1, 1_700_000_000_123_456_789)
        assert stamp(found.path) == (1234, 1, 1_700_000_000_123_456_789)

    def test_a_source_may_be_one_take(self, tmp_path):
        path = put(tmp_path / "a.mp4")
        put(tmp_path / "b.mp4")
        (found,) = discover(path)
        assert (found.path, found.place) == (str(path), "a.mp4")

    def test_paths_are_absolute(self, tmp_path, monkeypatch):
        put(tmp_path / "card" / "a.mp4")
        monkeypatch.chdir(tmp_path)
        (found,) = discover("card")
        assert found.path == str(tmp_path / "card" / "a.mp4")

    def test_no_such_source(self, tmp_path):
        with pytest.raises(UsageError, match="none: no such file or folder; check the path"):
            list(discover(tmp_path / "none"))

    def test_in_natural_order_whatever_the_disk_says(self, tmp_path):
        for name in ("b/x.mp4", "take_10.mp4", "take_2.mp4", "Take_1.mp4", "a/x.mp4"):
            put(tmp_path / name)
        assert places(tmp_path) == ["Take_1.mp4", "take_2.mp4", "take_10.mp4", "a/x.mp4", "b/x.mp4"]

    def test_natural_order_never_compares_text_with_numbers(self):
        names = ["", "1", "a", "a1", "1a", "a1b", "A01", "ä٣", "10", "2"]
        assert len(sorted(names, key=natural_key)) == len(names)
        assert sorted(["10", "2", "1"], key=natural_key) == ["1", "2", "10"]

    def test_what_is_no_take_is_passed_over_and_told(self, tmp_path):
        for name in ("notes.txt", "sound.wav", "take.xml", "memo.m4a", "strange.dat"):
            put(tmp_path / name, b"\0\0\0\x20ftypM4A " + b"0" * 40)
        (tmp_path / "strange.dat").write_bytes(b"0" * 40)
        passed = []
        assert list(discover(tmp_path, on_passed=lambda path, why: passed.append(path))) == []
        assert len(passed) == 5

    @pytest.mark.parametrize(
        "name",
        [
            *(".hidden.mp4", "._twin.mov", "~$a.mp4", "a.mp4~", "a.mp4.part", "a.mp4.tmp"),
            *(".Trash/a.mp4", "lost+found/a.mp4", "$RECYCLE.BIN/a.mp4", "__MACOSX/a.mp4"),
        ],
    )
    def test_hidden_and_temporary(self, tmp_path, name):
        put(tmp_path / name)
        assert list(discover(tmp_path)) == []

    def test_names_that_only_look_temporary(self):
        assert not any(map(is_passed_over, ["part.mp4", "tmp", "template.mov", "a~b.mp4"]))

    @pytest.mark.parametrize(
        "name",
        [
            *("Gewitter über Köln.mp4", "雷/夜の嵐.mp4", "буря.mov", "e\u0301clair.mp4"),
            *("new\nline.mp4", "100%d.mp4", "a*b?.mp4", "-rf.mp4", " blank .mp4", "⚡️🎥.mkv"),
        ],
    )
    def test_names_in_any_script(self, tmp_path, name):
        put(tmp_path / name)
        (found,) = discover(tmp_path)
        assert found.place == name
        assert stamp(found.path) is not None

    def test_names_that_are_no_unicode(self, tmp_path):
        with open(os.fsencode(tmp_path) + b"/\xff\xfe.mp4", "wb") as file:
            file.write(b"x")
        (found,) = discover(tmp_path)
        assert os.fsencode(found.place) == b"\xff\xfe.mp4"
        assert found.problem is None


class TestHeaderless:
    def test_named_as_pixels_without_a_geometry(self, tmp_path):
        put(tmp_path / "burst.raw")
        (text,) = problems(tmp_path)
        assert "burst.raw: may hold headerless pixels; say their geometry, raw =" in text

    def test_with_a_geometry(self, tmp_path):
        for name in ("a/burst.raw", "a/other.dat", "a/notes.txt", "b/burst.bin", "a/real.mp4"):
            put(tmp_path / name)
        found = list(discover(tmp_path, is_raw=lambda place: place.startswith("a/")))
        assert {one.place: one.kind for one in found if not one.problem} == {
            "a/burst.raw": "raw",
            "a/other.dat": "raw",
            "a/real.mp4": "video",
        }
        assert [one.place for one in found if one.problem] == ["b/burst.bin"]


class TestStills:
    def test_a_folder_is_one_take(self, tmp_path):
        stills(tmp_path / "drop", [f"shot_{k:04d}.tif" for k in range(5)])
        (found,) = discover(tmp_path)
        assert (found.kind, found.name, found.place) == ("stills", "drop", "drop")
        assert found.n_files == 5
        assert found.bytes == sum(p.stat().st_size for p in (tmp_path / "drop").iterdir())
        with open_take(found.path) as take:
            assert take.info.n_frames == 5

    def test_the_source_itself_may_be_one(self, tmp_path):
        stills(tmp_path / "drop", ["1.tif", "2.tif"])
        (found,) = discover(tmp_path / "drop")
        assert (found.path, found.place) == (str(tmp_path / "drop"), "drop")

    def test_several_sequences_share_a_folder(self, tmp_path):
        stills(tmp_path / "x", [f"cam{c}_{k:04d}.tif" for c in (1, 2) for k in range(4)])
        stills(tmp_path / "x", [f"wide_{k}.tif" for k in range(3)])
        found = list(discover(tmp_path))
        counts = {}
        for one in found:
            with open_take(one.path) as take:
                counts[one.place] = (take.info.n_frames, one.n_files)
        assert counts == {
            "x/cam1_%04d.tif": (4, 4),
            "x/cam2_%04d.tif": (4, 4),
            "x/wide_%d.tif": (3, 3),
        }

    def test_videos_and_sound_beside_stills(self, tmp_path):
        stills(tmp_path / "x", ["a1.tif", "a2.tif", "poster.tif"])
        put(tmp_path / "x" / "a.mp4")
        put(tmp_path / "x" / "a.wav")
        passed = []
        found = list(discover(tmp_path, on_passed=lambda path, why: passed.append(path)))
        assert [one.place for one in found] == ["x", "x/a.mp4"]
        assert sorted(map(os.path.basename, passed)) == ["a.wav", "poster.tif"]

    def test_a_lone_numbered_still_beside_a_sequence(self, tmp_path):
        """The folder does not stand for the sequence then: its reader would find two."""
        stills(tmp_path / "x", ["a1.tif", "a2.tif", "thumb_1.tif"])
        (found,) = discover(tmp_path)
        assert found.place == "x/a%d.tif"
        with open_take(found.path) as take:
            assert take.info.n_frames == 2

    def test_numbers_that_are_there_twice(self, tmp_path):
        stills(tmp_path / "x", ["a1.tif", "a01.tif", "a2.tif", "b1.tif", "b2.tif"])
        found = list(discover(tmp_path))
        assert [one.place for one in found if not one.problem] == ["x/b%d.tif"]
        (text,) = [one.problem for one in found if one.problem]
        assert "have one number; keep one" in text

    def test_numbered_files_of_many_pages_are_takes_by_themselves(self, tmp_path):
        for k in (1, 2):
            tifffile.imwrite(tmp_path / f"take_{k}.tif", np.zeros((6, 16, 16), np.uint8))
        found = list(discover(tmp_path))
        assert [(one.place, one.kind) for one in found] == [
            ("take_1.tif", "multipage"),
            ("take_2.tif", "multipage"),
        ]

    def test_a_lone_file_of_many_pages(self, tmp_path):
        tifffile.imwrite(tmp_path / "stack.tif", np.zeros((6, 16, 16), np.uint8))
        tifffile.imwrite(tmp_path / "still.tif", np.zeros((16, 16), np.uint8))
        assert places(tmp_path) == ["stack.tif"]


class TestLinks:
    def test_loops_end(self, tmp_path):
        put(tmp_path / "a" / "b" / "x.mp4")
        (tmp_path / "a" / "b" / "up").symlink_to(tmp_path / "a")
        (tmp_path / "a" / "self").symlink_to("self")
        (tmp_path / "a" / "here").symlink_to(".")
        assert places(tmp_path) == ["a/b/x.mp4"]

    def test_a_folder_is_found_under_its_own_name(self, tmp_path):
        put(tmp_path / "z" / "x.mp4")
        (tmp_path / "a").symlink_to("z")
        assert places(tmp_path) == ["z/x.mp4"]

    def test_links_out_of_the_source_are_followed_once(self, tmp_path):
        put(tmp_path / "disk" / "x.mp4")
        card = tmp_path / "card"
        card.mkdir()
        (card / "one").symlink_to(tmp_path / "disk")
        (card / "two").symlink_to(tmp_path / "disk")
        (card / "y.mp4").symlink_to(tmp_path / "disk" / "x.mp4")
        assert places(card) == ["y.mp4", "one/x.mp4"]

    def test_a_link_to_a_file_that_is_found_itself(self, tmp_path):
        put(tmp_path / "x.mp4")
        (tmp_path / "again.mp4").symlink_to("x.mp4")
        assert places(tmp_path) == ["x.mp4"]

    def test_a_link_to_a_file_that_lies_hidden(self, tmp_path):
        put(tmp_path / ".store" / "x.mp4")
        (tmp_path / "x.mp4").symlink_to(".store/x.mp4")
        assert places(tmp_path) == ["x.mp4"]

    def test_a_link_to_nothing_is_listed(self, tmp_path):
        (tmp_path / "x.mp4").symlink_to("gone.mp4")
        (text,) = problems(tmp_path)
        assert "x.mp4: is a link to nothing" in text

    def test_a_deep_tree(self, tmp_path):
        folder = tmp_path
        for _ in range(300):
            folder /= "deep"
        put(folder / "x.mp4")
        assert len(places(tmp_path)) == 1


class TestUnreadable:
    def test_an_empty_file(self, tmp_path):
        put(tmp_path / "a.mp4", b"")
        (text,) = problems(tmp_path)
        assert text == f"{tmp_path / 'a.mp4'}: is empty (0 bytes); copy it again from the camera"

    def test_no_rights(self, tmp_path, monkeypatch):
        put(tmp_path / "a.mp4")
        put(tmp_path / "shut" / "b.mp4")
        put(tmp_path / "z.mp4")
        real_open, real_scandir = open, os.scandir

        def refusing_open(path, *args, **more):
            if str(path).endswith("a.mp4"):
                raise PermissionError(13, "Permission denied", path)
            return real_open(path, *args, **more)

        def refusing_scandir(path):
            if str(path).endswith("shut"):
                raise PermissionError(13, "Permission denied", path)
            return real_scandir(path)

        monkeypatch.setattr("builtins.open", refusing_open)
        monkeypatch.setattr(os, "scandir", refusing_scandir)
        found = list(discover(tmp_path))
        assert [one.place for one in found if not one.problem] == ["z.mp4"]
        texts = [one.problem for one in found if one.problem]
        assert "a.mp4: cannot be read (Permission denied)" in texts[0]
        assert "shut: cannot be listed (Permission denied)" in texts[1]

    def test_pipes_and_sockets_are_left_alone(self, tmp_path, monkeypatch):
        os.mkfifo(tmp_path / "a.mp4")
        (tmp_path / "b.mp4").symlink_to("a.mp4")
        with socket.socket(socket.AF_UNIX) as server:
            monkeypatch.chdir(tmp_path)
            server.bind("c.mp4")
            assert list(discover(tmp_path)) == []


class TestDestinations:
    def test_a_folder_to_skip(self, tmp_path):
        put(tmp_path / "a.mp4")
        put(tmp_path / "out" / "a_r000.mp4")
        assert places(tmp_path, skip=[tmp_path / "out", tmp_path / "none"]) == ["a.mp4"]

    def test_the_results_of_another_night(self, tmp_path):
        put(tmp_path / "a.mp4")
        put(tmp_path / "earlier" / "clip.mp4")
        put(tmp_path / "earlier" / CATALOG_NAME)
        passed = []
        found = discover(tmp_path, on_passed=lambda *told: passed.append(told))
        assert [one.place for one in found] == ["a.mp4"]
        assert passed == [(str(tmp_path / "earlier"), "holds the results of a night")]
