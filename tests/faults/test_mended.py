"""What once ended in a traceback, in gigabytes or in words for nobody, at its smallest.

Every input is made here; nothing is stored.
"""

import io
import struct
import subprocess
import sys
import zlib

import imagecodecs
import numpy as np
import pytest
import tifffile

from flashpan.cut.needs import frame_bytes
from flashpan.errors import FlashpanError, UnreadableTake
from flashpan.find import find
from flashpan.readers.open import open_take
from sample_generators.damage import make_corpus
from sample_generators.damage.structure import structure_of

MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]


def frames_or_one_line(take):
    """Frames that are delivered; None where the take is refused in one line that names it."""
    try:
        with open_take(take) as reader:
            return len(list(reader))
    except FlashpanError as error:
        text = str(error)
    assert "\n" not in text
    assert str(take) in text
    assert " failed: " not in text  # a fault of a reader, passed on as words
    return None


def tiff_bytes(n_pages=2, **how):
    buffer = io.BytesIO()
    with tifffile.TiffWriter(buffer, **how) as tiff:
        for page in range(n_pages):
            tiff.write(np.full((8, 8), 60 + page, np.uint8), metadata=None)
    return buffer.getvalue()


@pytest.mark.parametrize("big", [False, True])
def test_tags_of_a_tiff_that_are_lists_texts_or_without_end(big, tmp_path):
    """Width 8 and 8, or "8": a tag says itself how many values it has and of which type."""
    data, take = tiff_bytes(1, bigtiff=big), tmp_path / "a.tif"
    delivered = set()
    for field in structure_of(data, "tiff").fields:
        for value in (0, 2, 7):
            number = value.to_bytes(field.width, field.order)
            take.write_bytes(data[: field.at] + number + data[field.at + field.width :])
            delivered.add(frames_or_one_line(take))
    assert {None, 1} <= delivered


def test_a_later_page_that_makes_no_sense_costs_no_earlier_one(tmp_path):
    data = bytearray(tiff_bytes(6))
    whole = structure_of(bytes(data), "tiff")
    entries = [one.at for one in whole.fields if one.width == 2]
    widths = [at for at in entries if data[at : at + 2] == b"\0\1" and data[at + 4] == 1]
    data[widths[3] + 4] = 2
    (tmp_path / "a.tif").write_bytes(data)
    log = find(tmp_path / "a.tif")
    assert log.totals.frames == 6
    assert len(log.warnings) == 1
    assert "page 3 cannot be read" in log.warnings[0]


def test_what_a_range_weighs_is_known_where_the_first_page_is_damaged(tmp_path):
    data = bytearray(tiff_bytes(6))
    entries = [one.at for one in structure_of(bytes(data), "tiff").fields if one.width == 2]
    width = next(at for at in entries if data[at : at + 2] == b"\0\1" and data[at + 4] == 1)
    data[width + 4] = 2
    (tmp_path / "a.tif").write_bytes(data)
    log = find(tmp_path / "a.tif")
    assert "page 0 cannot be read" in log.warnings[0]
    assert 64 < frame_bytes(log.take, None) < 10_000


@pytest.mark.parametrize("header", [b"(", b"{", b"{'descr': '''", b"\\", b"[" * 99, b"1e9", b"\0"])
def test_a_header_of_npy_that_is_no_python(header, tmp_path):
    take = tmp_path / "a.npy"
    take.write_bytes(b"\x93NUMPY\x01\x00" + struct.pack("<H", len(header)) + header + bytes(99))
    with pytest.raises(UnreadableTake, match=r"a\.npy: damaged \.npy header \(.*\); save it anew"):
        open_take(take)


@pytest.mark.parametrize("n_frames", [0, -1, 2**63, 10**40])
def test_an_npy_of_no_or_endless_frames(n_frames, tmp_path):
    take = tmp_path / "a.npy"
    with take.open("wb") as file:
        header = {"descr": "|u1", "fortran_order": False, "shape": (n_frames, 24, 32)}
        np.lib.format.write_array_header_1_0(file, header)
        file.write(bytes(24 * 32 * 12))
    assert frames_or_one_line(take) is None


def png(side=16, at=None, value=0):
    """A grey PNG whose header has another byte at one place, its sum made right."""
    data = bytearray(imagecodecs.png_encode(np.full((side, side), 60, np.uint8)))
    if at is not None:
        data[at] = value
        data[29:33] = zlib.crc32(data[12:29]).to_bytes(4, "big")
    return bytes(data)


def test_libraries_say_nothing_on_their_own(tmp_path):
    """Depth, kind of colour, compression and filter that do not exist, and another interlacing."""
    for number, (at, value) in enumerate([(None, 0), (24, 128), (25, 255), (26, 32), (27, 128)]):
        (tmp_path / f"a{number}.png").write_bytes(png(at=at, value=value))
    done = subprocess.run([*MAIN, "find", tmp_path, "--json"], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.count("cannot be read") == 4


@pytest.fixture(scope="module")
def specimens(tmp_path_factory):
    names = ("mp4-h264", "mov-raw", "mp4-fragments")
    made = make_corpus(tmp_path_factory.mktemp("corpus"), names)
    return {one.format: bytearray(one.data) for one in made}


def lied(data, kind, place, *words):
    """A box with other 32-bit words from some place behind its name on."""
    data = bytearray(data)
    struct.pack_into(f">{len(words)}I", data, data.index(kind) + 4 + place, *words)
    return data


@pytest.mark.parametrize(
    ("name", "kind", "place", "words"),
    [
        ("mp4-h264", b"stsz", 4, (1, 60_000_000)),  # took four gigabytes, and 49 seconds
        ("mov-raw", b"stsz", 4, (1536, 60_000_000)),
        ("mp4-h264", b"stsz", 4, (1, 0xFFFFFFFF)),
        ("mp4-fragments", b"trun", 0, (0, 20_000_000)),
    ],
)
def test_an_index_of_more_frames_than_bytes(specimens, name, kind, place, words, tmp_path):
    take = tmp_path / "a.mp4"
    take.write_bytes(lied(specimens[name], kind, place, *words))
    with pytest.raises(UnreadableTake, match=r"declares [\d,]+ frames in [\d,]+ bytes"):
        open_take(take)


def test_three_million_frames_are_no_lie(specimens, tmp_path):
    """A cut copy of so long a take is read up to the cut."""
    take = tmp_path / "a.mov"
    long = lied(specimens["mov-raw"], b"stsz", 4, 1536, 3_000_000)
    long = lied(lied(long, b"stts", 8, 3_000_000, 512), b"stsc", 8, 1, 3_000_000, 1)
    take.write_bytes(long)
    log = find(take)
    assert log.totals.frames == 12
    assert any("declares 3000000 frames, 12 decode" in text for text in log.warnings)


def test_boxes_inside_boxes_without_end(specimens, tmp_path):
    take = tmp_path / "a.mp4"
    for kind in (b"moov", b"trak", b"free"):
        nested = b"".join(struct.pack(">I4s", 8 * (5000 - n), kind) for n in range(5000))
        take.write_bytes(bytes(specimens["mp4-h264"])[:32] + nested)
        assert frames_or_one_line(take) is None


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (TypeError("'>' not supported"), "TypeError: '>' not supported (test_mended.py, line "),
        (RecursionError("too deep\nindeed"), "RecursionError: too deep indeed (test_mended.py"),
        (MemoryError(), "needs more memory than there is; search a part of the picture (--roi)"),
    ],
)
def test_what_nobody_foresaw_costs_its_own_take(error, words, tmp_path, monkeypatch, capsys):
    from flashpan.cli import main
    from flashpan.readers.npy import NpyReader

    def faulty(self, index):
        if index == 5 and self.info.name == "bad":
            raise error
        return fetch(self, index)

    fetch = NpyReader._fetch
    monkeypatch.setattr(NpyReader, "_fetch", faulty)
    takes = [tmp_path / "bad.npy", tmp_path / "good.npy"]
    for take in takes:
        np.save(take, np.full((40, 24, 32), 60, np.uint8))
    with pytest.raises(SystemExit) as left:
        main(["find", *map(str, takes)])
    out, err = capsys.readouterr()
    assert left.value.code == 3
    assert err.startswith(f"flashpan: {takes[0]}: ")
    assert words in err
    assert err.count("\n") == 1
    assert "40 frames" in out
