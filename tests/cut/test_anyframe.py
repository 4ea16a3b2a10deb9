"""Any frame in any order is the frame of the whole take."""

import numpy as np
import pytest
from trim_fixtures import h264, pictures, video

from flashpan.cut.anyframe import AnyFrame
from flashpan.cut.source import pictures_of
from flashpan.errors import TakeError
from flashpan.readers.open import open_take

ORDER = (0, 1, 2, 50, 49, 48, 30, 119, 0, 61, 60, 59)


def stills(folder):
    import tifffile

    folder.mkdir()
    for number, shot in enumerate(pictures()):
        tifffile.imwrite(folder / f"s_{number:04}.tif", shot)
    return folder


def stack(path):
    np.save(path, pictures())
    return path


def y4m(path):
    shots = pictures()
    with path.open("wb") as file:
        file.write(b"YUV4MPEG2 W64 H48 F25:1 Ip A1:1 Cmono\n")
        for shot in shots:
            file.write(b"FRAME\n" + shot.tobytes())
    return path


TAKES = {
    "mjpeg": lambda folder: video(folder / "a.mov"),
    "h264": lambda folder: h264(folder / "a.mp4"),
    "h264-avi": lambda folder: h264(folder / "a.avi"),
    "stills": lambda folder: stills(folder / "a"),
    "stack": lambda folder: stack(folder / "a.npy"),
    "y4m": lambda folder: y4m(folder / "a.y4m"),
}


@pytest.mark.parametrize("kind", TAKES)
@pytest.mark.parametrize("remembered_bytes", [0, 1 << 24])
def test_is_as_in_one_pass(tmp_path, kind, remembered_bytes):
    path = TAKES[kind](tmp_path)
    with open_take(path) as reader:
        for _ in reader:
            pass
        info = reader.info
    whole = list(pictures_of(info, 0, info.n_frames - 1))
    with AnyFrame(info, remembered_bytes=remembered_bytes) as take:
        for index in ORDER:
            picture = take.picture(index)
            assert picture.index == index
            np.testing.assert_array_equal(picture.pixels, whole[index].pixels)


def test_frames_that_are_not_there(tmp_path):
    path = video(tmp_path / "a.mov")
    with open_take(path) as reader:
        info = reader.info
    with AnyFrame(info) as take:
        for index in (-1, 120, 10**9):
            with pytest.raises(TakeError, match=f"no frame {index}"):
                take.picture(index)
        assert take.picture(119).index == 119
