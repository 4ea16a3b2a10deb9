"""SMPTE ST 12-1 timecode, held against two libraries and worked values.

The rule (labels ;00 and ;01, at 59.94 ;00 to ;03, are left out at every minute but each tenth;
17,982 frames in ten minutes) was read in glossaries; the standard itself was not opened.
"""

import random

import pytest
from handoff_fixtures import COUNTINGS, RATES
from opentimelineio import opentime
from timecode import Timecode

from flashpan.errors import SettingsError
from flashpan.handoff.labels import frames_of, has_labels, label_of, rate_name, read_label
from flashpan.units import parse_rate

NTSC = RATES["29.97"]
WORKED = [
    (1799, "00:00:59;29"),
    (1800, "00:01:00;02"),
    (3597, "00:01:59;29"),
    (3598, "00:02:00;02"),
    (17_981, "00:09:59;29"),
    (17_982, "00:10:00;00"),
    (107_891, "00:59:59;29"),
    (107_892, "01:00:00;00"),
    (215_784, "02:00:00;00"),
    (2_589_407, "23:59:59;29"),
]


@pytest.mark.parametrize(("frame", "label"), WORKED)
def test_worked_drop_frame_values(frame, label):
    assert label_of(frame, NTSC, drop=True) == label
    assert read_label(label, NTSC, drop=True) == frame


def test_more_worked_values():
    assert label_of(17_982, NTSC, drop=False) == "00:09:59:12"
    assert label_of(107_892, NTSC, drop=False) == "00:59:56:12"
    assert label_of(2_589_408, NTSC, drop=True) == "00:00:00;00"  # the next day
    for frame, label in ((3596, "00:00:59;56"), (3600, "00:01:00;04"), (215_784, "01:00:00;00")):
        assert label_of(frame, RATES["59.94"], drop=True) == label


@pytest.mark.parametrize(("name", "drop"), COUNTINGS)
def test_as_two_libraries_have_it(name, drop):
    rate, day = RATES[name], 24 * 60 * 60 * round(RATES[name]) - 10_000
    draw = random.Random(name)
    for frame in [0, 1, 1799, 1800, 17_982, *(draw.randrange(day) for _ in range(200))]:
        label = label_of(frame, rate, drop=drop)
        time = opentime.RationalTime(frame, float(rate))
        assert time.to_timecode(float(rate), drop_frame=drop) == label
        assert opentime.from_timecode(label, float(rate)).value == frame
        # the library counts frames from 1, and takes 29.97 for drop-frame unless it is told
        other = Timecode(name if drop or name not in ("29.97", "59.94") else str(round(rate)))
        other.drop_frame = drop
        other.frames = frame + 1
        assert str(other) == label
        assert frames_of(label, rate) == read_label(label, rate, drop=drop) == frame


@pytest.mark.parametrize(
    ("label", "name", "drop"),
    [
        ("00:01:00;00", "29.97", True),  # both libraries take these for frames 1798 and 1799
        ("00:01:00;01", "29.97", True),
        ("00:01:00;03", "59.94", True),
        ("00:00:00:25", "25", False),
        ("00:00:60:00", "25", False),
        ("00:60:00:00", "25", False),
        ("24:00:00:00", "25", False),
        ("1:00:00:00", "25", False),
        ("noon", "25", False),
        ("", "25", False),
    ],
)
def test_labels_that_do_not_exist_are_refused(label, name, drop):
    with pytest.raises(
        SettingsError, match=r"--start .* is no (drop-frame )?timecode at"
    ) as raised:
        read_label(label, RATES[name], drop=drop, option="--start")
    assert "\n" not in str(raised.value)


def test_rates():
    assert all(has_labels(rate) for rate in RATES.values())
    assert not any(has_labels(parse_rate(rate)) for rate in ("12", "120", "1000", "29.9"))
    assert all(parse_rate(name) == rate for name, rate in RATES.items())
    assert rate_name(NTSC, drop=True) == "29.97df"
    assert [rate_name(rate) for rate in RATES.values()] == list(RATES)
