"""Whatever is written for a duration, a region, a rate, a geometry: a value, or one line.

Examples are drawn by Hypothesis, from a fixed seed so that a run is the same every time.
"""

from fractions import Fraction

import pytest
from drawn import drawn
from hypothesis import example, given
from hypothesis import strategies as st

from flashpan.cut.budget import parse_budget
from flashpan.errors import FlashpanError
from flashpan.handoff.labels import SMPTE_RATES, label_of, read_label
from flashpan.model import TakeInfo
from flashpan.night.ingest import parse_split_above
from flashpan.night.report import parse_offload_rate
from flashpan.planner.quantities import GIVEN, read_quantity
from flashpan.readers.geometry import parse_geometry
from flashpan.readers.open import exact_rate
from flashpan.settings import Settings
from flashpan.units import parse_duration, parse_rate, parse_region

# What is written where a number belongs, most of all what programs come to grief over.
NUMBERS = st.one_of(
    st.integers(-3, 100_000).map(str),
    st.decimals(allow_nan=False, allow_infinity=False, places=3).map(str),
    st.sampled_from(
        [
            "",
            "-0",
            "1e9",
            "1e999999999",
            "1e-999999999",
            "inf",
            "nan",
            "1/0",
            "0/0",
            "1/3",
            "٣",
            "½",
        ]
    ),
    st.integers(1, 6000).map(lambda n: "9" * n),
    st.integers(1, 6000).map(lambda n: f"0.{'0' * n}1"),
)
UNITS = st.sampled_from(
    ["", "s", "ms", "us", "µs", "μs", "MS", "%", "px", "GB", "GiB", "kB/s", "m"]
)
ANYTHING = st.one_of(st.text(max_size=30), st.text("0123456789.,:;xX%+-/eE \nµ", max_size=30))
AMOUNTS = st.one_of(ANYTHING, st.builds("{}{}".format, NUMBERS, UNITS))


def value_or_one_line(parse, *given):
    """What comes of it; None where it is refused in one line."""
    try:
        return parse(*given)
    except FlashpanError as error:
        text = str(error)
        assert text
        assert len(text.splitlines()) == 1
        assert len(text) < 1000
        return None


@drawn
@given(AMOUNTS)
@example("9" * 5000)
@example("9" * 5000 + "ms")
def test_durations(text):
    duration = value_or_one_line(parse_duration, text, "--pre-roll")
    if duration is None:
        return
    assert duration.amount >= 0
    assert parse_duration(str(duration)) == duration
    assert duration.frames(Fraction(1_000_000)) >= 0


@drawn
@given(st.one_of(ANYTHING, NUMBERS))
@example("1e999999999")
@example("9" * 5000)
def test_rates(text):
    rate = value_or_one_line(parse_rate, text, "--capture-rate")
    assert rate is None or (rate > 0 and parse_rate(str(rate)) == rate and float(rate) > 0)


@drawn
@given(st.one_of(NUMBERS, st.integers(), st.floats(), st.fractions(), st.booleans()))
@example("1e999999999")
def test_rates_given_to_the_library(value):
    rate = value_or_one_line(exact_rate, value, "capture rate")
    assert rate is None or float(rate) > 0


@drawn
@given(st.one_of(ANYTHING, st.lists(st.builds("{}{}".format, NUMBERS, UNITS)).map(",".join)))
@example("0,0," + "9" * 5000 + ",1")
@example("1/3%,0,1,1")
def test_regions(text):
    spec = value_or_one_line(parse_region, text, "--roi")
    if spec is None:
        return
    assert parse_region(str(spec)) == spec
    region = value_or_one_line(spec.resolve, (480, 640))
    assert region is None or (region.width > 0 and region.left + region.width <= 640)


@drawn
@given(
    st.one_of(
        ANYTHING,
        st.builds(
            "{}x{}:{}{}".format,
            NUMBERS,
            NUMBERS,
            st.sampled_from(["Mono8", "mono12p", "BayerRG10Packed", "Mono11", ""]),
            st.sampled_from(["", "+0", "+4", "+999999999999999999", "+-1", "+"]),
        ),
    )
)
def test_geometries_of_headerless_pixels(text):
    geometry = value_or_one_line(parse_geometry, text)
    if geometry is None:
        return
    again = f"{geometry.cols}x{geometry.rows}:{geometry.pixel_format.name}+{geometry.offset_bytes}"
    assert parse_geometry(again) == geometry
    assert 0 < geometry.frame_bytes < 1 << 30


@drawn
@given(ANYTHING, st.sampled_from(sorted(SMPTE_RATES)), st.booleans())
@example("99:99:99:99", Fraction(25), False)
@example("٠١:٠٠:٠٠:٠٠", Fraction(25), False)
@example("01:00:00:00\n", Fraction(30000, 1001), True)
def test_timecodes(text, rate, drop):
    drop = drop and rate.denominator == 1001 and rate.numerator % 30_000 == 0
    frame = value_or_one_line(lambda: read_label(text, rate, drop=drop, option="--start"))
    assert frame is None or read_label(label_of(frame, rate, drop=drop), rate, drop=drop) == frame


@drawn
@given(AMOUNTS)
@example("9" * 5000 + "GB")
@example("0.000000001kB")
def test_budgets_and_offload_rates(text):
    budget = value_or_one_line(parse_budget, text)
    assert budget is None or budget.amount > 0
    rate = value_or_one_line(parse_offload_rate, text)
    assert rate is None or rate > 0
    most = value_or_one_line(parse_split_above, text)
    assert most is None or most > 0


@drawn
@given(st.sampled_from(sorted(GIVEN)), AMOUNTS)
@example("aperture", "f/" + "9" * 5000)
@example("exposure", "1/" + "0." + "0" * 400 + "1s")
def test_quantities_of_a_shot(name, text):
    value = value_or_one_line(read_quantity, GIVEN[name], text)
    assert value is None or value >= 0


WORDS = st.sampled_from(
    (
        *("capture_rate", "playback_rate", "trigger_frame", "pre_roll", "merge-gap", "first"),
        *("shortest_event", "roi", "ignore", "detectors", "false_alarms", "last", "raw"),
        *("how", "also", "verify", "no_such_thing"),
    )
)
PLAIN = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=12), AMOUNTS
)
VALUES = st.one_of(PLAIN, st.lists(PLAIN, max_size=4), st.lists(st.lists(PLAIN), max_size=2))
INFO = TakeInfo(path="a.mp4", name="a", shape=(480, 640), bit_depth=8, n_frames=1000)


@drawn
@given(st.dictionaries(WORDS, VALUES, max_size=4))
@example({"trigger_frame": 10**400, "capture_rate": 25})
@example({"first": "9" * 5000})
@example({"pre_roll": float("inf")})
@example({"roi": [[0, 0, float("nan"), 1]]})
def test_settings_of_any_values(values):
    asked = value_or_one_line(Settings.from_mapping, values, "flashpan.toml")
    if asked is None:
        return
    resolved = value_or_one_line(asked.resolved, INFO)
    if resolved is not None:
        assert resolved.as_log()["pre_roll_frames"] >= 0


@pytest.mark.parametrize("parse", [parse_duration, parse_rate, parse_budget])
def test_a_long_number_is_not_repeated_whole(parse):
    with pytest.raises(FlashpanError, match="9…") as refused:
        parse("9" * 5000 + "?")
    assert len(str(refused.value)) < 300
