"""Folders and patterns of stills, written by libraries outside the project."""

import hashlib
import struct
import zlib
from fractions import Fraction
from pathlib import Path

import av
import cv2
import imagecodecs
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile
from PIL import Image
from still_fixtures import assert_frames, assert_sealed, noise, read_all, slow_rec709

from flashpan.errors import UnreadableTake
from flashpan.readers.open import open_take
from flashpan.readers.picture import BadPicture
from flashpan.readers.still import read_still
from flashpan.readers.stills import StillsReader


def write_tiffs(folder, pictures, start=0, **options):
    for number, picture in enumerate(pictures, start):
        tifffile.imwrite(folder / f"shot_{number:06d}.tif", picture, **options)


def png(samples, *, bits=16, significant=None):
    """Grey PNG written from the chunk layout alone (PNG, third edition, clauses 5 and 11)."""

    def chunk(kind, body):
        crc = zlib.crc32(kind + body)
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", crc)

    rows, cols = samples.shape
    lines = b"".join(b"\0" + row.astype(f">u{bits // 8}").tobytes() for row in samples)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", cols, rows, bits, 0, 0, 0, 0))
        + (chunk(b"sBIT", bytes([significant])) if significant else b"")
        + chunk(b"IDAT", zlib.compress(lines))
        + chunk(b"IEND", b"")
    )


def dpx(picture, pixel_format):
    """One DPX file by FFmpeg's encoder."""
    frame = av.VideoFrame.from_ndarray(picture, format=pixel_format)
    encoder = av.CodecContext.create("dpx", "w")
    encoder.width, encoder.height = frame.width, frame.height
    encoder.pix_fmt, encoder.time_base = pixel_format, Fraction(1, 25)
    return b"".join(bytes(packet) for packet in [*encoder.encode(frame), *encoder.encode(None)])


@pytest.mark.parametrize(
    ("bits", "options"),
    [
        (8, {}),
        (16, {}),
        (16, {"byteorder": ">"}),
        (16, {"bigtiff": True}),
        (12, {"bitspersample": 12}),
        (10, {"bitspersample": 10}),
        (16, {"compression": "zlib"}),
        (16, {"compression": "lzw", "predictor": True}),
        (8, {"compression": "packbits", "rowsperstrip": 4}),
        (16, {"compression": "zstd", "tile": (16, 16)}),
        (16, {"photometric": "CFA"}),
    ],
)
def test_tiff_round_trip(tmp_path, bits, options):
    pictures = noise(4, 21, 35, bits=bits)
    write_tiffs(tmp_path, pictures, start=3, **{"photometric": "minisblack", **options})
    reader, frames = read_all(tmp_path)
    assert isinstance(reader, StillsReader)
    assert_frames(frames, pictures)
    info = reader.info
    assert (info.bit_depth, info.shape, info.n_frames) == (bits, (21, 35), 4)
    assert (info.playback_rate, info.capture_rate, info.warnings) == (None, None, ())
    assert info.intra_only
    assert info.name == tmp_path.name
    assert reader.first_number == 3
    assert reader.bytes_read > 0


@pytest.mark.parametrize(
    ("tag", "white", "bits"),
    [
        (281, 4095, 12),
        (281, 1023, 10),
        (281, 3971, 16),  # a statistic of the picture, not a range
        (281, 255, 16),
        (50717, 4095, 12),
        (50717, 16383, 14),
    ],
)
def test_depth_within_sixteen_bit_words(tmp_path, tag, white, bits):
    pictures = noise(2, 8, 8, bits=10)
    write_tiffs(tmp_path, pictures, extratags=[(tag, "H", 1, white, True)])
    reader, frames = read_all(tmp_path)
    assert reader.info.bit_depth == bits
    assert_frames(frames, pictures)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_tiff_colour_becomes_luma(tmp_path, bits, planar):
    colour = noise(2, 9, 11, 3, bits=bits)
    stored = colour if planar == "contig" else np.moveaxis(colour, -1, 1)
    write_tiffs(tmp_path, stored, photometric="rgb", planarconfig=planar)
    assert_frames(read_all(tmp_path)[1], slow_rec709(colour))


def test_tiff_white_is_zero(tmp_path):
    pictures = noise(2, 9, 11, bits=12)
    write_tiffs(tmp_path, pictures, photometric="miniswhite", bitspersample=12)
    assert_frames(read_all(tmp_path)[1], 4095 - pictures)


def test_tiff_palette(tmp_path):
    indices, colours = noise(2, 9, 11), noise(3, 256).astype(np.uint16)
    write_tiffs(tmp_path, indices, photometric="palette", colormap=colours * 257)
    reader, frames = read_all(tmp_path)
    assert reader.info.bit_depth == 8
    assert_frames(frames, slow_rec709(colours.T[indices].astype(np.uint8)))


def test_dng_full_picture_behind_a_thumbnail(tmp_path):
    mosaic = noise(2, 16, 24, bits=12)
    for number, picture in enumerate(mosaic):
        with tifffile.TiffWriter(tmp_path / f"shot_{number}.dng") as dng:
            dng.write(noise(4, 6, 3), photometric="rgb", subfiletype=1, subifds=1)
            tags = [(50717, "H", 1, 4095, True), (33421, "H", 2, (2, 2), True)]
            dng.write(picture, photometric="CFA", subfiletype=0, extratags=tags)
    reader, frames = read_all(tmp_path)
    assert_frames(frames, mosaic)
    assert reader.info.bit_depth == 12
    assert_frames(read_all(tmp_path / "shot_1.dng")[1], mosaic[1:])


@pytest.mark.parametrize("bits", [8, 16])
def test_png_grey(tmp_path, bits):
    pictures = noise(3, 21, 35, bits=bits)
    for number, picture in enumerate(pictures):
        assert cv2.imwrite(str(tmp_path / f"shot_{number}.png"), picture)
    reader, frames = read_all(tmp_path)
    assert_frames(frames, pictures)
    assert reader.info.bit_depth == bits


@pytest.mark.parametrize("bits", [8, 16])
def test_png_colour(tmp_path, bits):
    colour = noise(2, 9, 11, 3, bits=bits)
    for number, picture in enumerate(colour):
        assert cv2.imwrite(str(tmp_path / f"shot_{number}.png"), picture[..., ::-1])
    assert_frames(read_all(tmp_path)[1], slow_rec709(colour))


def test_png_colour_with_transparency(tmp_path):
    colour = noise(2, 9, 11, 4)
    for number, picture in enumerate(colour):
        iio.imwrite(tmp_path / f"shot_{number}.png", picture)
    assert_frames(read_all(tmp_path)[1], slow_rec709(colour[..., :3]))


def test_png_palette(tmp_path):
    indices, colours = noise(9, 11, bits=4), noise(16, 3)
    image = Image.frombytes("P", (11, 9), indices.tobytes())
    image.putpalette(colours.tobytes())
    image.save(tmp_path / "shot_0.png")
    assert_frames(read_all(tmp_path)[1], [slow_rec709(colours[indices])])


@pytest.mark.parametrize("scaling", ["zeros", "repeated"])
def test_png_significant_bits_are_brought_down(tmp_path, scaling):
    pictures = noise(2, 9, 11, bits=12)
    for number, picture in enumerate(pictures):
        stored = picture << 4 | (picture >> 8 if scaling == "repeated" else 0)
        (tmp_path / f"shot_{number}.png").write_bytes(png(stored, significant=12))
    reader, frames = read_all(tmp_path)
    assert reader.info.bit_depth == 12
    assert_frames(frames, pictures)


def test_png_whose_low_bits_do_carry_something_is_kept_whole(tmp_path):
    pictures = noise(2, 9, 11, bits=12)
    for number, picture in enumerate(pictures):
        (tmp_path / f"shot_{number}.png").write_bytes(png(picture, significant=12))
    reader, frames = read_all(tmp_path)
    assert reader.info.bit_depth == 16
    assert_frames(frames, pictures)


def test_jpeg_is_the_luma_plane_itself(tmp_path):
    colour = cv2.GaussianBlur(noise(32, 48, 3), (5, 5), 2)
    cv2.imwrite(str(tmp_path / "shot_0.jpg"), colour)
    (luma,) = (frame.luma for frame in read_all(tmp_path)[1])
    # Pillow hands out the Y of YCbCr without colour conversion when asked before decoding.
    image = Image.open(tmp_path / "shot_0.jpg")
    image.draft("YCbCr", None)
    np.testing.assert_array_equal(luma, np.asarray(image)[..., 0])
    # FFmpeg's decoder has its own inverse transform: within one code value.
    decoder = av.CodecContext.create("mjpeg", "r")
    (decoded,) = [
        *decoder.decode(av.Packet((tmp_path / "shot_0.jpg").read_bytes())),
        *decoder.decode(None),
    ]
    plane = np.frombuffer(decoded.planes[0], np.uint8).reshape(32, -1)[:, :48]
    assert np.abs(luma.astype(int) - plane).max() <= 1


@pytest.mark.parametrize(
    ("pixel_format", "bits"),
    [("gbrp10le", 10), ("gbrp12le", 12), ("rgb24", 8), ("rgb48be", 16)],
)
def test_dpx_colour(tmp_path, pixel_format, bits):
    colour = noise(2, 10, 16, 3, bits=bits)
    for number, picture in enumerate(colour):
        (tmp_path / f"shot_{number}.dpx").write_bytes(dpx(picture, pixel_format))
    reader, frames = read_all(tmp_path)
    assert_frames(frames, slow_rec709(colour))
    assert reader.info.bit_depth == bits


@pytest.mark.parametrize(("pixel_format", "bits"), [("gray", 8), ("gray16be", 16)])
def test_dpx_grey(tmp_path, pixel_format, bits):
    picture = noise(10, 16, bits=bits)
    (tmp_path / "shot_0.dpx").write_bytes(dpx(picture, pixel_format))
    assert_frames(read_all(tmp_path)[1], [picture])


@pytest.mark.parametrize(("white", "bits"), [(255, 8), (4095, 12), (65535, 16), (1023, 10)])
def test_pgm(tmp_path, white, bits):
    picture = noise(9, 11, bits=bits)
    stored = picture.astype(">u2" if white > 255 else np.uint8).tobytes()
    (tmp_path / "shot_0.pgm").write_bytes(b"P5\n# made by hand\n11 9\n%d\n" % white + stored)
    reader, frames = read_all(tmp_path)
    assert_frames(frames, [picture])
    assert reader.info.bit_depth == bits


def test_bmp(tmp_path):
    colour = noise(9, 11, 3)
    cv2.imwrite(str(tmp_path / "shot_0.bmp"), colour[..., ::-1])
    assert_frames(read_all(tmp_path)[1], [slow_rec709(colour)])


def test_gaps_in_the_numbering_are_named_and_do_not_move_the_count(tmp_path):
    pictures = noise(6, 8, 8)
    for number, picture in zip((10, 11, 15, 16, 17, 19), pictures, strict=True):
        tifffile.imwrite(tmp_path / f"s_{number}.tif", picture)
    reader, frames = read_all(tmp_path)
    assert_frames(frames, pictures)
    assert reader.info.warnings == ("frames 12–14, 18 missing in the numbering",)


@pytest.mark.parametrize("pattern", ["shot_%06d.tif", "shot_*.tif", "shot_00000?.tif"])
def test_pattern(tmp_path, pattern):
    pictures = noise(4, 8, 8)
    write_tiffs(tmp_path, pictures)
    tifffile.imwrite(tmp_path / "dark_1.tif", pictures[0])
    reader, frames = read_all(tmp_path / pattern)
    assert_frames(frames, pictures)
    assert reader.info.name in ("shot", "shot_00000")


def test_several_sequences_are_refused(tmp_path):
    write_tiffs(tmp_path, noise(2, 8, 8))
    tifffile.imwrite(tmp_path / "dark_1.tif", noise(8, 8))
    with pytest.raises(UnreadableTake, match=r"dark_1\.tif, shot_%06d\.tif"):
        open_take(tmp_path)


@pytest.mark.parametrize("contents", [(), ("notes.txt", "clip.xyz")])
def test_folder_without_stills(tmp_path, contents):
    for name in contents:
        (tmp_path / name).touch()
    with pytest.raises(UnreadableTake, match="no stills here; give") as caught:
        open_take(tmp_path)
    assert str(tmp_path) in str(caught.value)


def test_pattern_without_a_match(tmp_path):
    with pytest.raises(UnreadableTake, match="no stills here"):
        open_take(tmp_path / "shot_%04d.tif")
    with pytest.raises(UnreadableTake, match="no such folder"):
        open_take(tmp_path / "nowhere" / "shot_%04d.tif")


def damage(path: Path, keep: float) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * keep)])


@pytest.mark.parametrize("keep", [0, 0.1, 0.5, 0.95])
@pytest.mark.parametrize("options", [{}, {"compression": "zlib"}, {"rowsperstrip": 2}])
def test_damaged_tiff_is_left_out_and_moves_no_frame(tmp_path, keep, options):
    pictures = noise(5, 40, 60)
    write_tiffs(tmp_path, pictures, **options)
    damage(tmp_path / "shot_000002.tif", keep)
    reader, frames = read_all(tmp_path)
    assert [frame.index for frame in frames] == [0, 1, 3, 4]
    for frame in frames:
        np.testing.assert_array_equal(frame.luma, pictures[frame.index])
    assert reader.info.n_frames == 5
    (warning,) = reader.info.warnings
    assert "shot_000002.tif" in warning
    assert "frame 2 is left out" in warning


def encoded(kind: str) -> bytes:
    picture = noise(40, 60)
    if kind == "dpx":
        return dpx(picture, "gray")
    return cv2.imencode(f".{kind}", picture)[1].tobytes()


@pytest.mark.parametrize("keep", [0.02, 0.5, 0.9])
@pytest.mark.parametrize("kind", ["png", "jpg", "bmp", "pgm", "dpx"])
def test_damaged_still_gives_no_pixels(tmp_path, kind, keep):
    path = tmp_path / f"x.{kind}"
    path.write_bytes(encoded(kind))
    assert read_still(path).luma.shape == (40, 60)
    damage(path, keep)
    with pytest.raises(BadPicture) as caught:
        read_still(path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("broken", [{0}, {0, 1}, {4}, {0, 4}])
def test_damaged_first_and_last(tmp_path, broken):
    pictures = noise(5, 8, 8)
    write_tiffs(tmp_path, pictures)
    for number in broken:
        (tmp_path / f"shot_{number:06d}.tif").write_bytes(b"II*\0 nothing")
    reader, frames = read_all(tmp_path)
    assert {frame.index for frame in frames} == set(range(5)) - broken
    assert reader.info.n_frames == 5
    assert len(reader.info.warnings) == len(broken)


def test_no_still_can_be_read(tmp_path):
    for number in range(3):
        (tmp_path / f"shot_{number}.png").write_bytes(b"not a picture")
    with pytest.raises(UnreadableTake, match=r"none of 3 stills .*shot_0\.png"):
        open_take(tmp_path)


def test_many_damaged_stills_do_not_flood_the_log(tmp_path):
    write_tiffs(tmp_path, noise(60, 8, 8))
    for number in range(1, 59):
        (tmp_path / f"shot_{number:06d}.tif").write_bytes(b"")
    reader, frames = read_all(tmp_path)
    assert [frame.index for frame in frames] == [0, 59]
    assert len(reader.info.warnings) == 21


@pytest.mark.parametrize("odd", [noise(8, 9), noise(8, 8, bits=16)])
def test_last_still_of_another_kind_is_refused(tmp_path, odd):
    write_tiffs(tmp_path, [*noise(3, 8, 8), odd])
    with pytest.raises(UnreadableTake, match=r"differing size or depth.*shot_000003\.tif"):
        open_take(tmp_path)


def test_odd_still_in_the_middle_fails_the_take(tmp_path):
    pictures = noise(4, 8, 8)
    write_tiffs(tmp_path, [*pictures[:2], noise(8, 9), pictures[3]])
    with (
        open_take(tmp_path) as reader,
        pytest.raises(UnreadableTake, match=r"shot_000002\.tif is 9x8 at 8 bits; keep one kind"),
    ):
        list(reader)


def test_one_still_of_a_sequence_says_how_to_read_them_all(tmp_path):
    for number, picture in enumerate(noise(3, 8, 8)):
        cv2.imwrite(str(tmp_path / f"shot_{number}.png"), picture)
        tifffile.imwrite(tmp_path / f"shot_{number}.tif", picture)
    for kind in ("png", "tif"):
        reader, frames = read_all(tmp_path / f"shot_1.{kind}")
        assert len(frames) == 1
        assert reader.info.warnings == (
            f"one still of 3; give the folder or shot_%d.{kind} to read them all",
        )


def test_float_stills_are_refused(tmp_path):
    write_tiffs(tmp_path, noise(2, 8, 8).astype(np.float32))
    with pytest.raises(UnreadableTake, match="float32 samples; convert"):
        open_take(tmp_path)


def test_random_access_and_source_unchanged(tmp_path):
    pictures = noise(4, 8, 8)
    write_tiffs(tmp_path, pictures)
    before = {p.name: hashlib.sha256(p.read_bytes()).digest() for p in tmp_path.iterdir()}
    with open_take(tmp_path) as reader:
        frame = reader.frame_at(2)
        np.testing.assert_array_equal(frame.luma, pictures[2])
        assert_sealed(frame)
        assert reader.frame_at(4) is None
    assert {p.name: hashlib.sha256(p.read_bytes()).digest() for p in tmp_path.iterdir()} == before


def test_stated_rates_are_kept(tmp_path):
    write_tiffs(tmp_path, noise(2, 8, 8))
    reader, _ = read_all(tmp_path, capture_rate=10000, playback_rate="25", trigger_frame=7)
    assert (reader.info.capture_rate, reader.info.playback_rate) == (10000, 25)
    assert reader.info.trigger_frame == 7


@pytest.mark.parametrize("bits", [12, 16])
def test_lossless_jpeg_keeps_its_depth(tmp_path, bits):
    picture = noise(16, 24, bits=bits)
    (tmp_path / "s_0.jpg").write_bytes(imagecodecs.ljpeg_encode(picture, bitspersample=bits))
    reader, frames = read_all(tmp_path)
    assert reader.info.bit_depth == bits
    assert_frames(frames, [picture])
