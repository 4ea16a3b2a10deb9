"""Which settings apply to each take of a night, and where they come from."""

import json
from dataclasses import replace

import pytest
from night_fixtures import found

from flashpan.clipsettings import CLIP_DEFAULTS
from flashpan.cut.plan import TrimSettings
from flashpan.errors import SettingsError
from flashpan.night.layers import Layers
from flashpan.night.settingstable import format_settings, laid_to_dict, settings_to_dict
from flashpan.settings import COMMAND_LINE, NAMES, Settings
from flashpan.settingsfile import read_settings_file


def write(path, text):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def take(tmp_path, place, **more):
    path = tmp_path / place
    path.parent.mkdir(parents=True, exist_ok=True)
    return replace(found(str(path), **more), place=place)


def values(settings):
    got = (settings.pre_roll, settings.post_roll, settings.merge_gap, settings.first)
    return tuple(one if one is None or isinstance(one, int) else int(one.amount) for one in got)


class TestLayers:
    def test_nothing_said(self, tmp_path):
        settings = Layers(tmp_path, Settings()).for_take(take(tmp_path, "a/b.mp4"))
        assert settings == Settings()
        assert {settings.source_of(name) for name in NAMES} == {"default"}

    def test_command_line_over_nearer_file_over_farther_over_default(self, tmp_path):
        top = write(tmp_path / "flashpan.toml", "pre-roll = 1\npost-roll = 1\nmerge-gap = 1\n")
        near = write(tmp_path / "a" / "b" / "flashpan.toml", "pre-roll = 2\npost-roll = 2\n")
        asked = Settings.from_mapping({"pre_roll": 3}, source=COMMAND_LINE)
        settings = Layers(tmp_path, asked).for_take(take(tmp_path, "a/b/c.mp4"))
        assert values(settings) == (3, 2, 1, None)
        assert settings.source_of("pre_roll") == COMMAND_LINE
        assert settings.source_of("post_roll") == str(near)
        assert settings.source_of("merge_gap") == str(top)
        assert settings.source_of("first") == "default"

    def test_a_nearer_file_wins_over_a_farther_ones_section(self, tmp_path):
        write(tmp_path / "flashpan.toml", '[take."c"]\npre-roll = 1\npost-roll = 1\n')
        write(tmp_path / "a" / "flashpan.toml", "pre-roll = 2\n")
        settings = Layers(tmp_path, Settings()).for_take(take(tmp_path, "a/c.mp4"))
        assert values(settings) == (2, 1, None, None)

    def test_sections_by_place_below_their_own_file(self, tmp_path):
        write(tmp_path / "a" / "flashpan.toml", '[folder."x/y"]\npre-roll = 7\n')
        layers = Layers(tmp_path, Settings())
        assert values(layers.for_take(take(tmp_path, "a/x/y/c.mp4")))[0] == 7
        assert values(layers.for_take(take(tmp_path, "x/y/c.mp4")))[0] is None

    def test_a_named_file_replaces_all_others(self, tmp_path):
        write(tmp_path / "card" / "flashpan.toml", "pre-roll = 1\npost-roll = 1\n")
        named = write(tmp_path / "mine.toml", 'pre-roll = 5\n[take."c*"]\nmerge-gap = 6\n')
        layers = Layers(tmp_path / "card", Settings(), read_settings_file(named))
        settings = layers.for_take(take(tmp_path / "card", "a/c.mp4"))
        assert values(settings) == (5, None, 6, None)
        assert settings.source_of("merge_gap") == f'{named} [take."c*"]'

    def test_files_above_the_source_do_not_count(self, tmp_path):
        write(tmp_path / "flashpan.toml", "pre-roll = 1\n")
        settings = Layers(tmp_path / "card", Settings()).for_take(take(tmp_path / "card", "c.mp4"))
        assert settings == Settings()

    def test_a_source_that_is_one_take_has_the_file_beside_it(self, tmp_path):
        write(tmp_path / "flashpan.toml", "pre-roll = 1\n")
        path = write(tmp_path / "c.mp4", "x")
        settings = Layers(path, Settings()).for_take(take(tmp_path, "c.mp4"))
        assert values(settings)[0] == 1
        folder = tmp_path / "stills"
        folder.mkdir()
        one = replace(found(str(folder)), place="stills", kind="stills")
        assert values(Layers(folder, Settings()).for_take(one))[0] == 1

    def test_stills_have_the_file_inside(self, tmp_path):
        write(tmp_path / "flashpan.toml", "pre-roll = 1\npost-roll = 1\n")
        write(tmp_path / "drop" / "flashpan.toml", "pre-roll = 2\n")
        one = replace(found(str(tmp_path / "drop")), place="drop", kind="stills")
        assert values(Layers(tmp_path, Settings()).for_take(one)) == (2, 1, None, None)

    def test_a_pattern_has_the_file_of_its_folder(self, tmp_path):
        write(tmp_path / "drop" / "flashpan.toml", '[take."cam1_*"]\npre-roll = 2\n')
        layers = Layers(tmp_path, Settings())
        assert values(layers.for_take(take(tmp_path, "drop/cam1_%04d.tif")))[0] == 2
        assert values(layers.for_take(take(tmp_path, "drop/cam2_%04d.tif")))[0] is None

    def test_an_unknown_name_in_a_folder_far_down(self, tmp_path):
        write(tmp_path / "a" / "b" / "flashpan.toml", "capture-rat = 1000\n")
        layers = Layers(tmp_path, Settings())
        with pytest.raises(SettingsError, match=r"a/b/flashpan\.toml: .*mean 'capture-rate'\?"):
            layers.for_take(take(tmp_path, "a/b/c.mp4"))

    def test_a_file_is_read_once(self, tmp_path):
        path = write(tmp_path / "flashpan.toml", "pre-roll = 1\n")
        layers = Layers(tmp_path, Settings())
        layers.for_take(take(tmp_path, "a.mp4"))
        path.write_text("pre-roll = 2\n")  # a night is done with what was said at its start
        assert values(layers.for_take(take(tmp_path, "b.mp4")))[0] == 1

    def test_sections_that_fit_nothing(self, tmp_path):
        path = write(
            tmp_path / "flashpan.toml", '[take."strom_*"]\nfirst = 1\n[folder."a"]\nfirst = 2\n'
        )
        layers = Layers(tmp_path, Settings())
        layers.for_take(take(tmp_path, "a/storm_1.mp4"))
        assert layers.unused() == [f'{path} [take."strom_*"]']

    def test_what_the_clips_shall_be(self, tmp_path):
        write(tmp_path / "flashpan.toml", 'also = ["gif"]\n[folder."a"]\nhow = "exact"\n')
        asked = Settings.from_mapping({"also": ("view",)}, source=COMMAND_LINE)
        clips = Layers(tmp_path, asked).for_take(take(tmp_path, "a/c.mp4")).clips
        assert clips.values() == {"also": ("view",), "how": "exact"}
        assert clips.source_of("how").endswith('[folder."a"]')
        assert Layers(tmp_path, Settings()).for_take(take(tmp_path, "c.mp4")).clips.values() == {
            "also": ("gif",)
        }


class TestGeometry:
    def test_only_for_headerless_pixels(self, tmp_path):
        write(tmp_path / "flashpan.toml", 'raw = "64x48:Mono8"\n')
        layers = Layers(tmp_path, Settings())
        assert layers.for_take(take(tmp_path, "a.mp4")).raw is None
        assert "raw" not in layers.for_take(take(tmp_path, "a.mp4")).set_names()
        headerless = replace(take(tmp_path, "a.bin"), kind="raw")
        assert layers.for_take(headerless).raw == "64x48:Mono8"

    def test_which_files_have_one(self, tmp_path):
        write(tmp_path / "flashpan.toml", '[take."*.dat"]\nraw = "64x48:Mono8"\n')
        layers = Layers(tmp_path, Settings())
        assert layers.has_geometry("deep/a.dat")
        assert not layers.has_geometry("deep/a.bin")

    def test_of_the_command_line(self, tmp_path):
        layers = Layers(tmp_path, Settings.from_mapping({"raw": "64x48:Mono8"}))
        assert layers.has_geometry("a.bin")


class TestShown:
    def test_takes_with_the_same_settings_share_a_table(self, tmp_path):
        path = write(
            tmp_path / "flashpan.toml",
            'capture-rate = 29.97\n[take."b"]\npre-roll = "5ms"\nroi = ["1,2,3,4", "0,0,9%,9%"]\n',
        )
        asked = Settings.from_mapping({"merge_gap": 3}, source=COMMAND_LINE)
        layers = Layers(tmp_path, asked)
        takes = [take(tmp_path, name) for name in ("a.mp4", "a2.mp4", "b.mp4")]
        text = format_settings((one, layers.for_take(one)) for one in takes)
        first, second = text.split("\n\n")
        assert first.startswith("a.mp4\na2.mp4\n  setting ")
        assert second.startswith("b.mp4\n  setting ")
        lines = [" ".join(line.split()) for line in second.splitlines()]
        assert f"capture-rate 30000/1001 {path}" in lines
        assert f'pre-roll 5ms {path} [take."b"]' in lines
        assert f'roi 1,2,3,4 0,0,9%,9% {path} [take."b"]' in lines
        assert "merge-gap 3 command line" in lines
        assert "post-roll 50ms, at least 25 frames default" in lines
        assert "detectors all default" in lines
        assert "also nothing else default" in lines
        assert "verify true default" in lines
        assert len(lines) == 2 + len(NAMES) + len(CLIP_DEFAULTS)

    def test_no_takes(self):
        assert format_settings([]) == ""

    def test_every_setting_has_words_for_its_default(self):
        text = format_settings([(found(), Settings())])
        assert "None" not in text
        assert "[]" not in text

    def test_as_json(self, tmp_path):
        settings = Settings.from_mapping(
            {"capture_rate": "1000", "pre_roll": "200us", "roi": "1,2,3,4"}, source=COMMAND_LINE
        )
        told = json.loads(json.dumps(laid_to_dict(take(tmp_path, "a.mp4"), settings)))
        assert told["take"]["place"] == "a.mp4"
        assert told["settings"] == settings_to_dict(settings)
        assert told["settings"]["capture_rate"] == {"value": 1000, "from": COMMAND_LINE}
        assert told["settings"]["pre_roll"] == {"value": "200us", "from": COMMAND_LINE}
        assert told["settings"]["roi"]["value"] == ["1,2,3,4"]
        assert told["settings"]["last"] == {"value": None, "from": "default"}

    def test_json_makes_the_same_settings_again(self):
        settings = Settings.from_mapping(
            {"capture_rate": "30000/1001", "pre_roll": "5ms", "merge_gap": 4, "ignore": "1,2,3,4"}
        )
        told = json.loads(json.dumps(settings_to_dict(settings)))
        again = Settings.from_mapping({name: one["value"] for name, one in told.items()})
        assert replace(again, clips=settings.clips) == settings
        assert again.clips.below(TrimSettings()) == TrimSettings()
