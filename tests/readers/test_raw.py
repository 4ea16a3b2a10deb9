import hashlib
import os

import numpy as np
import psutil
import pytest
from still_fixtures import assert_frames, noise, read_all
from test_pfnc import pack_slowly

from flashpan.errors import UnreadableTake, UsageError
from flashpan.readers import pfnc
from flashpan.readers.open import open_take
from flashpan.readers.raw import RawReader


@pytest.mark.parametrize("name", [n for n in pfnc.NAMES if n.startswith(("Mono", "BayerGR"))])
@pytest.mark.parametrize("header", [b"", b"some header"])
def test_round_trip_bit_for_bit(tmp_path, name, header):
    pixel_format = pfnc.by_name(name)
    pictures = noise(5, 7, 9, bits=pixel_format.bits)  # 63 pixels: odd, ends inside a group
    packed = [pack_slowly(p.ravel().tolist(), pixel_format) for p in pictures]
    path = tmp_path / "take.raw"
    path.write_bytes(header + b"".join(packed))
    before = hashlib.sha256(path.read_bytes()).digest()
    raw = f"9x7:{name}" + (f"+{len(header)}" if header else "")
    reader, frames = read_all(path, raw=raw)
    assert isinstance(reader, RawReader)
    assert_frames(frames, pictures)
    assert reader.info.bit_depth == pixel_format.bits
    assert reader.info.n_frames == 5
    assert reader.info.shape == (7, 9)
    assert reader.info.pixel_format == name
    assert reader.bytes_read == sum(map(len, packed))
    assert hashlib.sha256(path.read_bytes()).digest() == before


def test_any_frame_by_its_number(tmp_path):
    pictures = noise(6, 4, 4)
    (tmp_path / "t.raw").write_bytes(pictures.tobytes())
    with open_take(tmp_path / "t.raw", raw="4x4:Mono8") as reader:
        np.testing.assert_array_equal(reader.frame_at(4).luma, pictures[4])
        np.testing.assert_array_equal(reader.frame_at(1).luma, pictures[1])
        assert reader.frame_at(6) is None
        with pytest.raises(IndexError):
            reader.frame_at(-1)


@pytest.mark.parametrize("size", [0, 10, 17, 100])
def test_size_that_does_not_divide_is_refused(tmp_path, size):
    path = tmp_path / "take.raw"
    path.write_bytes(bytes(size))
    with pytest.raises(UnreadableTake) as caught:
        open_take(path, raw="4x4:Mono8")
    text = str(caught.value)
    assert str(path) in text
    assert f"{size} bytes" in text
    assert "16-byte frames of 4x4 Mono8" in text
    assert f"{size % 16} bytes over" in text
    assert "check WIDTHxHEIGHT" in text
    assert "+OFFSET" in text


def test_offset_past_the_end_is_refused(tmp_path):
    (tmp_path / "take.raw").write_bytes(bytes(32))
    with pytest.raises(UnreadableTake, match=r"0 bytes after \+999"):
        open_take(tmp_path / "take.raw", raw="4x4:Mono8+999")


def test_malformed_geometry_is_a_usage_error(tmp_path):
    (tmp_path / "take.raw").write_bytes(bytes(32))
    with pytest.raises(UsageError, match="for example"):
        open_take(tmp_path / "take.raw", raw="4by4")


def test_folder_is_refused(tmp_path):
    with pytest.raises(UnreadableTake, match="folder"):
        open_take(tmp_path, raw="4x4:Mono8")


def test_values_too_large_for_the_format_are_refused(tmp_path):
    (tmp_path / "take.raw").write_bytes((noise(2, 4, 4, bits=12) << 4).tobytes())
    with pytest.raises(UnreadableTake, match="too large for Mono12"):
        open_take(tmp_path / "take.raw", raw="4x4:Mono12")


def test_stray_high_bits_later_on_become_white_with_a_warning(tmp_path):
    pictures = noise(3, 4, 4, bits=12)
    pictures[2, 1, 1] = 0x8123
    (tmp_path / "take.raw").write_bytes(pictures.tobytes())
    reader, frames = read_all(tmp_path / "take.raw", raw="4x4:Mono12")
    assert frames[2].luma[1, 1] == 4095
    np.testing.assert_array_equal(frames[1].luma, pictures[1])
    assert len(reader.info.warnings) == 1
    assert "frame 2" in reader.info.warnings[0]


def test_file_that_shrinks_while_read_ends_the_take(tmp_path):
    path = tmp_path / "take.raw"
    path.write_bytes(noise(8, 64, 64).tobytes())
    with open_take(path, raw="64x64:Mono8") as reader:
        frames = iter(reader)
        next(frames)
        os.truncate(path, 64 * 64 * 3 + 5)
        assert [frame.index for frame in frames] == [1, 2]
        assert reader.info.n_frames == 3
        assert "frame 3" in reader.info.warnings[0]


def test_memory_stays_flat(tmp_path):
    path = tmp_path / "long.raw"
    n_frames, frame_bytes = 300, 1 << 20
    with path.open("wb") as file:
        file.truncate(n_frames * frame_bytes)  # sparse: takes no disk
    process = psutil.Process()
    with open_take(path, raw="1024x1024:Mono8") as reader:
        frames = iter(reader)
        next(frames)
        before = process.memory_info().rss
        peak = max(process.memory_info().rss for _ in frames)
    assert peak - before < 16 << 20
