import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashpan.errors import UsageError
from flashpan.readers import pfnc
from flashpan.readers.geometry import parse_geometry


@given(
    cols=st.integers(1, 11000),
    rows=st.integers(1, 11000),
    name=st.sampled_from(pfnc.NAMES),
    offset=st.none() | st.integers(0, 10**15),
)
def test_what_is_written_is_what_is_read(cols, rows, name, offset):
    text = f"{cols}x{rows}:{name}" + ("" if offset is None else f"+{offset}")
    geometry = parse_geometry(text)
    assert (geometry.cols, geometry.rows) == (cols, rows)
    assert geometry.pixel_format.name == name
    assert geometry.offset_bytes == (offset or 0)


@given(st.text(max_size=40).filter(lambda text: "x" not in text.lower()))
def test_anything_else_is_a_usage_error_in_one_line(text):
    with pytest.raises(UsageError) as caught:
        parse_geometry(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "for example"),
        ("640x480", "for example"),
        ("640*480:Mono8", "for example"),
        ("640x480:Mono8+", "for example"),
        ("640x480:Mono8-5", "for example"),
        ("640x480:Mono13", "Mono12p"),
        ("0x480:Mono8", "0x480 pixels are no picture; for example"),
        ("99999999x99999999:Mono16", "FLASHPAN_MAX_PIXELS sets how many"),
    ],
)
def test_malformed_geometry_names_the_cure(text, says):
    with pytest.raises(UsageError, match=says):
        parse_geometry(text)


@pytest.mark.parametrize(
    ("text", "n_bytes"),
    [
        ("640x480:Mono8", 307200),
        ("640x480:Mono12", 614400),
        ("640x480:Mono12p", 460800),
        ("640x480:Mono10p", 384000),
        ("640x480:Mono10Packed", 460800),
        ("3x3:Mono12p", 14),
        ("3x1:Mono10p", 4),
    ],
)
def test_frame_size_in_bytes(text, n_bytes):
    assert parse_geometry(text).frame_bytes == n_bytes
