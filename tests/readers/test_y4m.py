"""YUV4MPEG2 files written by FFmpeg's muxer, and headers written by hand."""

from fractions import Fraction

import av
import numpy as np
import pytest
from still_fixtures import assert_frames, noise, read_all

from flashpan.errors import UnreadableTake
from flashpan.readers.open import open_take
from flashpan.readers.y4m import Y4mReader, parse_header

FORMATS = [
    ("gray", 8), ("gray10le", 10), ("gray12le", 12), ("gray16le", 16),
    ("yuv420p", 8), ("yuv422p", 8), ("yuv444p", 8), ("yuv411p", 8), ("yuvj420p", 8),
    ("yuv420p10le", 10), ("yuv422p12le", 12), ("yuv444p14le", 14), ("yuv420p16le", 16),
]  # fmt: skip


def write_y4m(path, pictures, pixel_format, *, rate=25):
    """Let FFmpeg's muxer write a stream with these pictures as luma."""
    options = {"strict": "-1"}  # high bit depths are an extension of the format
    with av.open(str(path), "w", format="yuv4mpegpipe", options=options) as container:
        stream = container.add_stream("wrapped_avframe", rate=rate)
        stream.pix_fmt = pixel_format
        stream.height, stream.width = pictures.shape[1:]
        for picture in pictures:
            frame = av.VideoFrame(stream.width, stream.height, pixel_format)
            fill(frame, picture)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def fill(frame, picture):
    """Put luma into a frame's first plane and a middle grey into the others."""
    for number, plane in enumerate(frame.planes):
        samples = np.frombuffer(plane, picture.dtype).reshape(plane.height, -1)
        samples[:] = 7
        if number == 0:
            samples[:, : plane.width] = picture


def stream_bytes(pictures, header, other_samples=0, params=b""):
    """Write a stream from the format's description alone."""
    body = b"".join(
        b"FRAME" + params + b"\n" + picture.astype(picture.dtype.newbyteorder("<")).tobytes()
        + bytes([9]) * (other_samples * picture.dtype.itemsize)
        for picture in pictures
    )  # fmt: skip
    return header + b"\n" + body


@pytest.mark.parametrize(("pixel_format", "bits"), FORMATS)
def test_what_ffmpeg_writes(tmp_path, pixel_format, bits):
    pictures = noise(4, 19, 35, bits=bits)  # odd: chroma planes are rounded up
    write_y4m(tmp_path / "t.y4m", pictures, pixel_format)
    reader, frames = read_all(tmp_path / "t.y4m")
    assert isinstance(reader, Y4mReader)
    assert_frames(frames, pictures)
    assert (reader.info.bit_depth, reader.info.playback_rate) == (bits, 25)
    assert reader.bytes_read == (tmp_path / "t.y4m").stat().st_size
    assert reader.info.warnings == ()


@pytest.mark.parametrize(
    ("tags", "rate"),
    [(b"F25:1", Fraction(25)), (b"F30000:1001", Fraction(30000, 1001)),
     (b"F100000:1", Fraction(100000)), (b"F0:0", None), (b"", None), (b"Fx", None)],
)  # fmt: skip
def test_rate_is_exact(tags, rate):
    assert parse_header(b"YUV4MPEG2 W4 H4 " + tags, "t").rate == rate


@pytest.mark.parametrize(
    ("tags", "limited"),
    [
        (b"", True),
        (b"C420jpeg", True),
        (b"C444 XCOLORRANGE=FULL", False),
        (b"C444 XCOLORRANGE=LIMITED", True),
        (b"Cmono", False),
        (b"Cmono XCOLORRANGE=LIMITED", True),
        (b"Cmono12", False),
        (b"C420p10 XYSCSS=420P10", True),
    ],
)
def test_range(tags, limited):
    assert parse_header(b"YUV4MPEG2 W4 H4 " + tags, "t").limited_range is limited


@pytest.mark.parametrize(
    ("colour", "other"),
    [("mono", 0), ("420jpeg", 12), ("420mpeg2", 12), ("420paldv", 12), ("411", 12),
     ("422", 18), ("444", 30), ("444alpha", 45), ("410", 4), ("440", 20)],
)  # fmt: skip
def test_planes_of_odd_size(tmp_path, colour, other):
    # 5x3 luma; chroma rounded up by hand: 420 3x2, 411 2x3, 422 3x3, 410 2x1, 440 5x2.
    pictures = noise(3, 3, 5)
    header = f"YUV4MPEG2 W5 H3 F1:1 C{colour}".encode()
    (tmp_path / "t.y4m").write_bytes(stream_bytes(pictures, header, other))
    assert_frames(read_all(tmp_path / "t.y4m")[1], pictures)


def test_parameters_of_single_frames(tmp_path):
    pictures = noise(3, 4, 4)
    data = stream_bytes(pictures, b"YUV4MPEG2 W4 H4 Cmono", params=b" Ip XHELLO")
    (tmp_path / "t.y4m").write_bytes(data)
    assert_frames(read_all(tmp_path / "t.y4m")[1], pictures)


def test_user_rate_wins(tmp_path):
    (tmp_path / "t.y4m").write_bytes(stream_bytes(noise(1, 4, 4), b"YUV4MPEG2 W4 H4 F25:1 Cmono"))
    assert read_all(tmp_path / "t.y4m", playback_rate=60)[0].info.playback_rate == 60


def test_interlaced_is_said(tmp_path):
    (tmp_path / "t.y4m").write_bytes(stream_bytes(noise(1, 4, 4), b"YUV4MPEG2 W4 H4 It Cmono"))
    assert "interlaced" in read_all(tmp_path / "t.y4m")[0].info.warnings[0]


@pytest.mark.parametrize("cut", [1, 5, 15, 16, 17, 20, 21])
def test_cut_short(tmp_path, cut):
    pictures = noise(3, 4, 4)
    data = stream_bytes(pictures, b"YUV4MPEG2 W4 H4 Cmono")
    (tmp_path / "t.y4m").write_bytes(data[:-cut])
    reader, frames = read_all(tmp_path / "t.y4m")
    assert_frames(frames, pictures[:2])
    assert reader.info.n_frames == 2
    assert reader.info.warnings == ("cut short inside frame 2",)


def test_garbage_between_frames_ends_the_take(tmp_path):
    pictures = noise(2, 4, 4)
    data = stream_bytes(pictures, b"YUV4MPEG2 W4 H4 Cmono") + b"GARBAGE\n" + bytes(99)
    (tmp_path / "t.y4m").write_bytes(data)
    reader, frames = read_all(tmp_path / "t.y4m")
    assert_frames(frames, pictures)
    assert "damaged" in reader.info.warnings[0]


@pytest.mark.parametrize(
    "header",
    [
        b"YUV4MPEG2",
        b"YUV4MPEG2\n",
        b"YUV4MPEG2 W0 H4\n",
        b"YUV4MPEG2 W4\n",
        b"YUV4MPEG2 W999999999 H999999999\n",
        b"YUV4MPEG2 W4 H4 C4:2:0\n",
        b"YUV4MPEG2 W4 H4 Cmono20\n",
        b"YUV4MPEG2X W4 H4\n",
        b"YUV4MPEG2 " + b"X" * 5000,
    ],
)
def test_bad_header_is_one_line(tmp_path, header):
    (tmp_path / "t.y4m").write_bytes(header)
    with pytest.raises(UnreadableTake) as caught:
        open_take(tmp_path / "t.y4m")
    assert str(tmp_path / "t.y4m") in str(caught.value)
    assert "\n" not in str(caught.value)
