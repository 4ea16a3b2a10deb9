import os
from fractions import Fraction

import cv2
import numpy as np
import pytest
from log_fixtures import a_take
from picture_fixtures import a_picture, clip
from PIL import Image
from still_fixtures import noise

from flashpan.atomic import new_file
from flashpan.cut.preview import write_preview
from flashpan.errors import TakeError, UsageError


class TestPreview:
    def preview(self, path, n=8, pictures=None, **how):
        pictures = clip(n) if pictures is None else pictures
        return write_preview(pictures, path, a_take(), (5100, 5100 + n - 1), **how)

    @pytest.mark.parametrize(("suffix", "kind"), [(".gif", "GIF"), (".webp", "WEBP")])
    @pytest.mark.parametrize("channels", [1, 3])
    def test_opens_and_moves(self, tmp_path, suffix, kind, channels):
        path = tmp_path / f"a{suffix}"
        pictures = list(clip())
        if channels == 3:
            pictures = [
                a_picture(np.dstack([p.pixels, p.pixels // 2, p.pixels // 3]), 8, p.index)
                for p in pictures
            ]
        made = self.preview(path, pictures=pictures)
        assert made.frames == tuple(range(5100, 5108))
        with Image.open(path) as image:
            assert (image.format, image.n_frames, image.size[::-1]) == (kind, 8, made.shape)
            assert image.info["loop"] == 0
            image.seek(3)
            image.load()
            assert image.info["duration"] == 100  # milliseconds: ten a second

    def test_grey_pictures_keep_their_levels_in_gif(self, tmp_path):
        pictures = list(clip())
        self.preview(tmp_path / "a.gif", pictures=pictures, burn_in=False, cols=64)
        with Image.open(tmp_path / "a.gif") as image:
            for k, picture in enumerate(pictures):
                image.seek(k)
                np.testing.assert_array_equal(np.asarray(image.convert("L")), picture.pixels)

    def test_opencv_reads_the_gif_as_well(self, tmp_path):
        self.preview(tmp_path / "a.gif")
        capture = cv2.VideoCapture(str(tmp_path / "a.gif"))
        assert capture.read()[0]

    def test_long_ranges_are_thinned_and_the_flash_is_shown(self, tmp_path):
        made = self.preview(tmp_path / "a.gif", 50, most_frames=10, keep=(5107, 5108, 5149))
        assert made.step == 5
        assert made.frames == (5100, 5107, 5110, 5115, 5120, 5125, 5130, 5135, 5140, 5149)

    @pytest.mark.parametrize(
        ("suffix", "asked", "made"),
        [
            (".gif", Fraction(25), Fraction(25)),
            (".gif", Fraction(30), Fraction(100, 3)),
            (".gif", Fraction(120), Fraction(50)),
            (".webp", Fraction(30), Fraction(1000, 33)),
        ],
    )
    def test_says_the_rate_that_the_format_allows(self, tmp_path, suffix, asked, made):
        assert self.preview(tmp_path / f"a{suffix}", rate=asked).rate == made
        with Image.open(tmp_path / f"a{suffix}") as image:
            image.seek(1)
            image.load()
            assert Fraction(1000, image.info["duration"]) == made

    def test_never_more_than_allowed(self, tmp_path):
        for n in (1, 9, 10, 11, 19, 20, 21):
            made = self.preview(tmp_path / "a.gif", n, most_frames=10)
            assert len(made.frames) == -(-n // made.step) <= 10

    def test_large_pictures_are_reduced(self, tmp_path):
        pictures = [a_picture(noise(500, 800, seed=k), 8, 5100 + k) for k in range(3)]
        made = self.preview(tmp_path / "a.webp", 3, pictures, burn_in=False)
        assert made.shape == (200, 320)

    def test_another_ending_is_refused(self, tmp_path):
        with pytest.raises(UsageError, match=r"a\.mp4: a preview is a \.gif or \.webp file"):
            self.preview(tmp_path / "a.mp4")

    def test_no_picture_is_one_line(self, tmp_path):
        with pytest.raises(TakeError, match="no frame from 5100 to 5107 decodes"):
            self.preview(tmp_path / "a.gif", pictures=[])

    def test_a_full_disk(self, small_disk):
        def fill():
            with new_file(small_disk / "a.gif") as part:
                pictures = (a_picture(noise(320, 320, 3, seed=k), 8, k) for k in range(12))
                self.preview(part, 12, pictures)

        with pytest.raises(TakeError, match=r"a\.gif: cannot be written \(No space left"):
            fill()
        assert os.listdir(small_disk) == []
