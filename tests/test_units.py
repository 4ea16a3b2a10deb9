from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashpan.errors import RegionError, SettingsError
from flashpan.model import Region
from flashpan.units import (
    Duration,
    decimal_text,
    format_playback,
    format_rate,
    format_real,
    parse_duration,
    parse_rate,
    parse_region,
    playback_time,
    real_time,
)


class TestDuration:
    @pytest.mark.parametrize(
        ("text", "frames_at_100k"),
        [
            ("12", 12),
            ("0", 0),
            ("5ms", 500),
            ("200us", 20),
            ("200µs", 20),  # micro sign, U+00B5
            ("200μs", 20),  # Greek mu, U+03BC
            ("1.5s", 150_000),
            (" 1.5 S ", 150_000),
            (".5ms", 50),
        ],
    )
    def test_reads_every_unit(self, text, frames_at_100k):
        assert parse_duration(text).frames(Fraction(100_000)) == frames_at_100k

    def test_is_exact_where_floats_are_not(self):
        assert int(0.29 * 100) == 28
        assert parse_duration("0.29s").frames(Fraction(100), "down") == 29

    @pytest.mark.parametrize(("rounding", "frames"), [("up", 2), ("down", 1), ("nearest", 2)])
    def test_rounds_as_told(self, rounding, frames):
        assert parse_duration("1.5ms").frames(Fraction(1000), rounding) == frames

    def test_frames_need_no_capture_rate(self):
        assert parse_duration("12").frames(None) == 12

    def test_real_time_without_capture_rate_says_the_cure(self):
        text = (
            r"--pre-roll 5ms is real time and needs the capture rate;"
            r" give --capture-rate, or frames"
        )
        with pytest.raises(SettingsError, match=text):
            parse_duration("5ms").frames(None, option="--pre-roll")

    @pytest.mark.parametrize("text", ["", "-3", "-5ms", "5 min", "5m", "1,5s", "ms", "1e3", "12f"])
    def test_refuses_what_is_no_duration(self, text):
        with pytest.raises(SettingsError, match=r"--post-roll .* is no duration; write frames"):
            parse_duration(text, "--post-roll")

    def test_refuses_a_part_of_a_frame(self):
        with pytest.raises(SettingsError, match=r"frames are whole; write 1\.5ms for time"):
            parse_duration("1.5")

    def test_cannot_be_built_wrong(self):
        with pytest.raises(SettingsError, match="frames are whole"):
            Duration(Fraction(1, 2))
        with pytest.raises(SettingsError, match="cannot be negative: -1"):
            Duration.of_frames(-1)

    @given(st.integers(0, 10**9), st.sampled_from(["", "s", "ms", "us"]))
    def test_text_reads_back(self, number, unit):
        duration = parse_duration(f"{number}{unit}")
        assert parse_duration(str(duration)) == duration

    @given(st.fractions(0, 100), st.fractions(1, 10**6))
    def test_rounding_up_covers_and_is_tight(self, seconds, rate):
        frames = Duration(seconds, is_real_time=True).frames(rate)
        assert frames / rate >= seconds > (frames - 1) / rate


class TestRate:
    @pytest.mark.parametrize(
        ("text", "rate"),
        [
            ("100000", Fraction(100_000)),
            ("12.5", Fraction(25, 2)),
            ("30000/1001", Fraction(30_000, 1001)),
            ("24.0", Fraction(24)),
            ("30.00", Fraction(30)),
            ("1000000.0", Fraction(10**6)),
            # SMPTE rates 24, 30, 48 and 60 over 1.001 are written so; common practice, no source
            ("23.976", Fraction(24_000, 1001)),
            ("23.98", Fraction(24_000, 1001)),
            ("29.97", Fraction(30_000, 1001)),
            ("29.97003", Fraction(30_000, 1001)),
            ("47.952", Fraction(48_000, 1001)),
            ("59.94", Fraction(60_000, 1001)),
            ("119.88", Fraction(120_000, 1001)),
            ("239.76", Fraction(240_000, 1001)),
        ],
    )
    def test_reads(self, text, rate):
        assert parse_rate(text) == rate

    @pytest.mark.parametrize("text", ["", "fast", "100,000", "25 fps", "1/0", "nan", "inf"])
    def test_refuses_what_is_no_rate(self, text):
        with pytest.raises(SettingsError, match=r"--capture-rate .* is no rate; write frames per"):
            parse_rate(text, "--capture-rate")

    @pytest.mark.parametrize("text", ["0", "-25", "0/5"])
    def test_refuses_zero_and_below(self, text):
        with pytest.raises(SettingsError, match="must be above zero"):
            parse_rate(text)


class TestRegion:
    SHAPE = (480, 640)

    @pytest.mark.parametrize(
        ("text", "box"),
        [
            ("0,0,640,480", (0, 0, 640, 480)),
            ("10, 20, 30, 40", (10, 20, 30, 40)),
            ("10%,0,50%,100%", (64, 0, 320, 480)),
            ("0,0,100%,100%", (0, 0, 640, 480)),
            ("639,479,1,1", (639, 479, 1, 1)),
            ("64,0,50%,10", (64, 0, 320, 10)),
        ],
    )
    def test_reads_pixels_and_percent(self, text, box):
        assert parse_region(text).resolve(self.SHAPE).as_box() == box

    def test_percent_rounds_outward(self):
        # 33.3 % of 10 pixels is 3.33 … 6.66: every pixel touched is in
        assert parse_region("33.3%,33.3%,33.3%,33.3%").resolve((10, 10)) == Region(3, 3, 4, 4)

    @given(*[st.integers(0, 1000)] * 2, *[st.integers(1, 1000)] * 2, *[st.integers(1, 2000)] * 2)
    def test_percent_never_leaves_the_picture(self, x, y, width, height, rows, cols):
        x, y = min(x, 999), min(y, 999)
        width, height = min(width, 1000 - x), min(height, 1000 - y)
        text = ",".join(f"{side / 10}%" for side in (x, y, width, height))
        region = parse_region(text).resolve((rows, cols))
        assert 0 <= region.left < region.right <= cols
        assert 0 <= region.top < region.bottom <= rows

    @pytest.mark.parametrize("text", ["641,0,1,1", "600,0,50%,1", "0,470,10,11", "50%,0,50.1%,1"])
    def test_outside_names_region_picture_and_cure(self, text):
        with pytest.raises(RegionError) as caught:
            parse_region(text).resolve(self.SHAPE)
        message = str(caught.value)
        assert text in message
        assert "640x480" in message
        assert "keep x + w within 640 and y + h within 480" in message

    @pytest.mark.parametrize("text", ["", "1,2,3", "1,2,3,4,5", "a,b,c,d", "-1,0,5,5", "1;2;3;4"])
    def test_refuses_what_is_no_region(self, text):
        with pytest.raises(RegionError, match=r"--roi .* is no region; write x,y,w,h"):
            parse_region(text, "--roi")

    @pytest.mark.parametrize("text", ["0,0,0,5", "0,0,5,0%"])
    def test_refuses_an_empty_one(self, text):
        with pytest.raises(RegionError, match="covers nothing"):
            parse_region(text)

    def test_refuses_a_part_of_a_pixel(self):
        with pytest.raises(RegionError, match="pixels are whole"):
            parse_region("0,0,1.5,1")

    def test_text_reads_back(self):
        spec = parse_region("10.5%,0,50%,100")
        assert parse_region(str(spec)) == spec


class TestClocks:
    def test_real_time_counts_from_frame_0_or_the_trigger(self):
        rate = Fraction(100_000)
        assert real_time(150, rate) == Fraction(150, 100_000)
        assert real_time(150, rate, 200) == Fraction(-50, 100_000)
        assert real_time(150, None, 200) is None

    def test_drop_frame_minutes(self):
        # SMPTE ST 12-1 drop-frame counting: 17,982 frames at 30000/1001 are ten minutes on the
        # clock to within a millisecond (rule read in copies, the standard not opened)
        seconds = playback_time(17_982, Fraction(30_000, 1001))
        assert abs(seconds - 600) < Fraction(1, 1000)
        assert format_playback(17_982, Fraction(30_000, 1001)) == "0:09:59.999"

    def test_sixty_at_twenty_four_is_two_and_a_half_times_slower(self):
        # common practice, no source
        slowed = playback_time(600, Fraction(24)) / real_time(600, Fraction(60))
        assert slowed == Fraction(5, 2)

    @pytest.mark.parametrize(
        ("seconds", "text"),
        [
            ("0", "0 s"),
            ("1/100000", "+10 µs"),
            ("-1/80000", "-12.5 µs"),
            ("1/3000000", "+0.333 µs"),
            ("999999/1000000000", "+999.999 µs"),
            ("9999999/10000000000", "+1.000 ms"),
            ("1/3", "+333.333 ms"),
            ("9999999999/10000000000", "+1.000000 s"),
            ("-123456789/10000", "-12345.678900 s"),
        ],
    )
    def test_real_time_picks_its_unit(self, seconds, text):
        assert format_real(Fraction(seconds)) == text

    def test_sign_may_be_left_out(self):
        assert format_real(Fraction(1, 1000), signed=False) == "1.000 ms"
        assert format_real(Fraction(-1, 1000), signed=False) == "-1.000 ms"
        assert format_real(None) == "-"

    @given(st.integers(1, 10**7))
    def test_neighbours_at_a_million_per_second_differ(self, frame):
        rate = Fraction(10**6)
        texts = {format_real(real_time(frame + step, rate)) for step in (0, 1)}
        assert len(texts) == 2

    @pytest.mark.parametrize(
        ("frame", "rate", "text"),
        [
            (0, 25, "0:00:00.000"),
            (37, 25, "0:00:01.480"),
            (25 * 3600, 25, "1:00:00.000"),
            (59_999_999, 10**6, "0:01:00.000"),
            (3_000_000, 25, "33:20:00.000"),
        ],
    )
    def test_playback_time(self, frame, rate, text):
        assert format_playback(frame, Fraction(rate)) == text

    def test_playback_without_a_rate_is_the_frame(self):
        assert format_playback(37, None) == "37 fr"

    def test_rates(self):
        assert format_rate(Fraction(100_000)) == "100,000"
        assert format_rate(Fraction(30_000, 1001)) == "29.97"
        assert format_rate(None) == "unknown"


@given(st.integers(-(10**12), 10**12), st.integers(0, 9))
def test_decimal_text_is_exact(mantissa, digits):
    value = Fraction(mantissa, 10**digits)
    assert Fraction(decimal_text(value)) == value


def test_decimal_text_of_what_has_none():
    assert decimal_text(Fraction(1, 3)) == "1/3"
