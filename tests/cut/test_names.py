import os
import unicodedata
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from log_fixtures import a_log, a_take

from flashpan.cut.names import (
    MOST_NAME_BYTES,
    clip_name,
    frame_name,
    inside,
    refuse_sources_inside,
    safe_name,
    take_stem,
)
from flashpan.errors import TakeError, UsageError
from flashpan.eventlog import to_json
from flashpan.fingerprint import fingerprint_of


class TestSafeName:
    @pytest.mark.parametrize(
        ("given", "made"),
        [
            ("storm", "storm"),
            ("Gewitter über Köln 3", "Gewitter über Köln 3"),
            ("雷 夜", "雷 夜"),
            ('a/b\\c:d*e?f"g<h>i|j', "a_b_c_d_e_f_g_h_i_j"),
            ("line\nfeed\ttab\0nul\x7f", "line_feed_tab_nul_"),
            ("..hidden", "hidden"),
            (". . hidden. .", "hidden"),
            ("../../etc/passwd", "_.._etc_passwd"),
            ("-rf", "_rf"),
            ("CON", "CON_"),
            ("nul.2", "nul_.2"),
            ("com1 .x", "com1 _.x"),
            ("COM¹", "COM¹_"),
            ("console", "console"),
            ("", "take"),
            ("...", "take"),
            ("a\u202egpj.mov", "agpj.mov"),
            (os.fsdecode(b"caf\xe9"), "caf_"),
            ("e\u0301clair", "éclair"),
        ],
    )
    def test_examples(self, given, made):
        assert safe_name(given) == made

    def test_the_same_name_composed_or_not(self):
        assert safe_name(unicodedata.normalize("NFD", "Brücke")) == safe_name("Brücke")

    def test_too_long_ones_stay_apart(self):
        one, other = (safe_name("ü" * 300 + end) for end in ("a", "b"))
        assert one != other
        assert len(one.encode()) <= MOST_NAME_BYTES
        assert one.startswith("ü" * 90)

    def test_an_accent_is_not_cut_from_its_letter(self):
        stacked = "x" + "q\u0323\u0302" * 100  # no composed form
        for most in range(16, 40):
            cut = safe_name(stacked, most).rpartition("-")[0]
            assert (len(cut) - 1) % 3 == 0

    @settings(deadline=None)
    @given(st.text(st.characters(exclude_categories=())), st.integers(16, 300))
    @example("\u0f40" + "\u0300" * 9, 16)  # more accents on the first letter than there is room
    def test_whatever_comes_is_safe(self, text, most):
        name = safe_name(text, most)
        assert name
        assert len(name.encode()) <= most
        assert not set(name) & set('<>:"/\\|?*')
        assert name[0] not in ".- "
        assert name[-1] not in ". "
        assert name == unicodedata.normalize("NFC", name)
        assert name.split(".")[0].rstrip().upper() not in {"CON", "PRN", "AUX", "NUL", "COM1"}
        assert safe_name(name, most) == name

    @settings(deadline=None)
    @given(st.text(st.characters(exclude_categories=())))
    def test_whatever_comes_is_a_file(self, text):
        name = clip_name(text, 0, 0, 1, ".mov")
        assert len(name.encode()) <= MOST_NAME_BYTES
        assert Path("/night", name).name == name


class TestClipName:
    def test_has_range_and_frames_as_the_log_has_them(self):
        assert clip_name("storm", 2, 5100, 5230, ".MOV") == "storm_r002_f005100-005230.mov"

    def test_a_folder_of_stills_has_no_ending(self):
        assert clip_name("storm", 0, 0, 9) == "storm_r000_f000000-000009"

    def test_sorts_as_the_take_runs_beyond_a_million_frames(self):
        early = clip_name("storm", 9, 900_000, 900_001, ".mkv", n_frames=3_000_000)
        late = clip_name("storm", 10, 2_000_000, 2_000_001, ".mkv", n_frames=3_000_000)
        assert early < late
        assert len(early) == len(late)

    def test_a_long_name_keeps_its_frames(self):
        name = clip_name("x" * 400, 2, 5100, 5230, ".mov")
        assert name.endswith("_r002_f005100-005230.mov")
        assert len(name) == MOST_NAME_BYTES

    def test_one_frame(self):
        assert frame_name("storm", 5100, ".tif") == "storm_005100.tif"

    def test_an_ending_cannot_escape(self):
        assert clip_name("a", 0, 0, 0, "./../x").endswith("-000000.x")


def a_file(path, data=b"x"):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def take_at(path):
    return a_take(path=str(path), name=Path(path).stem)


class TestTakeStem:
    def test_alone_a_take_keeps_its_name(self, tmp_path):
        take = take_at(a_file(tmp_path / "1" / "a.mov"))
        assert take_stem(take, tmp_path / "out") == "a"
        assert take_stem(take, tmp_path / "out", [take.path]) == "a"

    def test_two_of_one_name_in_one_run(self, tmp_path):
        paths = [a_file(tmp_path / folder / "a.mov") for folder in "12"]  # equal to the byte
        stems = [take_stem(take_at(path), tmp_path / "out", map(str, paths)) for path in paths]
        assert len({*stems, "a"}) == 3
        assert stems == [take_stem(take_at(p), tmp_path / "o", map(str, paths)) for p in paths]

    def test_capitals_and_endings_do_not_make_names_different(self, tmp_path):
        paths = [str(a_file(tmp_path / "1" / "a.mov")), str(a_file(tmp_path / "1" / "A.mkv"))]
        assert take_stem(take_at(paths[0]), tmp_path / "out", paths) != "a"

    def test_a_folder_of_stills_and_a_file(self, tmp_path):
        path = str(a_file(tmp_path / "1" / "a.mov"))
        (tmp_path / "2" / "a").mkdir(parents=True)
        assert take_stem(take_at(path), tmp_path / "out", [path, str(tmp_path / "2" / "a")]) != "a"

    def write_log(self, folder, take, stem):
        folder.mkdir(exist_ok=True)
        log = replace(a_log(), take=take)
        (folder / f"{stem}.events.json").write_text(to_json(log))

    def test_in_a_later_run_another_takes_log_is_respected(self, tmp_path):
        one, other = (take_at(a_file(tmp_path / folder / "a.mov")) for folder in "12")
        self.write_log(tmp_path / "out", one, "a")
        assert take_stem(one, tmp_path / "out") == "a"
        assert take_stem(other, tmp_path / "out") != "a"

    def test_a_card_that_was_used_again(self, tmp_path):
        path = a_file(tmp_path / "card" / "a.mov", b"yesterday")
        first = take_at(path)
        stem = take_stem(first, tmp_path / "out", [str(tmp_path / "x" / "a.mov")])
        self.write_log(tmp_path / "out", replace(first, fingerprint=fingerprint_of(path)), "a")
        a_file(path, b"today")
        later = take_stem(take_at(path), tmp_path / "out")
        assert later not in ("a", stem)

    def test_a_take_that_was_cut_under_its_mark_keeps_it(self, tmp_path):
        take = take_at(a_file(tmp_path / "1" / "a.mov"))
        stem = take_stem(take, tmp_path / "out", [str(tmp_path / "2" / "a.mov")])
        self.write_log(tmp_path / "out", take, stem)
        assert take_stem(take, tmp_path / "out") == stem

    def test_a_foreign_file_in_the_way(self, tmp_path):
        a_file(tmp_path / "out" / "a.events.json", b"mine")
        assert take_stem(take_at("none/a.mov"), tmp_path / "out") != "a"


class TestInside:
    def test_a_plain_name(self, tmp_path):
        assert inside(tmp_path, "a.mov") == tmp_path / "a.mov"

    @pytest.mark.parametrize("name", ["../a", "a/b", "a\\b", "..", ".", "", "/etc/passwd", "a\0"])
    def test_nothing_escapes(self, tmp_path, name):
        with pytest.raises(TakeError, match="is no plain file name"):
            inside(tmp_path, name)

    def test_a_link_in_its_place_is_not_followed(self, tmp_path):
        (tmp_path / "out").mkdir()
        (tmp_path / "out" / "a.mov").symlink_to(tmp_path / "elsewhere")
        with pytest.raises(TakeError, match="is a link to somewhere else"):
            inside(tmp_path / "out", "a.mov")


class TestDestination:
    @pytest.fixture
    def source(self, tmp_path):
        return a_file(tmp_path / "card" / "day" / "a.mov")

    @pytest.mark.parametrize("where", ["card/day", "card", "", "card/../card/day", "card/day/"])
    def test_a_source_inside_is_refused(self, tmp_path, source, where):
        with pytest.raises(UsageError, match=r"a\.mov: lies inside .*; choose a folder"):
            refuse_sources_inside([source], str(tmp_path / where))

    @pytest.mark.parametrize("where", ["card/day/clips", "out", "card/da", "card/night/x"])
    def test_beside_it_or_below_a_files_folder_is_fine(self, tmp_path, source, where):
        refuse_sources_inside([source, "-"], tmp_path / where)

    def test_through_a_link(self, tmp_path, source):
        (tmp_path / "link").symlink_to(tmp_path / "card")
        with pytest.raises(UsageError, match="lies inside"):
            refuse_sources_inside([source], tmp_path / "link" / "day")
        (tmp_path / "named.mov").symlink_to(source)
        with pytest.raises(UsageError, match="lies inside"):
            refuse_sources_inside([tmp_path / "named.mov"], tmp_path / "card")

    def test_a_relative_path(self, tmp_path, source, monkeypatch):
        monkeypatch.chdir(source.parent)
        with pytest.raises(UsageError, match=r"a\.mov: lies inside \.;"):
            refuse_sources_inside(["a.mov"], ".")

    @pytest.mark.parametrize("where", ["stills/clips", "stills/clips/more"])
    def test_among_the_stills_of_a_take(self, tmp_path, where):
        a_file(tmp_path / "stills" / "s_0001.tif")
        for take in (tmp_path / "stills", tmp_path / "stills" / "s_%04d.tif"):
            with pytest.raises(UsageError, match="lies inside the take"):
                refuse_sources_inside([take], tmp_path / where)
            refuse_sources_inside([take], tmp_path / "out")

    def test_the_folder_of_stills_itself(self, tmp_path):
        a_file(tmp_path / "stills" / "s_0001.tif")
        with pytest.raises(UsageError, match="lies inside"):
            refuse_sources_inside([tmp_path / "stills"], tmp_path / "stills")

    def test_a_file_is_no_destination(self, tmp_path, source):
        with pytest.raises(UsageError, match="is no folder"):
            refuse_sources_inside(["-"], source)
