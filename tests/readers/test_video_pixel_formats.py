"""Luma out of the decoder's memory layouts, against swscale's repacking without rescaling."""

from __future__ import annotations

import av
import numpy as np
import pytest

from flashpan.readers._video_luma import luma_source

YUV = {
    8: "yuv420p yuv422p yuv444p yuv410p yuv411p yuv440p yuva420p nv12 nv21 nv16 nv24 yuyv422 "
    "uyvy422 yvyu422 vuya vuyx ayuv uyva vyu444",
    10: "yuv420p10le yuv420p10be yuv422p10le p010le p010be p210le p410le y210le nv20le",
    12: "yuv422p12le p012le p212le p412le y212le xv36le",
    16: "yuv444p16le yuv444p16be p016le p216le p416le y216le ayuv64le xv48le",
}
CASES = [(depth, name) for depth, names in YUV.items() for name in names.split()]


@pytest.mark.parametrize(("depth", "name"), CASES)
def test_yuv_layouts_give_the_luma_that_was_put_in(depth, name):
    """swscale packs planar 4:4:4 into the layout; between YUV layouts it moves luma unchanged."""
    plain = "yuv444p" if depth == 8 else f"yuv444p{depth}le"
    luma = np.random.default_rng(depth).integers(0, 1 << depth, (16, 48))
    luma = luma.astype(np.uint8 if depth == 8 else "<u2")
    frame = av.VideoFrame(48, 16, plain)
    for index, plane in enumerate(frame.planes):
        samples = luma if index == 0 else np.full_like(luma, 1 << (depth - 1))
        memory = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
        memory[:16, : 48 * samples.itemsize] = samples.view(np.uint8)
    try:
        packed = frame.reformat(format=name)
    except (av.FFmpegError, ValueError):
        pytest.skip(f"swscale does not write {name}")
    source = luma_source(packed.format)
    assert source.bit_depth == depth
    np.testing.assert_array_equal(source.samples(packed), luma)


RGB = (
    "rgb24 bgr24 rgba bgra argb abgr rgb0 bgr0 0rgb 0bgr gbrp gbrap rgb48le bgr48be rgba64le "
    "gbrp10le gbrp16be rgb565le bgr565be rgb555le bgr555le rgb444le rgb8 bgr8 rgb4_byte "
    "bgr4_byte x2rgb10le x2bgr10le"
)


@pytest.mark.parametrize("name", RGB.split())
def test_white_black_and_green_in_every_rgb_layout(name):
    # 16-bit layouts start from 16 bits: swscale does not stretch 255 to 65535.
    deep = "48" in name or "64" in name or "16" in name
    pictures = np.zeros((16, 48, 3), np.uint16 if deep else np.uint8)
    top = np.iinfo(pictures.dtype).max
    pictures[:, 16:32] = top
    pictures[:, 32:, 1] = top
    frame = av.VideoFrame.from_ndarray(pictures, "rgb48le" if deep else "rgb24")
    laid_out = frame.reformat(format=name)
    source = luma_source(laid_out.format)
    luma = source.samples(laid_out) / ((1 << source.bit_depth) - 1)
    # Green's weight, 0.7152: Recommendation ITU-R BT.709-6, item 3.2.
    for column, level in ((8, 0.0), (24, 1.0), (40, 0.7152)):
        assert luma[8, column] == pytest.approx(level, abs=0.003)


@pytest.mark.parametrize("name", ["monow", "monob"])
def test_one_bit_pictures(name):
    ramp = np.zeros((16, 40), np.uint8)
    ramp[:, 20:] = 255
    frame = av.VideoFrame.from_ndarray(ramp, "gray").reformat(format=name)
    source = luma_source(frame.format)
    bits = source.samples(frame)
    assert source.bit_depth == 1
    np.testing.assert_array_equal(bits[:, :18], 0)
    np.testing.assert_array_equal(bits[:, 22:], 1)


def test_float_gray_is_rounded_to_16_bits():
    frame = av.VideoFrame(16, 1, "grayf32le")
    memory = np.frombuffer(frame.planes[0], np.float32)
    memory[:5] = [-0.5, 0.0, 0.5, 1.0, 9.0]
    source = luma_source(frame.format)
    assert source.bit_depth == 16
    assert source.samples(frame)[0, :5].tolist() == [0, 0, 32768, 65535, 65535]


def test_float_rgb_is_rounded_to_16_bits():
    frame = av.VideoFrame(16, 1, "gbrpf32le")
    for plane, level in zip(frame.planes, (1.0, 0.0, 0.5), strict=True):  # G, B, R
        np.frombuffer(plane, np.float32)[:] = level
    source = luma_source(frame.format)
    wanted = round(65535 * (0.2126 * 0.5 + 0.7152))  # Recommendation ITU-R BT.709-6, item 3.2
    assert abs(int(source.samples(frame)[0, 0]) - wanted) <= 1


def test_unknown_layout_is_refused_by_name():
    with pytest.raises(ValueError, match="uyyvyy411"):
        luma_source(av.VideoFormat("uyyvyy411", 16, 16))
