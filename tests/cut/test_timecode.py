"""Timecodes, against worked values of SMPTE ST 12-1 counting.

Common practice, no source at hand: 10 minutes of drop-frame timecode at 30000/1001 hold 17982
frames, an hour 107892; 00:00:59;29 is followed by 00:01:00;02, and 00:09:59;29 by 00:10:00;00.
"""

from fractions import Fraction

import pytest

from flashpan.cut.timecode import fits, shifted

NTSC, NTSC60 = Fraction(30000, 1001), Fraction(60000, 1001)


@pytest.mark.parametrize(
    ("text", "n_frames", "rate", "wanted"),
    [
        ("01:00:00:00", 0, 25, "01:00:00:00"),
        ("01:00:00:00", 25 * 61 + 7, 25, "01:01:01:07"),
        ("23:59:59:24", 1, 25, "00:00:00:00"),
        ("00:00:00:00", 24 * 3600, Fraction(24000, 1001), "01:00:00:00"),
        ("00:00:00:00", 1800, NTSC, "00:01:00:00"),
        ("00:00:59;29", 1, NTSC, "00:01:00;02"),
        ("00:09:59;29", 1, NTSC, "00:10:00;00"),
        ("00:00:00;00", 17982, NTSC, "00:10:00;00"),
        ("00:00:00;00", 107892, NTSC, "01:00:00;00"),
        ("00:00:59;59", 1, NTSC60, "00:01:00;04"),
        ("00:00:00;00", 2 * 107892, NTSC60, "01:00:00;00"),
        ("23:59:59;29", 1, NTSC, "00:00:00;00"),
        ("10:00:00:00", 5, Fraction(10000), "10:00:00:05"),
        ("no timecode", 5, 25, None),
    ],
)
def test_counting(text, n_frames, rate, wanted):
    assert shifted(text, n_frames, Fraction(rate)) == wanted


@pytest.mark.parametrize(
    ("text", "rate", "wanted"),
    [
        ("01:00:00:24", 25, True),
        ("01:00:00:29", 25, False),
        ("00:01:00;02", Fraction(30000, 1001), True),
        ("00:01:00;00", Fraction(30000, 1001), False),  # a number that is left out
        ("00:01:00;02", 25, False),
    ],
)
def test_a_timecode_may_not_be_one_of_that_rate(text, rate, wanted):
    assert fits(text, Fraction(rate)) is wanted


def test_every_frame_of_half_an_hour_has_a_number_of_its_own():
    texts = [shifted("00:00:00;00", k, NTSC) for k in range(3 * 17982)]
    assert texts == sorted(set(texts))
    for text in texts:
        minute, second, frame = int(text[3:5]), int(text[6:8]), int(text[9:])
        assert frame > 1 or second or not minute % 10
