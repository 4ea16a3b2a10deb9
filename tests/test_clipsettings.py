"""What is said of the clips: in files and on the command line, over what they are by default."""

import pytest

from flashpan.clipsettings import CHOICES, CLIP_DEFAULTS, ClipSettings
from flashpan.cut.base import How, StillFiles
from flashpan.cut.forms import Form
from flashpan.cut.plan import TrimSettings
from flashpan.errors import SettingsError
from flashpan.settings import COMMAND_LINE, Settings


def test_choices_and_defaults_are_those_of_cutting():
    assert set(CHOICES["how"]) == set(How)
    assert set(CHOICES["also"]) == set(Form)
    assert set(CHOICES["files"]) == set(StillFiles)
    plain = TrimSettings()
    assert {name: getattr(plain, name) for name in CLIP_DEFAULTS} == CLIP_DEFAULTS


def test_stand_in_a_settings_file_beside_what_is_looked_for():
    said = Settings.from_mapping({"pre-roll": 4, "also": "gif", "burn-in": False}, "card.toml")
    assert said.set_names() == {"pre_roll"}
    assert said.clips.values() == {"also": ("gif",), "burn_in": False}
    assert said.clips.source_of("also") == "card.toml"
    assert said.clips.source_of("how") == "default"


def test_the_first_that_says_something_wins():
    nearer = Settings.from_mapping({"how": "auto"}, COMMAND_LINE)
    farther = Settings.from_mapping({"how": "copy", "stretch": True}, "card.toml")
    clips = nearer.merged_with(farther).clips
    assert clips.values() == {"how": "auto", "stretch": True}
    assert [clips.source_of(name) for name in ("how", "stretch")] == [COMMAND_LINE, "card.toml"]


def test_a_caller_that_wants_something_else_than_the_default_is_heard():
    clips = ClipSettings.from_mapping({"how": "copy", "verify": False}, "card.toml")
    wanted = clips.below(TrimSettings(how="exact", overwrite=True))
    assert wanted == TrimSettings(how="exact", verify=False, overwrite=True)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"how": "exat"}, r"card\.toml: how cannot be 'exat'; did you mean 'exact'\?"),
        ({"also": ["view", "gfi"]}, r"also cannot be 'gfi'; did you mean 'gif'\?"),
        ({"verify": "no"}, "verify must be true or false, not 'no'"),
        ({"files": 3}, "files must be text, not 3"),
        ({"strech": True}, r"unknown setting 'strech'; did you mean 'stretch'\?"),
        ({"burn-inn": True}, r"unknown setting 'burn-inn'; did you mean 'burn-in'\?"),
    ],
)
def test_what_makes_no_sense_is_refused(values, said):
    with pytest.raises(SettingsError, match=said):
        Settings.from_mapping(values, "card.toml")
