import os
import re
import struct
import subprocess
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from log_fixtures import a_take
from picture_fixtures import a_picture, needs_ffmpeg, read_by_another, some
from still_fixtures import noise

from flashpan import open_take
from flashpan.atomic import new_folder
from flashpan.cut.pictures import (
    PictureForm,
    differing,
    encode_picture,
    hash_of,
    pictures_need,
    recovered,
    replicated,
    require_room_for_bits,
    store_pictures,
    write_pictures,
)
from flashpan.errors import TakeError, UsageError

FORMS = list(PictureForm)


class TestReplication:
    @pytest.mark.parametrize("bits", range(1, 17))
    @pytest.mark.parametrize("wide", [8, 10, 12, 16])
    def test_every_code_value_comes_back(self, bits, wide):
        if bits > wide:
            return
        codes = np.arange(1 << bits).astype(np.uint8 if bits <= 8 else np.uint16)
        words = replicated(codes, bits, wide)
        np.testing.assert_array_equal(recovered(words, bits, wide), codes)
        assert (words[0], words[-1]) == (0, (1 << wide) - 1)
        # within one step of the straight line from black to white (PNG 12.4: "a very close
        # approximation"), for depths of cameras
        line = codes.astype(float) * ((1 << wide) - 1) / ((1 << bits) - 1)
        assert bits < 8 or np.abs(words - line).max() < 1

    def test_the_standards_example(self):
        # PNG, third edition, 12.4: 5 bits 11011 become 8 bits 11011110
        assert replicated(np.array([0b11011], np.uint8), 5, 8)[0] == 0b11011110

    def test_8_bits_become_16_by_257(self):
        codes = np.arange(256, dtype=np.uint8)
        np.testing.assert_array_equal(replicated(codes, 8, 16), codes * np.uint16(257))


CASES = [
    (form, bits, channels)
    for form in FORMS
    for bits in (8, 10, 12, 14, 16)
    for channels in (1, 3)
    if bits <= form.bits
]


@pytest.mark.parametrize(("form", "bits", "channels"), CASES)
class TestAgainstOtherReaders:
    def stored(self, folder, form, bits, channels):
        pictures = some(bits, channels)
        return pictures, write_pictures(pictures, folder, "storm", form, a_take(), 3)

    def test_code_values_come_back_from_another_decoder(self, tmp_path, form, bits, channels):
        pictures, stored = self.stored(tmp_path, form, bits, channels)
        assert [path.name for path in stored.paths] == [
            f"storm_{frame:06d}{form.suffix}" for frame in (5100, 5101, 5102)
        ]
        for picture, path in zip(pictures, stored.paths, strict=True):
            words = read_by_another(path, form)
            codes = words >> (form.bits - bits)
            wanted = picture.pixels
            if form.suffix == ".dpx" and channels == 1:
                wanted = np.dstack([wanted] * 3)
            np.testing.assert_array_equal(codes, wanted)

    def test_read_again_by_ourselves(self, tmp_path, form, bits, channels):
        _, stored = self.stored(tmp_path, form, bits, channels)
        assert differing(stored, form) == []
        spoilt = stored.paths[1]
        data = bytearray(spoilt.read_bytes())
        data[-20 if form.suffix == ".png" else -300] ^= 0x40
        spoilt.write_bytes(data)
        stored.paths[2].unlink()
        assert differing(stored, form) == [5101, 5102]

    def test_size_is_foretold(self, tmp_path, form, bits, channels):
        _, stored = self.stored(tmp_path, form, bits, channels)
        need = pictures_need(3, (13, 17), channels, form)
        size = sum(path.stat().st_size for path in stored.paths)
        assert size <= need.n_bytes
        if form.suffix == ".dpx":
            assert size == need.n_bytes
        assert need.n_files == 3


@needs_ffmpeg
@pytest.mark.parametrize(("form", "bits"), [(form, form.bits) for form in FORMS])
def test_the_ffmpeg_command_reads_the_sequence(tmp_path, form, bits):
    pictures = some(bits, 3, shape=(12, 16))
    write_pictures(pictures, tmp_path, "storm", form, a_take(), 3)
    layout = {8: "rgb24", 10: "gbrp10le", 12: "gbrp12le", 16: "rgb48le"}[bits]
    pattern = str(tmp_path / f"storm_%06d{form.suffix}")
    command = ["ffmpeg", "-v", "error", "-start_number", "5100", "-i", pattern]
    run = subprocess.run(
        [*command, "-f", "rawvideo", "-pix_fmt", layout, "-"], capture_output=True, check=True
    )
    kind = np.uint8 if bits == 8 else "<u2"
    shape = (3, 3, 12, 16) if layout.startswith("gbr") else (3, 12, 16, 3)
    read = np.frombuffer(run.stdout, kind).reshape(shape)
    if layout.startswith("gbr"):
        read = np.moveaxis(read[:, [2, 0, 1]], 1, -1)
    np.testing.assert_array_equal(read, [picture.pixels for picture in pictures])


class TestDpxHeader:
    """Offsets of SMPTE ST 268-1, from memory; FFmpeg's decoder reads the rate at the same one."""

    @pytest.fixture
    def data(self):
        take = a_take(name="storm", playback_rate=Fraction(24))
        return encode_picture(some(10, n=1)[0], PictureForm.DPX10, take, (2, 9))

    def test_generic_part(self, data):
        magic, at, version, size = struct.unpack_from(">4sI8sI", data)
        assert (magic, at, version.rstrip(b"\0"), size) == (b"SDPX", 2048, b"V1.0", len(data))
        assert struct.unpack_from(">III", data, 24) == (1664, 384, 0)
        assert data[36:136].rstrip(b"\0") == b"storm"
        assert struct.unpack_from(">HHII", data, 768) == (0, 1, 17, 13)
        assert tuple(data[800:804]) == (50, 0, 0, 10)  # RGB, transfer and colours not stated

    def test_film_and_television_part(self, data):
        assert struct.unpack_from(">II", data, 1712) == (2, 9)
        assert struct.unpack_from(">f", data, 1724) == struct.unpack_from(">f", data, 1940) == (24,)
        assert data[1732:1764].rstrip(b"\0") == b"frame 5100"
        assert data[1920:1924] == b"\xff" * 4  # no time code

    def test_another_decoder_finds_the_timecode(self, tmp_path):
        """FFmpeg's decoder reads it at the same offset."""
        picture = replace(some(10, n=1)[0], timecode="01:02:59;28")
        path = tmp_path / "s.dpx"
        path.write_bytes(encode_picture(picture, PictureForm.DPX10, a_take()))
        command = ["ffmpeg", "-v", "error", "-i", path, "-vf", "metadata=print:file=-"]
        done = subprocess.run([*command, "-f", "null", "-"], capture_output=True, text=True)
        assert "timecode=01:02:59:28" in done.stdout, done.stderr

    def test_another_decoder_finds_the_rate(self, data):
        decoder = av.CodecContext.create("dpx", "r")
        assert len([*decoder.decode(av.Packet(data)), *decoder.decode(None)]) == 1
        assert decoder.framerate == 24

    def test_a_rate_that_is_not_known_stays_undefined(self):
        take = a_take(playback_rate=None)
        data = encode_picture(some(10, n=1)[0], PictureForm.DPX10, take)
        assert data[1724:1728] == data[1940:1944] == b"\xff" * 4


class TestWhatFilesSay:
    TEXT = re.compile(
        r"a frame 5100; 100,000 frames/s as shot, 29\.97 frames/s as watched; "
        r"10-bit values, repeated to 16 bits: shift right by 6"
    )

    def test_tiff(self, tmp_path):
        stored = write_pictures(some(10), tmp_path, "s", PictureForm.TIFF16, a_take(), 3)
        with tifffile.TiffFile(stored.paths[0]) as tiff:
            assert self.TEXT.fullmatch(tiff.pages[0].description)
            assert tiff.pages[0].compression == tifffile.COMPRESSION.NONE

    def test_png_and_its_bit_depth_which_our_reader_honours(self, tmp_path):
        pictures = some(10)
        stored = write_pictures(pictures, tmp_path, "s", PictureForm.PNG16, a_take(), 3)
        data = stored.paths[0].read_bytes()
        assert self.TEXT.search(data.decode("latin-1"))
        with open_take(tmp_path) as reader:
            assert reader.info.bit_depth == 10
            for frame, picture in zip(reader, pictures, strict=True):
                np.testing.assert_array_equal(frame.luma, picture.pixels)

    def test_computed_pictures_say_so(self, tmp_path):
        picture = a_picture(noise(4, 4, 3, bits=16), 16, is_native=False)
        stored = write_pictures([picture], tmp_path, "s", PictureForm.TIFF16, a_take(), 1)
        assert not stored.is_native
        with tifffile.TiffFile(stored.paths[0]) as tiff:
            assert tiff.pages[0].description.endswith("; RGB values computed from YUV")

    @pytest.mark.parametrize("form", FORMS)
    def test_computed_pictures_are_rounded_to_the_form(self, tmp_path, form):
        pixels = noise(9, 11, 3, bits=16)
        take = a_take(bit_depth=8)
        picture = a_picture(pixels, 16, is_native=False)
        stored = write_pictures([picture], tmp_path, "s", form, take, 1)
        assert (stored.bit_depth, differing(stored, form)) == (form.bits, [])
        exact = pixels / 65535 * ((1 << form.bits) - 1)
        read = read_by_another(stored.paths[0], form)
        np.testing.assert_allclose(read, exact, atol=0.5 + 1e-9)

    def test_computed_pictures_of_a_deeper_take_are_refused(self, tmp_path):
        picture = a_picture(noise(4, 4, 3, bits=16), 16, is_native=False)
        with pytest.raises(UsageError, match="dpx10 would lose 2 of 12 bits"):
            write_pictures([picture], tmp_path, "s", PictureForm.DPX10, a_take(), 1)

    def test_a_name_beyond_ascii(self):
        for form in FORMS:
            encode_picture(some(8, n=1)[0], form, a_take(name="雷" * 80))

    def test_the_same_twice(self):
        for form in FORMS:
            one, other = (encode_picture(some(8, n=1)[0], form, a_take()) for _ in range(2))
            assert one == other


class TestStore:
    def store(self, target, form=PictureForm.TIFF16, **how):
        return store_pictures(some(10), target, "storm", form, a_take(), 3, **how)

    @pytest.mark.parametrize("form", [PictureForm.TIFF16, PictureForm.PNG16, PictureForm.DPX10])
    def test_a_folder_of_proved_pictures(self, tmp_path, form):
        stored = self.store(tmp_path / "clip", form)
        assert os.listdir(tmp_path) == ["clip"]
        assert sorted(os.listdir(tmp_path / "clip")) == [path.name for path in stored.paths]
        assert differing(stored, form) == []

    def test_nothing_is_overwritten_unasked(self, tmp_path):
        self.store(tmp_path / "clip")
        with pytest.raises(TakeError, match="clip exists already; give --overwrite"):
            self.store(tmp_path / "clip")
        self.store(tmp_path / "clip", overwrite=True)
        assert os.listdir(tmp_path) == ["clip"]

    @pytest.fixture
    def bad_disk(self, monkeypatch):
        """Every second file comes back with one bit turned."""
        real = Path.read_bytes

        def read(path):
            data = bytearray(real(path))
            if path.stem.endswith("1"):
                data[-100] ^= 1
            return bytes(data)

        monkeypatch.setattr(Path, "read_bytes", read)

    def test_what_differs_is_kept_and_marked(self, tmp_path, bad_disk):
        for kept in ("clip.differs", "clip.differs-2"):
            line = rf"1 of 3 pictures in .*{kept} differ from it, the first is frame 5101; write"
            with pytest.raises(TakeError, match=line):
                self.store(tmp_path / "clip")
            assert len(os.listdir(tmp_path / kept)) == 3
        assert sorted(os.listdir(tmp_path)) == ["clip.differs", "clip.differs-2"]

    def test_unless_nobody_looks(self, tmp_path, bad_disk):
        self.store(tmp_path / "clip", verify=False)
        assert os.listdir(tmp_path) == ["clip"]

    def test_a_folder_that_is_there_outlives_a_failure(self, tmp_path, bad_disk):
        self.store(tmp_path / "clip", verify=False)
        with pytest.raises(TakeError, match="differ from it"):
            self.store(tmp_path / "clip", overwrite=True)
        assert sorted(os.listdir(tmp_path)) == ["clip", "clip.differs"]


class TestRefused:
    def test_fewer_bits_than_the_take(self):
        with pytest.raises(UsageError) as error:
            require_room_for_bits(PictureForm.DPX10, 12, "night/a.mov")
        assert str(error.value) == (
            "night/a.mov: dpx10 would lose 2 of 12 bits; give tiff16, png16, dpx12 or dpx16"
        )

    def test_before_anything_is_left(self, tmp_path):
        def write():
            with new_folder(tmp_path / "clip") as part:
                write_pictures(some(12), part, "s", PictureForm.PNG8, a_take(), 3)

        with pytest.raises(UsageError, match="png8 would lose 4 of 12 bits"):
            write()
        assert os.listdir(tmp_path) == []

    @pytest.mark.parametrize("form", FORMS)
    def test_a_full_disk(self, small_disk, form):
        def write():
            with new_folder(small_disk / "clip") as part:
                pictures = some(8, 3, 40, (128, 128))
                write_pictures(pictures, part, "s", form, a_take(), 40)

        with pytest.raises(TakeError, match=r"clip: cannot be written \(No space left"):
            write()
        assert os.listdir(small_disk) == []


@settings(deadline=None)
@given(st.integers(8, 16), st.integers(0, 2**32 - 1))
def test_the_hash_is_of_code_values_alone(bits, seed):
    codes = noise(5, 7, bits=bits, seed=seed)
    assert hash_of(codes) == hash_of(np.dstack([codes] * 3))
    assert hash_of(codes) == hash_of(np.asfortranarray(codes))
    other = codes.copy()
    other[2, 3] ^= 1
    assert hash_of(other) != hash_of(codes)
