import json
import os
import struct
import subprocess
from fractions import Fraction

import cv2
import numpy as np
import pytest
from log_fixtures import a_take
from picture_fixtures import a_picture, clip, needs_ffmpeg
from PIL import ImageFont
from still_fixtures import noise

from flashpan.atomic import new_file
from flashpan.cut.burnin import (
    LEAST_STRIP_COLS,
    Strip,
    centred,
    drawable,
    enlarged,
    enlargement,
    made_even,
)
from flashpan.cut.tone import Tone
from flashpan.cut.viewing import viewing_need, write_viewing_copy
from flashpan.errors import TakeError

RATE = Fraction(30_000, 1001)
FFPROBE = "-v error -count_frames -show_streams -show_format -of json"


def write(path, pictures, n=8, **how):
    return write_viewing_copy(pictures, path, a_take(), (5100, 5100 + n - 1), **how)


def opencv_frames(path):
    capture = cv2.VideoCapture(str(path))
    frames = []
    while True:
        there, frame = capture.read()
        if not there:
            return frames, capture.get(cv2.CAP_PROP_FPS)
        frames.append(frame)


def boxes(data):
    """Names of the outermost boxes of an MP4 file (ISO/IEC 14496-12, 4.2)."""
    at = 0
    while at < len(data):
        size, name = struct.unpack_from(">I4s", data, at)
        yield name.decode()
        at += size


class TestViewingCopy:
    @pytest.mark.parametrize("bits", [8, 10, 12, 16])
    def test_opens_in_opencv_with_every_frame_and_the_rate(self, tmp_path, bits):
        path = tmp_path / "a.mp4"
        made = write(path, clip(bits=bits))
        frames, rate = opencv_frames(path)
        assert len(frames) == made.n_frames == 8
        assert rate == pytest.approx(float(RATE), abs=1e-6)
        assert frames[0].shape[:2] == made.shape
        assert made.rate == RATE

    def test_tones_are_right(self, tmp_path):
        path = tmp_path / "a.mp4"
        write(path, clip(bits=12), burn_in=False)
        frames, _ = opencv_frames(path)
        for frame, picture in zip(frames, clip(bits=12), strict=True):
            shown = picture.pixels / 4095 * 255
            assert np.abs(frame[..., 1] - shown).mean() < 1.5  # of coding and limited range

    def test_black_and_white_stay(self, tmp_path):
        path = tmp_path / "a.mp4"
        halves = np.repeat(np.repeat(np.array([[0, 4095]], np.uint16), 32, 1), 64, 0)
        write(path, [a_picture(halves, 12)], 1, burn_in=False)
        frames, _ = opencv_frames(path)
        assert frames[0][:, :24].max() <= 2
        assert frames[0][:, 40:].min() >= 253

    def test_a_stretch_is_seen(self, tmp_path):
        path = tmp_path / "a.mp4"
        dark = [a_picture(np.full((64, 64), 100, np.uint16), 12)]
        made = write(path, dark, 1, burn_in=False, tone=Tone(0, 200 / 4095))
        assert made.tone == "tone stretched: 0 to 200 of 0 to 4095"
        frames, _ = opencv_frames(path)
        assert abs(float(frames[0].mean()) - 127.5) < 3

    @needs_ffmpeg
    def test_the_ffmpeg_command_agrees(self, tmp_path):
        path = tmp_path / "a.mp4"
        made = write(path, clip())
        run = subprocess.run(
            ["ffprobe", *FFPROBE.split(), path],
            capture_output=True,
            check=True,
        )
        said = json.loads(run.stdout)
        stream = said["streams"][0]
        assert (stream["codec_name"], stream["pix_fmt"]) == ("h264", "yuv420p")
        assert (stream["nb_read_frames"], stream["avg_frame_rate"]) == ("8", "30000/1001")
        assert (stream["color_range"], stream["color_space"]) == ("tv", "bt709")
        assert (stream["height"], stream["width"]) == made.shape
        assert said["format"]["tags"]["comment"].startswith("viewing copy; first=5100; last=5107")

    def test_the_index_comes_before_the_pictures(self, tmp_path):
        path = tmp_path / "a.mp4"
        write(path, clip())
        order = list(boxes(path.read_bytes()))
        assert order.index("moov") < order.index("mdat")

    @pytest.mark.parametrize("shape", [(47, 63), (48, 63), (47, 64), (1, 1), (2, 500), (500, 2)])
    def test_odd_and_tiny_sizes(self, tmp_path, shape):
        path = tmp_path / "a.mp4"
        pictures = [a_picture(noise(*shape, seed=k)) for k in range(3)]
        bare = write(path, pictures, 3, burn_in=False)
        assert bare.shape == tuple(side + side % 2 for side in shape)
        assert len(opencv_frames(path)[0]) == 3
        with_strip = write(path, pictures, 3)
        assert with_strip.shape[1] >= LEAST_STRIP_COLS
        assert len(opencv_frames(path)[0]) == 3

    def test_colour(self, tmp_path):
        path = tmp_path / "a.mp4"
        red = np.zeros((64, 64, 3), np.uint16)
        red[..., 0] = 1023
        write(path, [a_picture(red, 10)], 1, burn_in=False)
        blue, green, red = opencv_frames(path)[0][0][32, 32].astype(int)
        # OpenCV turns all video into RGB by BT.601, which shifts red a little
        assert red > 245
        assert max(blue, green) < 40

    def test_the_picture_is_not_covered(self, tmp_path):
        path = tmp_path / "a.mp4"
        made = write(path, clip(shape=(240, 640)))
        frame = opencv_frames(path)[0][0]
        shown = next(clip(shape=(240, 640))).pixels
        assert made.factor == 1
        assert made.shape[0] > 240
        assert np.abs(frame[:240, :, 1].astype(int) - shown).mean() < 1.5

    def test_no_picture_is_one_line(self, tmp_path):
        with pytest.raises(TakeError, match=r"a\.mp4: no frame from 5100 to 5107 decodes"):
            write(tmp_path / "a.mp4", [])

    def test_without_a_playback_rate_it_plays_at_25(self, tmp_path):
        take = a_take(playback_rate=None, capture_rate=None)
        made = write_viewing_copy(clip(), tmp_path / "a.mp4", take, (5100, 5107))
        assert made.rate == 25

    @pytest.mark.parametrize("channels", [1, 3])
    @pytest.mark.parametrize("shape", [(32, 32), (96, 128), (200, 240)])
    def test_size_is_foretold_even_of_noise(self, tmp_path, channels, shape):
        full = shape if channels == 1 else (*shape, channels)
        pictures = [a_picture(noise(*full, seed=k)) for k in range(12)]
        for burn_in in (False, True):
            write(tmp_path / "a.mp4", pictures, 12, burn_in=burn_in)
            size = (tmp_path / "a.mp4").stat().st_size
            assert size <= viewing_need(12, shape, burn_in).n_bytes

    def test_a_full_disk(self, small_disk):
        def fill():
            with new_file(small_disk / "a.mp4") as part:
                pictures = (a_picture(noise(256, 256, 3, seed=k)) for k in range(60))
                write(part, pictures, 60)

        with pytest.raises(TakeError, match=r"a\.mp4: cannot be written \(No space left"):
            fill()
        assert os.listdir(small_disk) == []


class TestStrip:
    def strip(self, cols=640, **more):
        return Strip(take=a_take(**more), cols=cols, frames=(0, 999_999), note="full tone range")

    def test_three_clocks(self):
        strip = self.strip(playback_rate=Fraction(25))
        assert strip.clocks(5100) == (
            ("frame", "5100"),
            ("real time from trigger", "+50.000 ms"),
            ("playback time", "0:03:24.000"),
        )

    def test_what_is_not_known_says_so(self):
        strip = self.strip(capture_rate=None, playback_rate=None, trigger_frame=None)
        assert strip.clocks(7) == (
            ("frame", "7"),
            ("real time from frame 0", "not known"),
            ("playback time", "not known"),
        )
        assert strip.about() == (
            "a, shot at an unknown rate, watched at an unknown rate, full tone range"
        )

    @pytest.mark.parametrize("cols", [320, 480, 640, 1280, 4096])
    def test_every_frame_of_a_long_take_fits(self, cols):
        strip = self.strip(cols)
        sizes = set()
        for frame in (0, 5, 99_999, 999_999):
            drawn = strip.drawn(frame)
            sizes.add(drawn.shape)
            assert drawn.shape[1] == cols
            assert drawn.max() > 200  # there is text
            edge = drawn[:, -4:]
            assert (edge == edge[0, 0]).all()  # and none of it cut off
            assert (drawn[-3:] == edge[0, 0]).all()
        assert len(sizes) == 1  # or no video could be made of it
        assert next(iter(sizes))[0] % 2 == 0

    def test_neighbours_differ(self):
        strip = self.strip()
        assert not np.array_equal(strip.drawn(5100), strip.drawn(5101))

    def test_microseconds_are_said_in_letters_that_the_font_has(self):
        take = a_take(capture_rate=Fraction(1_000_000))
        strip = Strip(take=take, cols=640, frames=(101, 102))
        said = drawable(strip.clocks(101)[1][1])
        assert said in ("+1 us", "+1 µs")
        font = ImageFont.load_default(20)
        missing = np.asarray(font.getmask("\ufffe")).tolist()
        assert missing not in [np.asarray(font.getmask(char)).tolist() for char in said]

    def test_other_letters_are_not_left_as_boxes(self):
        assert drawable("storm 3") == "storm 3"
        assert drawable("Brücke") in ("Brücke", "Brucke")
        assert drawable("\ue000\ue001") == "??"


class TestSizes:
    @pytest.mark.parametrize(
        ("shape", "factor"),
        [((64, 128), 4), ((720, 1280), 1), ((600, 64), 1), ((8, 8), 60), ((300, 300), 2)],
    )
    def test_small_pictures_are_enlarged(self, shape, factor):
        assert enlargement(shape) == factor

    def test_every_pixel_becomes_a_square(self):
        picture = noise(3, 4)
        large = enlarged(picture, 3)
        assert large.shape == (9, 12)
        np.testing.assert_array_equal(large[1::3, 1::3], picture)

    def test_an_odd_side_repeats_its_last_line(self):
        picture = noise(3, 5, 3)
        even = made_even(picture)
        assert even.shape == (4, 6, 3)
        np.testing.assert_array_equal(even[:3, :5], picture)
        np.testing.assert_array_equal(even[3, :5], picture[2])
        np.testing.assert_array_equal(even[:3, 5], picture[:, 4])

    def test_a_narrow_picture_stands_in_the_middle(self):
        picture = noise(4, 6, 3)
        wide = centred(picture, 11)
        assert wide.shape == (4, 11, 3)
        np.testing.assert_array_equal(wide[:, 2:8], picture)
