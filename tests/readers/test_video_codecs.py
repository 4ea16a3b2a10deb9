"""Every codec and container: the luma that went in comes out, in order, at native depth."""

from __future__ import annotations

import av
import cv2
import numpy as np
import pytest
from video_fixtures import (
    encode,
    frame_of,
    number_in,
    packed_yuv,
    palette_frame,
    psnr_db,
    read,
    scene,
    take,
)

N = 20
QUIET = {"x265-params": "log-level=none:pools=1"}
QUIET_LOSSLESS = {"x265-params": "log-level=none:pools=1:lossless=1"}

LOSSLESS = [
    ("mkv", "ffv1", "gray", 8, {}),
    ("mkv", "ffv1", "gray10le", 10, {}),
    ("mkv", "ffv1", "gray12le", 12, {}),
    ("mkv", "ffv1", "gray16le", 16, {}),
    ("mkv", "ffv1", "yuv420p", 8, {}),
    ("mkv", "ffv1", "yuv422p10le", 10, {}),
    ("mkv", "ffv1", "yuv444p12le", 12, {}),
    ("avi", "ffv1", "yuv420p16le", 16, {}),
    ("avi", "rawvideo", "yuv420p", 8, {}),
    ("avi", "rawvideo", "gray", 8, {}),
    ("mkv", "rawvideo", "gray", 8, {}),
    ("nut", "rawvideo", "gray16le", 16, {}),
    ("nut", "rawvideo", "gray10le", 10, {}),
    ("mov", "v210", "yuv422p10le", 10, {}),
    ("avi", "huffyuv", "yuv422p", 8, {}),
    ("avi", "ffvhuff", "gray16le", 16, {}),
    ("avi", "utvideo", "yuv420p", 8, {}),
    ("mp4", "libx264", "yuv420p", 8, {"qp": "0", "bf": "3"}),
    ("mkv", "libx264", "yuv444p", 8, {"qp": "0"}),
    ("mp4", "libx265", "yuv420p10le", 10, QUIET_LOSSLESS),
    ("mkv", "libx265", "gray12le", 12, QUIET_LOSSLESS),
    ("webm", "libvpx-vp9", "yuv420p", 8, {"lossless": "1"}),
    ("mov", "png", "gray16be", 16, {}),
]


@pytest.mark.parametrize(("ending", "codec", "pixels", "depth", "options"), LOSSLESS)
def test_lossless_takes_are_returned_bit_for_bit(tmp_path, ending, codec, pixels, depth, options):
    path = take(tmp_path / f"take.{ending}", codec, pixels, N, depth, options=options)
    info, frames = read(path)
    assert (info.n_frames, info.bit_depth, info.shape) == (N, depth, (64, 128))
    assert info.warnings == ()
    for index, frame in enumerate(frames):
        assert frame.index == index
        np.testing.assert_array_equal(frame.luma, scene(index, depth))


# Peak signal-to-noise ratio that each encoder keeps on this picture at these settings.
LOSSY = [
    ("mp4", "libx264", "yuv420p", 8, {"bf": "3", "b-pyramid": "normal"}, 38),
    ("mov", "libx264", "yuv422p10le", 10, {}, 38),
    ("mkv", "libx264", "yuv420p", 8, {"bf": "3"}, 38),
    ("ts", "libx264", "yuv420p", 8, {"bf": "2"}, 38),
    ("mxf", "libx264", "yuv422p10le", 10, {"g": "1"}, 38),
    ("mp4", "libx265", "yuv420p", 8, QUIET, 35),
    ("mkv", "libx265", "yuv420p10le", 10, QUIET, 35),
    ("avi", "mjpeg", "yuvj420p", 8, {"qscale": "2"}, 30),
    ("mov", "mjpeg", "yuvj422p", 8, {"qscale": "2"}, 30),
    ("mov", "prores_ks", "yuv422p10le", 10, {"profile": "3"}, 40),
    ("mxf", "dnxhd", "yuv422p", 8, {"profile": "dnxhr_hq"}, 40),
    ("mov", "dnxhd", "yuv422p10le", 10, {"profile": "dnxhr_hqx"}, 40),
    ("mov", "cfhd", "yuv422p10le", 10, {}, 40),
    ("webm", "libvpx-vp9", "yuv420p", 8, {"crf": "20", "b": "0", "deadline": "realtime"}, 33),
    ("avi", "mpeg4", "yuv420p", 8, {"bf": "2", "qscale": "2"}, 30),
]


@pytest.mark.parametrize(("ending", "codec", "pixels", "depth", "options", "least_db"), LOSSY)
def test_lossy_takes_keep_every_frame_in_order(
    tmp_path, ending, codec, pixels, depth, options, least_db
):
    size = (128, 256) if codec == "dnxhd" else (64, 128)
    path = take(tmp_path / f"take.{ending}", codec, pixels, N, depth, options=options, size=size)
    info, frames = read(path)
    assert info.n_frames == N
    assert info.bit_depth == depth
    assert [number_in(frame.luma, depth) for frame in frames] == list(range(N))
    worst = min(psnr_db(f.luma, scene(f.index, depth, *size), depth) for f in frames)
    assert worst > least_db


def test_long_take_with_reordered_pictures_keeps_the_order(tmp_path):
    path = take(tmp_path / "long.mp4", "libx264", "yuv420p", 200, options={"bf": "7"})
    info, frames = read(path)
    assert [number_in(frame.luma, 8) for frame in frames] == list(range(200))
    assert {"I", "P", "B"} == {frame.picture_type for frame in frames}
    assert frames[0].is_keyframe
    assert not all(frame.is_keyframe for frame in frames)
    assert not info.intra_only


@pytest.mark.parametrize(("pixels", "ending"), [("uyvy422", "mov"), ("yuyv422", "avi")])
def test_packed_yuv_gives_its_luma_bytes(tmp_path, pixels, ending):
    frames = [packed_yuv(scene(index), pixels) for index in range(5)]
    info, got = read(encode(tmp_path / f"take.{ending}", "rawvideo", frames))
    assert info.pixel_format == pixels
    assert info.limited_range
    for frame in got:
        np.testing.assert_array_equal(frame.luma, scene(frame.index))


def colours(index: int, depth: int) -> np.ndarray:
    """Random colours (rows, cols, 3) that fill the whole range of values."""
    kind = np.uint8 if depth == 8 else np.uint16
    draw = np.random.default_rng(index)
    return draw.integers(0, 1 << depth, (48, 64, 3), endpoint=False).astype(kind)


def bt709(rgb: np.ndarray) -> np.ndarray:
    """0.2126 R + 0.7152 G + 0.0722 B: Recommendation ITU-R BT.709-6, item 3.2."""
    tenths = rgb.astype(np.int64) @ np.array([2126, 7152, 722])
    return (tenths + 5000) // 10000


def planar_gbr(rgb: np.ndarray, pixels: str) -> av.VideoFrame:
    frame = av.VideoFrame(rgb.shape[1], rgb.shape[0], pixels)
    for plane, channel in zip(frame.planes, (1, 2, 0), strict=True):
        samples = np.ascontiguousarray(rgb[:, :, channel])
        memory = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
        memory[: rgb.shape[0], : rgb.shape[1] * samples.itemsize] = samples.view(np.uint8)
    return frame


RGB = [
    ("mov", "rawvideo", "rgb24", 8),
    ("avi", "rawvideo", "bgr24", 8),  # AVI keeps it bottom-up
    ("avi", "utvideo", "gbrp", 8),
    ("mkv", "ffv1", "bgr0", 8),
    ("avi", "huffyuv", "rgb24", 8),
    ("mov", "qtrle", "rgb24", 8),
    ("mov", "png", "rgb24", 8),
    ("mkv", "ffv1", "gbrp10le", 10),
    ("mkv", "ffv1", "gbrp12le", 12),
    ("mkv", "ffv1", "gbrp16le", 16),
    ("mov", "png", "rgb48be", 16),
]


@pytest.mark.parametrize(("ending", "codec", "pixels", "depth"), RGB)
def test_rgb_takes_give_bt709_luma_at_native_depth(tmp_path, ending, codec, pixels, depth):
    def picture(index):
        rgb = colours(index, depth)
        if pixels.startswith("gbr"):
            return planar_gbr(rgb, pixels)
        if pixels == "bgr0":
            return av.VideoFrame.from_ndarray(rgb, "rgb24").reformat(format="bgr0")
        if pixels == "bgr24":
            return av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb[:, :, ::-1]), "bgr24")
        return av.VideoFrame.from_ndarray(rgb, pixels)

    path = encode(tmp_path / f"take.{ending}", codec, [picture(i) for i in range(4)])
    info, frames = read(path)
    assert (info.n_frames, info.bit_depth, info.limited_range) == (4, depth, False)
    for frame in frames:
        np.testing.assert_array_equal(frame.luma, bt709(colours(frame.index, depth)))


def test_gif_gives_the_luma_of_its_colours(tmp_path):
    frames = [frame_of(scene(index), "gray") for index in range(N)]
    info, got = read(encode(tmp_path / "take.gif", "gif", frames))
    assert info.n_frames == N
    for frame in got:
        np.testing.assert_array_equal(frame.luma, scene(frame.index))


def test_palette_take_gives_the_luma_of_its_colours(tmp_path):
    palette = np.random.default_rng(5).integers(0, 256, (256, 3)).astype(np.uint8)
    frames = [palette_frame(index, palette) for index in range(3)]
    info, got = read(encode(tmp_path / "take.avi", "rawvideo", frames))
    assert info.pixel_format == "pal8"
    for frame in got:
        np.testing.assert_array_equal(frame.luma, bt709(palette[scene(frame.index)]))


def test_bayer_mosaic_is_the_luma(tmp_path):
    frames = []
    for index in range(3):
        frame = av.VideoFrame(128, 64, "bayer_rggb8")
        memory = np.frombuffer(frame.planes[0], np.uint8).reshape(-1, frame.planes[0].line_size)
        memory[:64, :128] = scene(index)
        frames.append(frame)
    info, got = read(encode(tmp_path / "take.nut", "rawvideo", frames))
    assert (info.pixel_format, info.limited_range) == ("bayer_rggb8", False)
    for frame in got:
        np.testing.assert_array_equal(frame.luma, scene(frame.index))


@pytest.mark.parametrize("width", [2, 34, 130])
def test_line_padding_is_stripped(tmp_path, width):
    path = take(tmp_path / "narrow.mkv", "ffv1", "gray", 3, size=(20, width + 256))
    _, frames = read(path)
    for frame in frames:
        np.testing.assert_array_equal(frame.luma, scene(frame.index, 8, 20, width + 256))


def test_frames_own_their_memory_and_are_read_only(tmp_path):
    _, frames = read(take(tmp_path / "take.mp4", "libx264", "yuv420p", 30))
    for frame in frames:
        assert frame.luma.flags.owndata
        assert frame.luma.flags.c_contiguous
        assert not frame.luma.flags.writeable
        assert frame.luma.dtype == np.uint8


# Largest difference on the 8-bit scale.  Gray goes through OpenCV untouched; limited-range
# YUV is stretched and rounded there, which is good for half a code value on top of the
# half that fixed-point arithmetic may add.
OPENCV = [
    ("mkv", "ffv1", "gray", {}, 0.0),
    ("mkv", "ffv1", "yuv420p", {}, 1.0),
    ("mp4", "libx264", "yuv420p", {"qp": "0", "bf": "3"}, 1.0),
    ("avi", "mjpeg", "yuvj420p", {"qscale": "2"}, 1.0),
]


@pytest.mark.parametrize(("ending", "codec", "pixels", "options", "most"), OPENCV)
def test_opencv_sees_the_same_pictures(tmp_path, ending, codec, pixels, options, most):
    """OpenCV's wheel carries a decoder build of its own; it hands out full-range RGB, 8 bits."""
    path = take(tmp_path / f"take.{ending}", codec, pixels, N, options=options)
    info, frames = read(path)
    capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    seen = []
    while (answer := capture.read())[0]:
        seen.append(answer[1][:, :, 1].astype(np.float64))
    capture.release()
    assert len(seen) == info.n_frames
    for frame, green in zip(frames, seen, strict=True):
        ours = (frame.luma.astype(np.float64) - info.black) / info.full_scale * 255
        assert np.abs(np.clip(ours, 0, 255) - green).max() <= most
