from fractions import Fraction

import av
import numpy as np
import pytest
import video_fixtures as video
from log_fixtures import a_take
from still_fixtures import noise

from flashpan.cut.native import of_frame, of_video, of_video_frames
from flashpan.errors import TakeError
from flashpan.model import Frame


def solid(pixels, codes, matrix=None, shape=(16, 16)):
    """A planar YUV frame of one colour, codes in the order Y, Cb, Cr."""
    depth = av.VideoFormat(pixels).components[0].bits
    kind = np.uint8 if depth == 8 else np.uint16
    frame = video.frame_of(np.full(shape, codes[0], kind), pixels)
    for plane, code in zip(frame.planes[1:], codes[1:], strict=True):
        samples = np.frombuffer(plane, kind.__name__).reshape(plane.height, -1)
        samples[:] = code
    if matrix is not None:
        frame.colorspace = matrix
    return frame


class TestGrey:
    @pytest.mark.parametrize(
        ("pixels", "bits"), [("gray", 8), ("gray10le", 10), ("gray12le", 12), ("gray16be", 16)]
    )
    def test_gives_the_code_values(self, pixels, bits):
        codes = noise(24, 34, bits=bits)
        shown = of_video(video.frame_of(codes, pixels), 7)
        np.testing.assert_array_equal(shown.pixels, codes)
        assert (shown.index, shown.bit_depth, shown.is_native) == (7, bits, True)
        assert (shown.black, shown.white) == (0, (1 << bits) - 1)
        assert shown.pixels.dtype.isnative

    def test_knows_limited_range(self):
        frame = video.frame_of(noise(8, 8, bits=10), "gray10le")
        frame.color_range = 1
        shown = of_video(frame, 0)
        assert (shown.black, shown.white) == (64, 940)

    def test_a_mosaic_stays_as_it_is(self):
        codes = noise(8, 8)
        frame = av.VideoFrame(8, 8, "bayer_rggb8")
        video._put(frame.planes[0], codes)
        np.testing.assert_array_equal(of_video(frame, 0).pixels, codes)


class TestRgb:
    @pytest.mark.parametrize(
        ("pixels", "bits"),
        [
            ("rgb24", 8),
            ("bgr24", 8),
            ("gbrp", 8),
            ("gbrp10le", 10),
            ("gbrp12be", 12),
            ("rgb48le", 16),
            ("bgr48le", 16),
            ("gbrp16le", 16),
        ],
    )
    def test_gives_the_code_values(self, pixels, bits):
        rgb = noise(24, 34, 3, bits=bits)
        frame = av.VideoFrame.from_ndarray(rgb[..., ::-1] if "bgr" in pixels else rgb, pixels)
        shown = of_video(frame, 0)
        np.testing.assert_array_equal(shown.pixels, rgb)
        assert (shown.bit_depth, shown.is_native) == (bits, True)

    @pytest.mark.parametrize("pixels", ["rgba", "bgra", "argb", "bgr0", "gbrap"])
    def test_leaves_out_alpha(self, pixels):
        rgb = noise(24, 34, 3)
        frame = av.VideoFrame.from_ndarray(rgb, "rgb24").reformat(format=pixels)
        np.testing.assert_array_equal(of_video(frame, 0).pixels, rgb)

    def test_float_pixels_are_refused_with_the_cure(self):
        with pytest.raises(TakeError, match=r"gbrpf32le cannot be turned .*; convert the take"):
            of_video(av.VideoFrame(8, 8, "gbrpf32le"), 0)


# Code values of full colours from Recommendation ITU-R BT.709-6 (items 3.2 to 3.5) and
# BT.601-7 (2.5.1 to 2.5.3): Y = 16 + 219 Y', C = 128 + 224 C', rounded; computed by hand.
COLOURS = [
    ("bt709 red", 1, (63, 102, 240), (1, 0, 0)),
    ("bt709 green", 1, (173, 42, 26), (0, 1, 0)),
    ("bt709 blue", 1, (32, 240, 118), (0, 0, 1)),
    ("bt601 red", 5, (81, 90, 240), (1, 0, 0)),
    ("bt601 green", 5, (145, 54, 34), (0, 1, 0)),
    ("bt601 blue", 5, (41, 240, 110), (0, 0, 1)),
    ("white", 1, (235, 128, 128), (1, 1, 1)),
    ("black", 1, (16, 128, 128), (0, 0, 0)),
]


class TestYuv:
    @pytest.mark.parametrize(
        ("matrix", "codes", "colour"), [row[1:] for row in COLOURS], ids=[row[0] for row in COLOURS]
    )
    @pytest.mark.parametrize("pixels", ["yuv420p", "yuv444p"])
    def test_the_standards_code_values(self, pixels, matrix, codes, colour):
        shown = of_video(solid(pixels, codes, matrix), 0)
        assert (shown.bit_depth, shown.is_native) == (16, False)
        # half a code value of the rounded 8-bit inputs, through the steepest coefficient
        np.testing.assert_allclose(shown.pixels[8, 8] / 65535, colour, atol=0.5 / 219 * 3)

    @pytest.mark.parametrize(
        ("pixels", "black", "white"),
        [
            ("yuv420p", 16, 235),
            ("yuvj422p", 0, 255),
            ("yuv422p10le", 64, 940),
            ("yuv444p12le", 256, 3760),
            ("yuv444p16le", 4096, 60160),
        ],
    )
    def test_black_and_white_are_exact_at_every_depth(self, pixels, black, white):
        middle = 1 << (av.VideoFormat(pixels).components[0].bits - 1)
        for code, level in ((black, 0), (white, 65535)):
            shown = of_video(solid(pixels, (code, middle, middle)), 0)
            assert np.unique(shown.pixels).tolist() == [level]

    def test_the_steps_of_a_ramp_are_kept(self):
        ramp = np.tile(np.arange(64, 940, dtype=np.uint16), (4, 1))
        shown = of_video(video.frame_of(ramp, "yuv422p10le"), 0)
        expected = (ramp - 64.0) / 876 * 65535
        np.testing.assert_allclose(shown.pixels[..., 1], expected, atol=1)

    def test_agrees_with_ffmpegs_own_conversion(self):
        rng = np.random.default_rng(3)
        rgb = np.repeat(np.repeat(rng.integers(30, 220, (4, 4, 3)), 16, 0), 16, 1).astype(np.uint8)
        frame = av.VideoFrame.from_ndarray(rgb, "rgb24").reformat(
            format="yuv444p", dst_colorspace=1, dst_color_range=1
        )
        frame.colorspace, frame.color_range = 1, 1
        shown = of_video(frame, 0)
        np.testing.assert_allclose(shown.pixels / 257, rgb, atol=2.5)  # of 8-bit YUV's rounding

    def test_where_no_matrix_is_named_the_size_tells(self):
        codes = (63, 102, 240)  # red in BT.709
        shapes = ((576, 16), (720, 16))
        small, large = (of_video(solid("yuv420p", codes, shape=shape), 0) for shape in shapes)
        assert np.abs(large.pixels[8, 8] / 65535 - (1, 0, 0)).max() < 0.01
        assert np.abs(small.pixels[8, 8] / 65535 - (1, 0, 0)).max() > 0.03


def test_a_range_of_a_decoded_file_keeps_its_numbers(tmp_path):
    path = video.take(tmp_path / "a.mkv", "ffv1", "gray12le", 10, 12)
    with av.open(path) as container:
        pictures = container.decode(video=0)
        for _ in range(4):
            next(pictures)
        shown = list(of_video_frames(pictures, 4, 7, "ffv1"))
    assert [one.index for one in shown] == [4, 5, 6, 7]
    for one in shown:
        np.testing.assert_array_equal(one.pixels, video.scene(one.index, 12))


def test_a_turned_take_is_turned(tmp_path):
    path = video.encode(
        tmp_path / "a.mov",
        "png",
        [av.VideoFrame.from_ndarray(noise(16, 32, 3), "rgb24")],
        turn={"degrees": 90},
    )
    with av.open(path) as container:
        shown = of_video(next(container.decode(video=0)), 0)
    info, _ = video.read(path)
    assert shown.pixels.shape == (*info.shape, 3)
    turned = [np.rot90(noise(16, 32, 3), k) for k in (1, 3)]
    assert any(np.array_equal(shown.pixels, one) for one in turned)


def test_what_a_reader_delivers():
    take = a_take(limited_range=True, bit_depth=10, capture_rate=Fraction(5))
    luma = noise(4, 4, bits=10)
    shown = of_frame(Frame(index=3, luma=luma), take)
    assert (shown.index, shown.bit_depth, shown.black, shown.white) == (3, 10, 64, 940)
    np.testing.assert_array_equal(shown.pixels, luma)
