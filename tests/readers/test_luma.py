import numpy as np
import pytest
from still_fixtures import noise, slow_rec709

from flashpan.readers.luma import rec709


@pytest.mark.parametrize("bits", [8, 16])
def test_grey_keeps_its_code_value(bits):
    grey = np.arange(1 << bits, dtype=np.uint8 if bits == 8 else np.uint16)
    np.testing.assert_array_equal(rec709(grey, grey, grey), grey)


# ITU-R BT.709-6, item 3.2: 0.2126, 0.7152, 0.0722; products worked out by hand.
@pytest.mark.parametrize(
    ("rgb", "luma"),
    [((255, 0, 0), 54), ((0, 255, 0), 182), ((0, 0, 255), 18), ((10, 200, 30), 147)],
)
def test_primaries(rgb, luma):
    planes = [np.array([value], np.uint8) for value in rgb]
    assert rec709(*planes).tolist() == [luma]


def test_halves_round_up():
    rgb = np.stack(np.meshgrid(*3 * [np.arange(128)]), -1).reshape(-1, 3)
    exact = rgb @ np.array([2126, 7152, 722])
    halves = exact % 10000 == 5000
    assert halves.any()
    luma = rec709(*rgb[halves].astype(np.uint8).T)
    np.testing.assert_array_equal(luma, exact[halves] // 10000 + 1)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_equals_the_slow_twin(bits):
    rgb = noise(13, 17, 3, bits=bits)
    luma = rec709(rgb[..., 0], rgb[..., 1], rgb[..., 2])
    assert luma.dtype == rgb.dtype
    np.testing.assert_array_equal(luma, slow_rec709(rgb))


def test_other_types_are_refused():
    plane = np.zeros(3, np.float32)
    with pytest.raises(TypeError, match="uint8"):
        rec709(plane, plane, plane)
