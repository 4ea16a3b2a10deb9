import io
import os
import sys
import threading
from types import SimpleNamespace

import numpy as np
import pytest
from still_fixtures import assert_frames, noise, read_all
from test_y4m import stream_bytes, write_y4m

from flashpan.errors import UnreadableTake, UsageError
from flashpan.readers.open import open_take
from flashpan.readers.pipe import PipeReader

Y4M = b"YUV4MPEG2 W64 H64 F25:1 Cmono"


@pytest.fixture
def pipe_in(monkeypatch):
    """Make bytes, or a file descriptor, the standard input."""

    def feed(source):
        buffer = io.BytesIO(source) if isinstance(source, bytes) else os.fdopen(source, "rb")
        monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=buffer, isatty=lambda: False))
        return buffer

    return feed


def test_y4m(tmp_path, pipe_in):
    pictures = noise(4, 18, 34, bits=10)
    write_y4m(tmp_path / "t.y4m", pictures, "yuv420p10le", rate=50)
    pipe_in((tmp_path / "t.y4m").read_bytes())
    reader, frames = read_all("-")
    assert isinstance(reader, PipeReader)
    assert_frames(frames, pictures)
    info = reader.info
    assert (info.path, info.n_frames, info.playback_rate, info.bit_depth) == ("-", 4, 50, 10)
    assert info.limited_range
    assert reader.bytes_read == (tmp_path / "t.y4m").stat().st_size


@pytest.mark.parametrize("header", [b"", b"x" * 3000])
def test_headerless(pipe_in, header):
    pictures = noise(4, 5, 7, bits=12)
    pipe_in(header + pictures.tobytes())
    reader, frames = read_all("-", raw=f"7x5:Mono12+{len(header)}")
    assert_frames(frames, pictures)
    assert reader.bytes_read == len(header) + pictures.nbytes
    assert reader.info.warnings == ()


def test_standard_input_stays_open(pipe_in):
    buffer = pipe_in(noise(1, 4, 4).tobytes())
    read_all("-", raw="4x4:Mono8")
    assert not buffer.closed


@pytest.mark.parametrize("raw", [None, "64x64:Mono8"])
def test_cut_short(pipe_in, raw):
    pictures = noise(3, 64, 64)
    data = pictures.tobytes() if raw else stream_bytes(pictures, Y4M)
    pipe_in(data[:-1])
    reader, frames = read_all("-", raw=raw)
    assert_frames(frames, pictures[:2])
    assert reader.info.n_frames == 2
    assert reader.info.warnings == ("cut short inside frame 2",)


@pytest.mark.parametrize(
    ("data", "raw", "says"),
    [
        (b"", None, "nothing arrives"),
        (b"", "4x4:Mono8", "no frame arrived"),
        (b"short", "4x4:Mono8", "cut short inside frame 0"),
        (b"RIFF....AVI LIST", None, "--raw"),
        (Y4M, None, "ends inside"),
        (Y4M + b"\n", None, "no frame arrived"),
        (Y4M + b"\nFRAME\n123", None, "cut short inside frame 0"),
    ],
)
def test_nothing_usable_on_the_pipe(pipe_in, data, raw, says):
    pipe_in(data)
    with pytest.raises(UnreadableTake, match=says) as caught:
        open_take("-", raw=raw)
    assert str(caught.value).startswith("-: ")


def test_terminal_is_refused(monkeypatch):
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))
    with pytest.raises(UnreadableTake, match="terminal"):
        open_take("-")


def test_malformed_geometry(pipe_in):
    pipe_in(b"1234")
    with pytest.raises(UsageError, match="for example"):
        open_take("-", raw="4-4")


def test_stray_high_bits_become_white_with_a_warning(pipe_in):
    pipe_in(np.full((2, 4, 4), 5000, "<u2").tobytes())
    reader, frames = read_all("-", raw="4x4:Mono12")
    assert frames[0].luma.max() == 4095
    assert len(reader.info.warnings) == 1


@pytest.mark.parametrize("raw", [None, "64x64:Mono8"])
def test_each_frame_is_handed_on_before_the_next_but_one_is_written(pipe_in, raw):
    n_frames = 12
    pictures = noise(n_frames, 64, 64)
    whole = pictures.tobytes() if raw else stream_bytes(pictures, Y4M)
    size = (len(whole) - (0 if raw else len(Y4M) + 1)) // n_frames
    head = whole[: len(whole) - n_frames * size]
    got = [threading.Event() for _ in range(n_frames)]
    late: list[int] = []
    read_end, write_end = os.pipe()

    def write():
        with os.fdopen(write_end, "wb", buffering=0) as pipe:
            pipe.write(head)
            for k in range(n_frames):
                # Frame k goes out only once frame k-2 has come back (k-1 except the first).
                if k >= 2 and not got[k - 2].wait(10):
                    late.append(k - 2)
                start = len(head) + k * size
                pipe.write(whole[start : start + size])

    pipe_in(read_end)
    writer = threading.Thread(target=write)
    writer.start()
    with open_take("-", raw=raw) as reader:
        for frame in reader:
            np.testing.assert_array_equal(frame.luma, pictures[frame.index])
            got[frame.index].set()
    writer.join(10)
    assert late == []
    assert all(event.is_set() for event in got)
