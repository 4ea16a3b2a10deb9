import io
import logging

import numpy as np
import pytest
import tifffile
from still_fixtures import assert_frames, noise, read_all

from flashpan.errors import UnreadableTake
from flashpan.readers.multipage import MultiPageReader
from flashpan.readers.open import open_take

WRITERS = {
    "plain": {},
    "compressed": {"compression": "zlib"},
    "bigtiff": {"bigtiff": True},
    "big-endian": {"byteorder": ">"},
    "one directory": {"truncate": True},
    "one directory, big-endian": {"truncate": True, "byteorder": ">"},
    "images counted in text": {"imagej": True},
    "no text": {"metadata": None},
    "packed": {"bitspersample": 12},
}


def tiff(stack, **options):
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, stack, photometric="minisblack", **options)
    return buffer.getvalue()


@pytest.mark.parametrize("writer", WRITERS)
def test_round_trip(tmp_path, writer):
    stack = noise(6, 21, 35, bits=12)
    (tmp_path / "t.tif").write_bytes(tiff(stack, **WRITERS[writer]))
    reader, frames = read_all(tmp_path / "t.tif")
    assert isinstance(reader, MultiPageReader)
    assert_frames(frames, stack)
    assert reader.info.n_frames == 6
    assert reader.info.name == "t"
    assert reader.info.warnings == ()
    assert reader.bytes_read >= 6 * 21 * 35 * 1.5


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("keep", [0.5, 0.7, 0.9, 0.99])
def test_cut_short_is_read_up_to_the_cut(tmp_path, writer, keep, capfd):
    stack = noise(6, 41, 65, bits=12)
    data = tiff(stack, **WRITERS[writer])
    (tmp_path / "t.tif").write_bytes(data[: int(len(data) * keep)])
    reader, frames = read_all(tmp_path / "t.tif")
    # Without a word on how many pictures follow, directories behind the cut are lost.
    assert len(frames) >= (1 if writer == "no text" else int(6 * keep) - 1)
    assert_frames(frames, stack[: len(frames)])
    assert reader.info.warnings
    assert capfd.readouterr().err == ""


def test_single_page(tmp_path):
    picture = noise(9, 11)
    (tmp_path / "still.tiff").write_bytes(tiff(picture))
    reader, frames = read_all(tmp_path / "still.tiff")
    assert_frames(frames, [picture])
    assert reader.info.warnings == ()


def test_colour_pages(tmp_path):
    grey = noise(3, 9, 11)
    tifffile.imwrite(tmp_path / "t.tif", np.stack([grey] * 3, -1), photometric="rgb")
    assert_frames(read_all(tmp_path / "t.tif")[1], grey)


def test_thumbnails_are_passed_over(tmp_path):
    stack = noise(3, 9, 11)
    with tifffile.TiffWriter(tmp_path / "t.tif") as writer:
        for picture in stack:
            writer.write(picture, metadata=None)
            writer.write(picture[:3, :3], metadata=None, subfiletype=1)
    assert_frames(read_all(tmp_path / "t.tif")[1], stack)


def test_odd_page_ends_the_take(tmp_path):
    stack = noise(3, 9, 11)
    with tifffile.TiffWriter(tmp_path / "t.tif") as writer:
        for picture in (stack[0], stack[1], noise(4, 5), stack[2]):
            writer.write(picture, metadata=None)
    reader, frames = read_all(tmp_path / "t.tif")
    assert_frames(frames, stack[:2])
    assert "page 2, which is 5x4" in reader.info.warnings[0]


def test_damaged_page_is_left_out_and_moves_no_frame(tmp_path):
    stack = noise(4, 31, 45, bits=16)
    data = bytearray(tiff(stack, compression="zlib", metadata=None))
    with tifffile.TiffFile(io.BytesIO(data)) as whole:
        at = whole.pages[1].dataoffsets[0]
    data[at : at + 40] = bytes(40)
    (tmp_path / "t.tif").write_bytes(data)
    reader, frames = read_all(tmp_path / "t.tif")
    assert [frame.index for frame in frames] == [0, 2, 3]
    np.testing.assert_array_equal(frames[-1].luma, stack[3])
    assert "frame 1 is left out" in reader.info.warnings[0]
    assert reader.info.n_frames == 4


@pytest.mark.parametrize("content", [b"", b"II*\0", b"II*\0\x08\0\0\0\0\0", b"not a TIFF at all"])
def test_what_is_no_tiff_is_refused_in_one_line(tmp_path, content, caplog):
    caplog.set_level(logging.CRITICAL, "tifffile")
    (tmp_path / "t.tif").write_bytes(content)
    with pytest.raises(UnreadableTake) as caught:
        open_take(tmp_path / "t.tif")
    assert str(tmp_path / "t.tif") in str(caught.value)
    assert "\n" not in str(caught.value)


def test_any_frame_by_its_number(tmp_path):
    stack = noise(5, 9, 11)
    (tmp_path / "t.tif").write_bytes(tiff(stack))
    with open_take(tmp_path / "t.tif") as reader:
        np.testing.assert_array_equal(reader.frame_at(3).luma, stack[3])
        np.testing.assert_array_equal(reader.frame_at(0).luma, stack[0])
        assert reader.frame_at(5) is None
