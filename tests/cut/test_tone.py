import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from picture_fixtures import a_picture
from still_fixtures import noise

from flashpan.cut.tone import FULL, Tone, stretched, toned


class TestFull:
    @pytest.mark.parametrize("bits", range(8, 17))
    def test_full_scale_becomes_8_bits(self, bits):
        codes = np.arange(1 << bits).astype(np.uint8 if bits == 8 else np.uint16)
        shown = toned(a_picture(codes[None], bits))[0]
        exact = codes * 255.0 / ((1 << bits) - 1)
        np.testing.assert_allclose(shown, exact, atol=0.5)
        assert (shown[0], shown[-1]) == (0, 255)

    def test_8_bits_stay(self):
        codes = noise(9, 9, 3)
        np.testing.assert_array_equal(toned(a_picture(codes)), codes)

    def test_limited_range_is_opened(self):
        picture = a_picture(np.array([[0, 64, 502, 940, 1023]], np.uint16), 10)
        object.__setattr__(picture, "black", 64)
        object.__setattr__(picture, "white", 940)
        assert toned(picture)[0].tolist() == [0, 0, 128, 255, 255]

    def test_values_beyond_the_depth_are_white(self):
        assert toned(a_picture(np.array([[65535]], np.uint16), 10))[0, 0] == 255


class TestStretch:
    def test_what_is_used_fills_the_range(self):
        ramp = np.tile(np.linspace(100, 900, 801).astype(np.uint16), (10, 1))
        pictures = [a_picture(ramp, 12)]
        tone = stretched(pictures, tail_percent=0)
        assert tone == Tone(pytest.approx(100 / 4095), pytest.approx(900 / 4095))
        shown = toned(pictures[0], tone)
        assert (shown[0, 0], shown[0, -1]) == (0, 255)
        assert shown[0, 400] in (127, 128)  # the middle lies halfway between both
        assert tone.text(pictures[0]) == "tone stretched: 100 to 900 of 0 to 4095"

    def test_is_of_all_frames_together(self):
        dark, bright = (a_picture(np.full((8, 8), level, np.uint8)) for level in (10, 200))
        assert stretched([dark, bright], 0) == Tone(
            pytest.approx(10 / 255), pytest.approx(200 / 255)
        )

    def test_one_stretch_for_all_channels(self):
        picture = a_picture(np.dstack([np.full((8, 8), v, np.uint8) for v in (40, 80, 120)]))
        tone = stretched([picture], 0)
        red, green, blue = toned(picture, tone)[0, 0].tolist()
        assert (red, blue) == (0, 255)
        assert green in (127, 128)

    def test_noise_is_not_blown_up(self):
        flat = a_picture(np.full((8, 8), 500, np.uint16), 12)
        tone = stretched([flat])
        assert tone.high - tone.low == pytest.approx(1 / 255)
        assert 0 < toned(flat, tone)[0, 0] < 255

    def test_no_pictures_no_stretch(self):
        assert stretched([]) == FULL
        assert FULL.text(a_picture(noise(2, 2))) == "full tone range"

    @settings(deadline=None)
    @given(st.lists(st.integers(0, 4095), min_size=1, max_size=30))
    def test_is_always_a_part_of_the_range(self, codes):
        picture = a_picture(np.array([codes], np.uint16), 12)
        tone = stretched([picture])
        assert 0 <= tone.low < tone.high <= 1 + 1e-12
        shown = toned(picture, tone)[0].astype(int)
        assert (np.diff(shown[np.argsort(codes)]) >= 0).all()
