"""Unpackers against hand-computed bytes and slow twins written from the layout alone.

Hand values: PFNC 2.3 layouts from memory, agreeing with what the open-source library
harvesters 1.4.3 (``util/pfnc.py``, class methods ``expand``) returned for the same bytes.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashpan.readers import pfnc

BYTES = np.array([0x12, 0x34, 0x56, 0x78, 0x9A], np.uint8)


@pytest.mark.parametrize(
    ("name", "pixels"),
    [
        ("Mono8", [0x12, 0x34, 0x56, 0x78, 0x9A]),
        ("Mono16", [0x3412, 0x7856]),
        ("Mono12p", [0x412, 0x563]),
        ("Mono10p", [0x012, 0x18D, 0x385, 0x269]),
        ("Mono12Packed", [0x124, 0x563]),
        ("Mono10Packed", [0x048, 0x15B]),
        ("BayerRG12Packed", [0x124, 0x563]),
        ("BayerGB10p", [0x012, 0x18D, 0x385, 0x269]),
    ],
)
def test_hand_computed(name, pixels):
    pixel_format = pfnc.by_name(name)
    data = BYTES[: pixel_format.n_bytes(len(pixels))]
    assert pixel_format.unpack(data, len(pixels)).tolist() == pixels


def pack_slowly(values, pixel_format):
    """Pack pixel by pixel, bit by bit, with Python integers."""
    if pixel_format.layout == "paired":
        low = pixel_format.bits - 8
        packed = bytearray()
        for k in range(0, len(values), 2):
            pair = [*values[k : k + 2], 0][:2]
            rest = sum((value & ((1 << low) - 1)) << (4 * side) for side, value in enumerate(pair))
            packed += bytes([pair[0] >> low, rest, pair[1] >> low])
        return bytes(packed[: pixel_format.n_bytes(len(values))])
    stride = {"octets": 8, "words": 16, "contiguous": pixel_format.bits}[pixel_format.layout]
    whole = sum(value << (stride * k) for k, value in enumerate(values))
    return whole.to_bytes(pixel_format.n_bytes(len(values)), "little")


@pytest.mark.parametrize("name", pfnc.NAMES)
@given(data=st.data())
def test_equals_the_slow_twin(name, data):
    pixel_format = pfnc.by_name(name)
    values = data.draw(st.lists(st.integers(0, (1 << pixel_format.bits) - 1), min_size=1))
    packed = np.frombuffer(pack_slowly(values, pixel_format), np.uint8)
    unpacked = pixel_format.unpack(packed, len(values))
    assert unpacked.dtype == (np.uint8 if pixel_format.bits == 8 else np.uint16)
    assert unpacked.tolist() == values


def test_every_mono_and_bayer_format_asked_for_is_there():
    widths = ("8", "10", "12", "16", "10p", "12p", "10Packed", "12Packed")
    families = ("Mono", "BayerRG", "BayerGR", "BayerGB", "BayerBG")
    assert {f + w for f in families for w in widths} | {"Mono14"} == set(pfnc.NAMES)


def test_names_are_found_whatever_their_case():
    assert pfnc.by_name("mono12PACKED").name == "Mono12Packed"
    assert pfnc.by_name("Mono13") is None
