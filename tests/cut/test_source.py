import av
import cv2
import numpy as np
import pytest
import tifffile
import video_fixtures as video
from log_fixtures import a_take
from picture_fixtures import a_picture
from still_fixtures import noise

from flashpan import open_take
from flashpan.cut.pictures import PictureForm, store_pictures, write_pictures
from flashpan.cut.source import pictures_of


def info_of(path, **how):
    with open_take(path, **how) as reader:
        return reader.info


def shown(path, first, last, **how):
    return list(pictures_of(info_of(path, **how), first, last, how.get("raw")))


@pytest.mark.parametrize(
    ("codec", "pixels", "depth"),
    [("ffv1", "gray12le", 12), ("ffv1", "gray", 8), ("ffv1", "gray10le", 10)],
)
def test_a_grey_video_as_the_search_counts_it(tmp_path, codec, pixels, depth):
    path = video.take(tmp_path / "a.mkv", codec, pixels, 30, depth)
    _, frames = video.read(path)
    pictures = shown(path, 11, 17)
    assert [picture.index for picture in pictures] == list(range(11, 18))
    for picture in pictures:
        np.testing.assert_array_equal(picture.pixels, frames[picture.index].luma)


def test_a_coloured_video(tmp_path):
    rgb = noise(6, 16, 32, 3)
    frames = [av.VideoFrame.from_ndarray(picture, "rgb24") for picture in rgb]
    path = video.encode(tmp_path / "a.avi", "png", frames)
    pictures = shown(path, 2, 4)
    np.testing.assert_array_equal([picture.pixels for picture in pictures], rgb[2:5])


def test_past_the_end_there_is_nothing(tmp_path):
    path = video.take(tmp_path / "a.mkv", "ffv1", "gray", 5)
    assert [picture.index for picture in shown(path, 3, 99)] == [3, 4]


@pytest.mark.parametrize("ending", ["tif", "png", "bmp", "ppm", "jpg", "dpx"])
@pytest.mark.parametrize("channels", [1, 3])
def test_stills_keep_their_colours(tmp_path, ending, channels):
    shape = (16, 24) if channels == 1 else (16, 24, 3)
    stills = [noise(*shape, seed=k) for k in range(5)]
    ending = "pgm" if (ending, channels) == ("ppm", 1) else ending
    for k, still in enumerate(stills):
        write(tmp_path / f"s_{k:03d}.{ending}", still)
    pictures = shown(tmp_path, 1, 3)
    assert [picture.index for picture in pictures] == [1, 2, 3]
    for picture in pictures:
        wanted = stills[picture.index]
        if picture.pixels.ndim == 3 and channels == 1:  # DPX has colour only
            wanted = np.dstack([wanted] * 3)
        if ending == "jpg":
            assert picture.pixels.shape == wanted.shape
            assert picture.bit_depth == 8
            continue
        codes = picture.pixels >> (picture.bit_depth - 8)
        np.testing.assert_array_equal(codes, wanted)


def write(path, still):
    if path.suffix == ".dpx":
        made = write_pictures([a_picture(still)], path.parent, "s", PictureForm.DPX10, a_take(), 1)
        made.paths[0].rename(path)
    elif path.suffix == ".tif":
        tifffile.imwrite(path, still, photometric="rgb" if still.ndim == 3 else "minisblack")
    else:
        cv2.imwrite(str(path), still if still.ndim == 2 else still[..., ::-1])


def test_16_bit_colour_stills(tmp_path):
    stills = [noise(16, 24, 3, bits=16, seed=k) for k in range(3)]
    for k, still in enumerate(stills):
        tifffile.imwrite(tmp_path / f"s_{k:03d}.tif", still, photometric="rgb")
    for picture in shown(tmp_path, 0, 2):
        np.testing.assert_array_equal(picture.pixels, stills[picture.index])
        assert picture.bit_depth == 16


def test_colours_that_are_not_sure_are_left_out(tmp_path):
    for k in range(2):  # four inks, which other programs turn into RGB in ways of their own
        tifffile.imwrite(tmp_path / f"s_{k}.tif", noise(16, 24, 4), photometric="separated")
    pictures = shown(tmp_path, 0, 1)
    with open_take(tmp_path) as reader:
        np.testing.assert_array_equal(pictures[0].pixels, next(reader.frames()).luma)


def test_headerless_pixels_and_stacks(tmp_path):
    frames = noise(9, 16, 24, bits=12)
    (tmp_path / "a.bin").write_bytes(frames.tobytes())
    np.save(tmp_path / "a.npy", frames)
    raw = shown(tmp_path / "a.bin", 3, 5, raw="24x16:Mono12")
    stack = shown(tmp_path / "a.npy", 3, 5)
    for picture, other in zip(raw, stack, strict=True):
        np.testing.assert_array_equal(picture.pixels, frames[picture.index])
        np.testing.assert_array_equal(other.pixels, frames[picture.index])
    assert [picture.index for picture in raw] == [3, 4, 5]


def test_a_grey_scene_in_a_yuv_stream_is_converted_and_says_so(tmp_path):
    path = video.take(tmp_path / "a.mkv", "libx264", "gray10le", 30, 10)
    _, frames = video.read(path)
    for picture in shown(path, 11, 17):
        luma = frames[picture.index].luma.astype(float)
        expected = np.clip((luma - 64) / 876, 0, 1) * 65535
        np.testing.assert_allclose(picture.pixels[..., 0], expected, atol=1)
        assert not picture.is_native


def test_a_coloured_y4m(tmp_path):
    frames = [
        av.VideoFrame.from_ndarray(noise(16, 32, 3, seed=k), "rgb24").reformat(format="yuv444p")
        for k in range(5)
    ]
    path = video.encode(tmp_path / "a.y4m", "wrapped_avframe", frames)
    pictures = shown(path, 1, 3)
    assert [picture.index for picture in pictures] == [1, 2, 3]
    for picture in pictures:
        wanted = noise(16, 32, 3, seed=picture.index).astype(float)
        # 8-bit YUV holds full colours no better than this
        assert np.abs(picture.pixels / 257 - wanted).mean() < 2


@pytest.mark.parametrize(("pixels", "depth"), [("yuv422p10le", 10), ("yuv420p", 8)])
def test_luma_alone_is_as_coded_and_comes_back_from_pictures(tmp_path, pixels, depth):
    path = video.take(tmp_path / "a.mov", "libx264", pixels, 20, depth)
    _, frames = video.read(path)
    info = info_of(path)
    pictures = list(pictures_of(info, 5, 9, luma_only=True))
    for picture in pictures:
        np.testing.assert_array_equal(picture.pixels, frames[picture.index].luma)
        assert (picture.black, picture.white) == (16 << depth - 8, 235 << depth - 8)
        assert picture.is_native
    stored = store_pictures(pictures, tmp_path / "p", "a", PictureForm.TIFF16, info, 5)
    for path, picture in zip(stored.paths, pictures, strict=True):
        words = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        np.testing.assert_array_equal(words >> (16 - depth), picture.pixels)
        with tifffile.TiffFile(path) as tiff:
            said = f"black is {picture.black}, white {picture.white}"
            assert tiff.pages[0].description.endswith(said)
