"""Event logs and settings files that are damaged or lie: what they hold, or one line on them.

Examples are drawn by Hypothesis, from a fixed seed so that a run is the same every time.
"""

import json
import string
import tomllib

import pytest
from drawn import drawn
from hypothesis import example, given
from hypothesis import strategies as st
from log_fixtures import a_log, an_empty_log

from flashpan.edited import read_edited_log
from flashpan.errors import FlashpanError
from flashpan.eventlog import csv_rows, read_log, to_json
from flashpan.settingsfile import read_settings_file
from flashpan.table import format_table

WHOLE = json.loads(to_json(a_log()))
SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-2, 1000),
    st.sampled_from([2**31, 2**63, -(2**31), 10**400, float("nan"), float("inf"), 1e308, -0.0]),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(["1e999999999", "1/0", "30000/1001", "9" * 5000, "\ud800", "a\nb"]),
)
ANYTHING = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner),
    max_leaves=4,
)


def places(data, path=()):
    """Every place in nested objects and lists."""
    yield path
    entries = data.items() if isinstance(data, dict) else enumerate(data)
    for key, value in entries:
        if isinstance(value, dict | list):
            yield from places(value, (*path, key))
        else:
            yield (*path, key)


PLACES = [path for path in places(WHOLE) if path]


@st.composite
def lying_logs(draw):
    """A log of which up to three entries are missing or hold anything."""
    data = json.loads(json.dumps(WHOLE))
    for _ in range(draw(st.integers(1, 3))):
        *way, last = draw(st.sampled_from(PLACES))
        at = data
        try:
            for key in way:
                at = at[key]
            if draw(st.booleans()) and draw(st.booleans()):
                del at[last]
            else:
                at[last] = draw(ANYTHING)
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change has taken it away
    return data


@st.composite
def damaged_texts(draw):
    """A log's bytes, cut, overwritten or repeated."""
    text = to_json(a_log()).encode()
    at = draw(st.integers(0, len(text)))
    size = draw(st.integers(0, 40))
    filling = draw(
        st.binary(max_size=6) | st.sampled_from([b'"', b"}", b"-", b"9" * 4400, b"[" * 40])
    )
    return text[:at] + filling + text[at + size :]


def held(read, path):
    """The log; None where it is refused in one line that names the file."""
    try:
        return read(path)
    except FlashpanError as error:
        text = str(error)
        assert str(path) in text
        assert len(text.splitlines()) == 1
        assert len(text) < 1000 + len(str(path))
        return None


def require_sound(log, read, path):
    """A log that was read can be shown in every form, written, and read again as it is."""
    format_table(log)
    assert len(list(csv_rows(log))) == len(log.events)
    path.write_text(to_json(log), encoding="utf-8")
    assert to_json(read(path)) == to_json(log)


@pytest.mark.parametrize("read", [read_log, read_edited_log])
@drawn
@given(data=lying_logs())
@example(data=WHOLE | {"schema": 10**400})
@example(data=WHOLE | {"schema": "1"})
@example(data=WHOLE | {"take": WHOLE["take"] | {"capture_rate_exact": "1e999999999"}})
@example(data=WHOLE | {"take": WHOLE["take"] | {"capture_rate": 0, "capture_rate_exact": "0"}})
@example(data=WHOLE | {"take": WHOLE["take"] | {"trigger_frame": 10**400}})
@example(data=WHOLE | {"take": WHOLE["take"] | {"frames": "many"}})
@example(data=WHOLE | {"events": [WHOLE["events"][0] | {"strength": 10**400}]})
@example(data=WHOLE | {"ranges": [{"first": 3}]})
def test_a_log_that_lies(read, data, tmp_path):
    path = tmp_path / "a.events.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    log = held(read, path)
    if log is not None:
        require_sound(log, read, path)


@pytest.mark.parametrize("read", [read_log, read_edited_log])
@drawn
@given(text=damaged_texts() | st.binary(max_size=60))
@example(text=b"[" * 100_000)
@example(text=b'{"a":' * 100_000)
@example(text=b"null")
@example(text=b"\xff\xfe{}")
def test_a_log_that_is_damaged(read, text, tmp_path):
    path = tmp_path / "a.events.json"
    path.write_bytes(text)
    log = held(read, path)
    if log is not None:
        require_sound(log, read, path)


@pytest.mark.parametrize("make", [a_log, an_empty_log])
@pytest.mark.parametrize("read", [read_log, read_edited_log])
def test_a_whole_log_comes_back(make, read, tmp_path):
    path = tmp_path / "a.events.json"
    path.write_text(to_json(make()))
    assert to_json(read(path)) == to_json(make())


KEYS = st.sampled_from(
    (
        *("capture-rate", "pre-roll", "merge_gap", "roi", "detectors", "false-alarms", "raw"),
        *("first", "also", "how", "folder", "take", "slate", "x y", ""),
    )
)
TOML_VALUES = st.one_of(
    st.integers(),
    st.floats(),
    st.booleans(),
    st.text(string.printable, max_size=10).map(json.dumps),
    st.sampled_from(
        (
            *("10%", "[1, 2, 3, 4]", "[[0, 0, 1, 1]]", "{ a = 1 }", "1979-05-27", "12:00:00"),
            *('"1e999999999"', '"5ms"', "1e999", "0x7fffffffffffffffffff", "9" * 4400, "[" * 200),
        )
    ),
).map(lambda value: value if isinstance(value, str) else str(value).lower())
LINES = st.one_of(
    st.builds('"{}" = {}'.format, KEYS, TOML_VALUES),
    st.builds("[{}]".format, KEYS),
    st.builds(
        '[{}."{}"]'.format,
        st.sampled_from(["folder", "take", "night"]),
        st.sampled_from(["*", "[", ""]),
    ),
    st.text(max_size=20),
)


@drawn
@given(text=st.lists(LINES, max_size=6).map("\n".join))
@example(text="capture-rate = " + "[" * 100_000)
@example(text="a.b = 1\n" * 3)
@example(text='capture-rate = "1e999999999"')
@example(text="first = " + "9" * 5000)
@example(text='[take."["]\npre-roll = 3')
def test_a_settings_file_of_anything(text, tmp_path):
    path = tmp_path / "flashpan.toml"
    path.write_text(text, encoding="utf-8", errors="surrogatepass", newline="")
    file = held(read_settings_file, path)
    if file is not None:
        tomllib.loads(path.read_text(encoding="utf-8"))  # what was taken is TOML
        assert file.for_take("night/a.mp4").merged_with(file.everywhere) is not None


@drawn
@given(text=st.binary(max_size=80))
def test_a_settings_file_of_any_bytes(text, tmp_path):
    path = tmp_path / "flashpan.toml"
    path.write_bytes(text)
    held(read_settings_file, path)
