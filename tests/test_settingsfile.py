"""Settings files: what stands in them, and for which takes."""

import os

import pytest

from flashpan.errors import SettingsError
from flashpan.settings import COMMAND_LINE, Settings
from flashpan.settingsfile import find_settings_file, place_below, read_settings_file, settings_for
from flashpan.units import Duration


class TestFile:
    def test_loads(self, tmp_path):
        path = tmp_path / "flashpan.toml"
        path.write_text('capture_rate = 100_000\npre_roll = "5ms"\nroi = ["10%,0,50%,100%"]\n')
        settings = read_settings_file(path).everywhere
        assert settings.capture_rate == 100_000
        assert settings.source_of("pre_roll") == str(path)

    @pytest.mark.parametrize(
        ("content", "text"),
        [
            (b"pre_roll = \n", r"\(at line 1, .*; mend that line"),
            (b"\n\npre_roll 5\n", r"\(at line 3, .*; mend that line"),
            (b"pre_roll = '5\xff'", "not UTF-8"),
            (b"[find]\npre_roll = 3\n", r"unknown section \[find\]"),
        ],
    )
    def test_malformed_names_file_line_and_cure(self, tmp_path, content, text):
        path = tmp_path / "flashpan.toml"
        path.write_bytes(content)
        with pytest.raises(SettingsError, match=rf"flashpan\.toml: .*{text}"):
            read_settings_file(path)

    def test_missing_or_unreadable(self, tmp_path):
        with pytest.raises(SettingsError, match=r"none\.toml: no such settings file"):
            read_settings_file(tmp_path / "none.toml")
        with pytest.raises(SettingsError, match="cannot be read"):
            read_settings_file(tmp_path)

    def test_found_beside_a_file_and_a_pattern(self, tmp_path):
        path = tmp_path / "flashpan.toml"
        assert find_settings_file(tmp_path / "a.mp4") is None
        path.touch()
        assert find_settings_file(tmp_path / "a.mp4") == path
        assert find_settings_file(tmp_path / "shot_%06d.tif") == path

    def test_found_in_a_folder_of_stills_or_beside_it(self, tmp_path):
        stills = tmp_path / "stills"
        stills.mkdir()
        (tmp_path / "flashpan.toml").touch()
        assert find_settings_file(stills) == tmp_path / "flashpan.toml"
        (stills / "flashpan.toml").touch()
        assert find_settings_file(stills) == stills / "flashpan.toml"

    def test_standard_input_takes_the_current_folder(self, tmp_path, monkeypatch):
        monkeypatch.chdir(tmp_path)
        assert find_settings_file("-") is None
        (tmp_path / "flashpan.toml").touch()
        assert find_settings_file("-").samefile(tmp_path / "flashpan.toml")

    def test_a_named_file_replaces_the_one_beside_the_take(self, tmp_path):
        (tmp_path / "flashpan.toml").write_text("pre_roll = 1\npost_roll = 1\n")
        asked = Settings.from_mapping({"first": 2}, source=COMMAND_LINE)
        beside = settings_for(tmp_path / "a.mp4", asked)
        (tmp_path / "named.toml").write_text("pre_roll = 7\n")
        named = settings_for(tmp_path / "a.mp4", asked, read_settings_file(tmp_path / "named.toml"))
        assert (beside.pre_roll, beside.post_roll) == (Duration.of_frames(1),) * 2
        assert (named.pre_roll, named.post_roll) == (Duration.of_frames(7), None)
        assert beside.first == named.first == 2


SECTIONS = """
pre-roll = 1
post-roll = 1
merge-gap = 1

[take."storm_*"]
pre-roll = 5

[folder."tower*"]
pre-roll = 3
post-roll = 3

[folder."tower/north"]
post-roll = 4

[take."tower/north/spark.mp4"]
merge-gap = 6
"""


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "flashpan.toml"
    path.write_text(SECTIONS)
    return read_settings_file(path)


class TestSections:
    @pytest.mark.parametrize(
        ("place", "rolls"),
        [
            ("a.mp4", (1, 1, 1)),
            ("storm_1.mp4", (5, 1, 1)),
            ("tower/a.mp4", (3, 3, 1)),
            ("tower2/deep/er/a.mp4", (3, 3, 1)),
            ("day/tower/a.mp4", (3, 3, 1)),  # a plain name, at any depth
            ("tower/north/a.mp4", (3, 4, 1)),  # the later one wins
            ("day/tower/north/a.mp4", (3, 3, 1)),  # one with a / is for the whole path
            ("tower/north/storm_7.mp4", (5, 4, 1)),  # a take wins over its folder
            ("tower/north/spark.mp4", (3, 4, 6)),
            ("north/spark.mp4", (1, 1, 1)),
            ("Tower/a.mp4", (1, 1, 1)),  # capitals count
            ("tower", (3, 3, 1)),  # a folder of stills
            ("x/storm_%04d.tif", (5, 1, 1)),
        ],
    )
    def test_what_wins(self, file, place, rolls):
        settings = file.for_take(place)
        got = (settings.pre_roll, settings.post_roll, settings.merge_gap)
        assert tuple(int(one.amount) for one in got) == rolls

    def test_where_each_value_came_from(self, file):
        settings = file.for_take("tower/storm_1.mp4")
        assert settings.source_of("pre_roll") == f'{file.path} [take."storm_*"]'
        assert settings.source_of("post_roll") == f'{file.path} [folder."tower*"]'
        assert settings.source_of("merge_gap") == str(file.path)
        assert settings.source_of("capture_rate") == "default"

    @pytest.mark.parametrize("pattern", ["a", "a.mp4", "?.mp4", "[ab].mp4", "*"])
    def test_a_takes_name_with_or_without_its_ending(self, tmp_path, pattern):
        path = tmp_path / "flashpan.toml"
        path.write_text(f'[take."{pattern}"]\npre-roll = 9\n')
        assert read_settings_file(path).for_take("deep/a.mp4").pre_roll == Duration.of_frames(9)

    @pytest.mark.parametrize("pattern", [".", "./day", "day/", "day", "d*"])
    def test_ways_to_write_a_folder(self, tmp_path, pattern):
        path = tmp_path / "flashpan.toml"
        path.write_text(f'[folder."{pattern}"]\npre-roll = 9\n')
        assert read_settings_file(path).for_take("day/a.mp4").pre_roll == Duration.of_frames(9)

    def test_accents_however_the_disk_writes_them(self, tmp_path):
        path = tmp_path / "flashpan.toml"
        path.write_text('[take."\u00e9clair*"]\npre-roll = 9\n', encoding="utf-8")
        file = read_settings_file(path)
        for name in ("\u00e9clair_1.mp4", "e\u0301clair_1.mp4"):
            assert file.for_take(name).pre_roll == Duration.of_frames(9)

    @pytest.mark.parametrize(
        ("content", "text"),
        [
            ("pre_rol = 3\n", r"toml: unknown setting 'pre_rol'; did you mean 'pre_roll'\?"),
            (
                '[take."a"]\npos-roll = 3\n',
                r"toml \[take.\"a\"\]: unknown setting 'pos-roll'; did you mean 'post-roll'\?",
            ),
            (
                '[folder."a b"]\ncapture_rat = 3\n',
                r"toml \[folder.\"a b\"\]: unknown setting 'capture_rat'; .*'capture_rate'\?",
            ),
            ('[takes."a"]\nfirst = 3\n', r"unknown section \[takes\]; did you mean 'take'\?"),
            ('[folders."a"]\nfirst = 3\n', r"unknown section \[folders\]; .* 'folder'\?"),
            ("[take]\nfirst = 3\n", r"\[take\] says first for no take in particular; write"),
            ("folder = 3\n", r"folder is a section; write \[folder.\"NAME\"\]"),
            ('[take."a"]\npre-roll = -3\n', r"\[take.\"a\"\]: pre_roll '-3' is no duration"),
            ('[take."a".more]\nx = 3\n', r"\[take.\"a\"\]: unknown setting 'more'"),
        ],
    )
    def test_what_is_wrong_is_named_with_the_cure(self, tmp_path, content, text):
        path = tmp_path / "flashpan.toml"
        path.write_text(content)
        with pytest.raises(SettingsError, match=text) as raised:
            read_settings_file(path)
        assert "\n" not in str(raised.value)
        assert raised.value.exit_code == 2

    def test_the_command_line_wins(self, file, tmp_path):
        asked = Settings.from_mapping({"pre_roll": "99"}, source=COMMAND_LINE)
        settings = settings_for(tmp_path / "tower" / "storm_1.mp4", asked, file)
        assert settings.pre_roll == Duration.of_frames(99)
        assert settings.source_of("pre_roll") == COMMAND_LINE
        assert settings.post_roll == Duration.of_frames(3)

    def test_the_file_beside_a_take_has_sections_too(self, file, tmp_path):
        settings = settings_for(tmp_path / "storm_1.mp4", Settings())
        assert settings.pre_roll == Duration.of_frames(5)

    def test_a_file_saved_with_a_mark_in_front(self, tmp_path):
        path = tmp_path / "flashpan.toml"
        path.write_bytes(b"\xef\xbb\xbfpre-roll = 9\n")
        assert read_settings_file(path).everywhere.pre_roll == Duration.of_frames(9)


class TestPlace:
    def test_below_the_file(self, file, tmp_path):
        assert place_below(file, tmp_path / "a" / "b.mp4") == "a/b.mp4"

    def test_relative(self, file, tmp_path, monkeypatch):
        monkeypatch.chdir(tmp_path)
        assert place_below(file, os.path.join("a", "b.mp4")) == "a/b.mp4"

    def test_the_folder_itself(self, file, tmp_path):
        assert place_below(file, tmp_path) == tmp_path.name

    def test_elsewhere(self, file):
        assert place_below(file, "/other/tower/b.mp4") == "other/tower/b.mp4"

    def test_a_folder_whose_name_begins_alike(self, file, tmp_path):
        assert place_below(file, f"{tmp_path}2/b.mp4").endswith(f"{tmp_path.name}2/b.mp4")


class TestSlate:
    TEXT = """
        pre-roll = 5
        [slate]
        production = "Night storms"
        scene = 1
        [folder."tower*".slate]
        scene = "tower"
        [take."spark_*".slate]
        scene = "12"
        take = 3
    """

    @pytest.fixture
    def path(self, tmp_path):
        path = tmp_path / "flashpan.toml"
        path.write_text(self.TEXT)
        return path

    def test_the_nearer_word_wins(self, path):
        def words(place):
            return {name: text for name, text, _ in read_settings_file(path).for_take(place).slate}

        assert words("a.mp4") == {"production": "Night storms", "scene": "1"}
        assert words("tower/a.mp4")["scene"] == "tower"
        assert words("tower/spark_1.mp4") == {
            "production": "Night storms",
            "scene": "12",
            "take": "3",
        }

    def test_says_where_it_was_written(self, path):
        sources = {source for _, _, source in read_settings_file(path).for_take("spark_1").slate}
        assert sources == {str(path), f'{path} [take."spark_*"]'}

    def test_changes_no_setting(self, path):
        settings = read_settings_file(path).for_take("spark_1.mp4")
        assert settings == Settings(pre_roll=Duration.of_frames(5))

    @pytest.mark.parametrize(
        ("content", "text"),
        [
            ("slate = 3\n", r"slate is a section; write \[slate\] above name = value"),
            ("[slate]\nscene = [1, 2]\n", r"slate 'scene' is no text; write scene = \"…\""),
            ("[slates]\nscene = 1\n", r"unknown section \[slates\]; did you mean 'slate'\?"),
        ],
    )
    def test_what_is_wrong_is_named_with_the_cure(self, path, content, text):
        path.write_text(content)
        with pytest.raises(SettingsError, match=text):
            read_settings_file(path)
