"""What codecs do is no event: real encodes of invented noise (invented data, real codecs)."""

import numpy as np
import pytest
from array_takes import ArrayReader

import flashpan
from flashpan.detectors.coding import Coding
from flashpan.grid import lay_grid
from flashpan.measure import Measurer
from flashpan.model import Frame, TakeInfo
from sample_generators.encode import Encoding, encode

SHAPE = (96, 128)
N = 320
QUIET_X265 = {"preset": "veryfast", "x265-params": "log-level=none:pools=none:frame-threads=1"}
STREAMS = {
    "h264-low": ("libx264", "mp4", "yuv420p", {"crf": "30", "g": "60", "preset": "veryfast"}),
    "h264-b": ("libx264", "mp4", "yuv420p", {"crf": "20", "g": "48", "bf": "3"}),
    "hevc": ("libx265", "mp4", "yuv420p", QUIET_X265 | {"crf": "26", "g": "60"}),
    "mpeg4": ("mpeg4", "avi", "yuv420p", {"qmin": "4", "qmax": "4", "g": "12"}),
    "mjpeg": ("mjpeg", "avi", "yuvj420p", {"qmin": "3", "qmax": "3"}),
}
FLASH = slice(150, 155)
PATCH = (slice(36, 60), slice(48, 84))


def scene():
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return 70 + 0.2 * cols + 8 * np.sin(rows / 7) * np.cos(cols / 9)


def grainy(seed, *, flash=0.0, stays=False, repeat_every=0, sigma=2.0):
    """Frames of Gaussian noise; a patch brightens by ``flash`` code values."""
    rng, clean, last = np.random.default_rng(seed), scene(), None
    for t in range(N):
        if repeat_every and last is not None and t % repeat_every == 0:
            yield last
            continue
        picture = clean.copy()
        if FLASH.start <= t and (stays or t < FLASH.stop):
            picture[PATCH] += flash
        last = np.rint(picture + sigma * rng.standard_normal(SHAPE)).astype(np.uint8)
        yield last


def coded(tmp_path, stream, frames):
    codec, container, pixels, options = STREAMS[stream]
    path = tmp_path / f"take.{container}"
    full = pixels == "yuvj420p"
    how = Encoding(
        codec=codec, container=container, pixel_format=pixels, bit_depth=8, full_range=full,
        options=options,
    )  # fmt: skip
    encode(frames, 8, path, how)
    return path


@pytest.mark.parametrize("stream", STREAMS)
@pytest.mark.parametrize("seed", [1, 2])
def test_quiet_coded_take_has_no_event(tmp_path, stream, seed):
    assert flashpan.find(coded(tmp_path, stream, grainy(seed))).events == ()


@pytest.mark.parametrize("stream", STREAMS)
def test_flash_in_a_coded_take_is_found_to_the_frame(tmp_path, stream):
    (event,) = flashpan.find(coded(tmp_path, stream, grainy(3, flash=30.0))).events
    assert abs(event.onset - FLASH.start) <= 1
    assert abs(event.end - (FLASH.stop - 1)) <= 1


def test_repeated_frames_in_a_coded_take_are_no_event(tmp_path):
    assert flashpan.find(coded(tmp_path, "h264-low", grainy(4, repeat_every=5))).events == ()


def test_repeated_frames_hide_no_flash_and_are_none():
    quiet, flash = (
        np.stack(list(grainy(5, flash=lift, repeat_every=4))) for lift in (0.0, 30.0)
    )  # fmt: skip
    assert flashpan.find(ArrayReader(quiet)).events == ()
    (event,) = flashpan.find(ArrayReader(flash)).events
    assert abs(event.onset - FLASH.start) <= 1


def info(codec, *, intra_only):
    return TakeInfo(path="", name="", shape=SHAPE, bit_depth=8, codec=codec, intra_only=intra_only)


SIZES = (slice(0, 6), slice(6, 8), slice(8, 9))


def test_keyframe_step_of_usual_size_is_explained_and_a_large_one_is_not():
    coding = Coding.of_means(info("h264", intra_only=False), SIZES)
    step = np.zeros(9, np.float32)
    step[:3] = 2 / 255, -2 / 255, 20 / 255
    assert coding.explains(step).tolist() == [True, True, False] + [True] * 6


def test_reach_follows_the_keyframes_seen():
    coding = Coding.of_means(info("h264", intra_only=False), SIZES)
    small = np.full(9, 0.1 / 255, np.float32)
    for _ in range(8):
        assert coding.explains(small).all()
    assert not coding.explains(10 * small).any()


def test_codecs_without_prediction_expect_no_renewals():
    for codec in ("mjpeg", "prores"):
        coding = Coding.of_means(info(codec, intra_only=True), SIZES)
        assert coding.is_lossy
        assert [expected(True) for expected in coding.expected()] == [0.0] * 3


@pytest.mark.parametrize(("codec", "intra_only"), [("ffv1", False), ("raw", True), ("", True)])
def test_nothing_is_lost_without_loss(codec, intra_only):
    assert not Coding.of_means(info(codec, intra_only=intra_only), SIZES).is_lossy


def test_exact_copy_is_a_repeat_only_where_frames_are_not_predicted():
    grid, luma = lay_grid(SHAPE), np.full(SHAPE, 90, np.uint8)
    for codec, intra_only, is_repeat in (("raw", True, True), ("h264", False, False)):
        take = info(codec, intra_only=intra_only)
        measurer = Measurer(take, grid)
        first, second = (measurer.measure(Frame(index=i, luma=luma)) for i in range(2))
        coding = Coding.of_means(take, SIZES)
        assert not coding.is_repeat(first)
        assert coding.is_repeat(second) == is_repeat
