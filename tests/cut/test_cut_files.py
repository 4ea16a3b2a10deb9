"""Stills, TIFF pages, raw pixels, stacks, Y4M and pipes: the bytes of the frames."""

import io
import json
import os
import shutil
import subprocess

import av
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile
from cut_fixtures import cut_one, framemd5, info_of, left_over
from video_fixtures import scene

from flashpan.cut import files
from flashpan.cut.base import Cut
from flashpan.cut.engine import cut_held
from flashpan.cut.ring import FrameRing, Spool
from flashpan.errors import ClipDiffers, CutRefused, TakeError, UnreadableTake
from flashpan.ranges import Span
from flashpan.readers.base import Source
from flashpan.readers.open import open_take
from flashpan.readers.pipe import PipeReader

N = 8
ENDS = [(0, 0), (N - 1, N - 1), (2, 5), (0, N - 1)]


def lumas(path, raw=None):
    with open_take(path, raw=raw) as reader:
        return [frame.luma for frame in reader]


def same_frames(clip, path, first, last, raw=None, clip_raw=None):
    pairs = zip(lumas(clip, clip_raw), lumas(path, raw)[first : last + 1], strict=True)
    return all(np.array_equal(one, other) for one, other in pairs)


@pytest.fixture
def stills(tmp_path):
    folder = tmp_path / "shot"
    folder.mkdir()
    for k in range(N):
        iio.imwrite(folder / f"cam2_{98 + k:05d}.png", scene(k, 16))
    return folder


@pytest.mark.parametrize(("first", "last"), ENDS)
def test_stills_are_copied_byte_for_byte(stills, tmp_path, first, last):
    clip = cut_one(stills, first, last, tmp_path / "clip")
    kept = sorted(stills.iterdir())[first : last + 1]
    assert [path.name for path in sorted(clip.path.iterdir())] == [path.name for path in kept]
    for source, copy in zip(kept, sorted(clip.path.iterdir()), strict=True):
        assert copy.read_bytes() == source.read_bytes()
        assert copy.stat().st_mtime_ns == source.stat().st_mtime_ns
    assert (clip.how, clip.verified, clip.n_frames) == ("bytes", True, last - first + 1)
    assert clip.n_bytes == sum(path.stat().st_size for path in kept)
    assert clip.sidecar == tmp_path / "clip.clip.json"
    assert left_over(tmp_path) == []


def test_numbering_may_begin_anew(stills, tmp_path):
    clip = cut_one(stills, 2, 5, tmp_path / "clip", renumber=True)
    names = [path.name for path in sorted(clip.path.iterdir())]
    assert names == [f"cam2_{k:05d}.png" for k in range(4)]
    assert same_frames(clip.path, stills, 2, 5)


def test_stills_may_be_linked(stills, tmp_path):
    clip = cut_one(stills, 2, 3, tmp_path / "clip", files="hardlink")
    for copy in clip.path.iterdir():
        assert os.path.samefile(copy, stills / copy.name)
    assert clip.verified is True


def can_share_blocks(folder):
    """Ask the coreutils command, which is not ours, on this very file system."""
    (folder / "probe").write_bytes(b"probe")
    command = ["cp", "--reflink=always", str(folder / "probe"), str(folder / "probe2")]
    return subprocess.run(command, capture_output=True).returncode == 0


def test_sharing_blocks_works_or_is_refused(stills, tmp_path):
    if can_share_blocks(tmp_path):
        clip = cut_one(stills, 2, 3, tmp_path / "clip", files="reflink")
        assert same_frames(clip.path, stills, 2, 3)
    else:
        with pytest.raises(CutRefused, match="cannot reflink files"):
            cut_one(stills, 2, 3, tmp_path / "clip", files="reflink")
        assert not (tmp_path / "clip").exists()
    assert left_over(tmp_path) == []


def test_links_to_another_disk_are_refused(stills, tmp_path, monkeypatch):
    def other_disk(*_):
        raise OSError(18, os.strerror(18))

    monkeypatch.setattr(os, "link", other_disk)
    with pytest.raises(CutRefused, match=r"cannot hardlink files.*same file system, or copy them"):
        cut_one(stills, 2, 3, tmp_path / "clip", files="hardlink")
    assert not (tmp_path / "clip").exists()


def test_a_folder_of_that_name_stays_as_it_is(stills, tmp_path):
    (tmp_path / "clip").mkdir()
    (tmp_path / "clip" / "mine.txt").write_text("mine")
    with pytest.raises(TakeError, match="exists already"):
        cut_one(stills, 2, 3, tmp_path / "clip")
    assert (tmp_path / "clip" / "mine.txt").read_text() == "mine"
    cut_one(stills, 2, 3, tmp_path / "clip", overwrite=True)
    assert len(list((tmp_path / "clip").iterdir())) == 2
    assert left_over(tmp_path) == []


def test_a_folder_that_holds_the_take_is_never_replaced(stills, tmp_path):
    for target in (stills, tmp_path):
        with pytest.raises(TakeError, match="is or holds the take itself"):
            cut_one(stills, 2, 3, target, overwrite=True)
    assert len(list(stills.iterdir())) == N


def test_a_still_that_went_is_noticed(stills, tmp_path):
    info = info_of(stills)
    next(stills.iterdir()).unlink()
    with pytest.raises(UnreadableTake, match="7 stills are there, and not 8"):
        cut_one(stills, 2, 3, tmp_path / "clip", info=info)


def test_a_still_that_differs_marks_the_folder(stills, tmp_path, monkeypatch):
    bring = files._bring

    def cut_short(cut, source, target):
        bring(cut, source, target)
        target.write_bytes(target.read_bytes()[:-1])

    monkeypatch.setattr(files, "_bring", cut_short)
    with pytest.raises(ClipDiffers, match="2 of 2 frames differ, the first is frame 2"):
        cut_one(stills, 2, 3, tmp_path / "clip")
    assert not (tmp_path / "clip").exists()
    assert len(list((tmp_path / "clip.differs").iterdir())) == 2


TIFFS = [
    ("gray 8", np.uint8, (24, 32), {}),
    ("gray 16", np.uint16, (24, 32), {}),
    ("white is zero", np.uint8, (24, 32), {"photometric": "miniswhite"}),
    ("colour", np.uint8, (24, 32, 3), {"photometric": "rgb"}),
    ("colour planes", np.uint16, (3, 24, 32), {"photometric": "rgb", "planarconfig": "separate"}),
    ("deflate", np.uint16, (24, 32), {"compression": "zlib", "predictor": True}),
    ("12 bits", np.uint16, (24, 32), {"extratags": [(281, 3, 1, 4095, True)]}),
    ("big-endian", np.uint16, (24, 32), {}),
]


@pytest.mark.parametrize(("kind", "dtype", "shape", "options"), TIFFS)
def test_pages_keep_every_sample_and_their_depth(tmp_path, kind, dtype, shape, options):
    draw = np.random.default_rng(1)
    top = 4096 if kind == "12 bits" else np.iinfo(dtype).max + 1
    stack = draw.integers(0, top, (N, *shape)).astype(dtype)
    order = ">" if kind == "big-endian" else "<"
    with tifffile.TiffWriter(tmp_path / "take.tif", byteorder=order) as writer:
        for page in stack:
            writer.write(page, metadata=None, **options)
    before, info = (tmp_path / "take.tif").read_bytes(), info_of(tmp_path / "take.tif")
    for first, last in ENDS:
        clip = cut_one(tmp_path / "take.tif", first, last, tmp_path / f"c{first}-{last}", info=info)
        assert (clip.how, clip.verified, clip.path.suffix) == ("pages", True, ".tif")
        stored = tifffile.imread(clip.path, key=range(last - first + 1))
        np.testing.assert_array_equal(stored.reshape(-1, *shape), stack[first : last + 1])
        assert same_frames(clip.path, tmp_path / "take.tif", first, last)
        assert info_of(clip.path).bit_depth == info.bit_depth
    assert (tmp_path / "take.tif").read_bytes() == before


@pytest.mark.parametrize(("first", "last"), ENDS)
@pytest.mark.parametrize(("form", "offset"), [("Mono8", 0), ("Mono12p", 0), ("Mono16", 512)])
def test_raw_clips_are_the_frames_bytes(tmp_path, form, offset, first, last):
    size = {"Mono8": 768, "Mono12p": 1152, "Mono16": 1536}[form]
    data = np.random.default_rng(2).integers(0, 256, N * size, dtype=np.uint8).tobytes()
    (tmp_path / "take.bin").write_bytes(bytes(offset) + data)
    raw = f"32x24:{form}" + (f"+{offset}" if offset else "")
    clip = cut_one(tmp_path / "take.bin", first, last, tmp_path / "clip", raw=raw)
    assert clip.path.read_bytes() == data[first * size : (last + 1) * size]
    assert (clip.how, clip.verified, clip.path.name) == ("bytes", True, "clip.bin")
    said = json.loads(clip.sidecar.read_text())
    assert said["raw"] == f"32x24:{form}"
    assert same_frames(clip.path, tmp_path / "take.bin", first, last, raw, said["raw"])


@pytest.mark.parametrize(("first", "last"), ENDS)
@pytest.mark.parametrize("kind", ["gray", "colour", "fortran", "big-endian"])
def test_stacks_are_the_same_array(tmp_path, kind, first, last):
    shape = (N, 24, 32, 3) if kind == "colour" else (N, 24, 32)
    stack = np.random.default_rng(3).integers(0, 65536, shape).astype("<u2")
    stack = stack.astype(">u2") if kind == "big-endian" else stack
    np.save(tmp_path / "take.npy", np.asfortranarray(stack) if kind == "fortran" else stack)
    clip = cut_one(tmp_path / "take.npy", first, last, tmp_path / "clip")
    there = np.load(clip.path)
    assert there.dtype == stack.dtype
    np.testing.assert_array_equal(there, stack[first : last + 1])


def y4m(path, pixels="yuv420p", n_frames=N):
    with av.open(str(path), "w", format="yuv4mpegpipe") as container:
        stream = container.add_stream("wrapped_avframe", rate=25)
        stream.width, stream.height, stream.pix_fmt = 32, 24, pixels
        draw = np.random.default_rng(4)
        for k in range(n_frames):
            rgb = draw.integers(0, 256, (24, 32, 3), dtype=np.uint8)
            frame = av.VideoFrame.from_ndarray(rgb, format="rgb24").reformat(format=pixels)
            frame.pts = k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


@pytest.mark.parametrize(("first", "last"), ENDS)
def test_y4m_keeps_its_colour(tmp_path, first, last):
    path = y4m(tmp_path / "take.y4m")
    clip = cut_one(path, first, last, tmp_path / "clip")
    assert framemd5(clip.path) == framemd5(path)[first : last + 1]
    assert clip.path.read_bytes().split(b"\n")[0] == path.read_bytes().split(b"\n")[0]


class _Pipe:
    def __init__(self, data):
        self.buffer = io.BytesIO(data)

    def isatty(self):
        return False


def piped(monkeypatch, data, raw=None):
    monkeypatch.setattr("sys.stdin", _Pipe(data))
    return PipeReader(Source(path="-", raw=raw))


def test_a_ring_keeps_the_pre_roll_of_a_pipe(tmp_path, monkeypatch):
    path = y4m(tmp_path / "take.y4m")
    reader = piped(monkeypatch, path.read_bytes())
    ring = FrameRing(5, reader.start)
    for frame in reader:
        ring.add(frame.index, reader.stored)
        assert len(range(*ring.held)) <= 5
    cut = Cut(take=reader.info, span=Span(4, 7), target=tmp_path / "clip")
    clip = cut_held(cut, ring)
    assert framemd5(clip.path) == framemd5(path)[4:7]
    assert (clip.verified, clip.path.name) == (True, "clip.y4m")
    with pytest.raises(TakeError, match=r"not all held \(only 3 to 7\); hold more frames"):
        cut_held(Cut(take=reader.info, span=Span(2, 7), target=tmp_path / "late"), ring)
    assert left_over(tmp_path) == []


def test_a_ring_keeps_raw_pixels(tmp_path, monkeypatch):
    data = np.random.default_rng(5).integers(0, 256, N * 1152, dtype=np.uint8).tobytes()
    raw = "32x24:Mono12p"
    reader = piped(monkeypatch, data, raw)
    ring = FrameRing(6, reader.start)
    for frame in reader:
        ring.add(frame.index, reader.stored)
    cut = Cut(take=reader.info, span=Span(3, 6), target=tmp_path / "clip", raw=raw)
    clip = cut_held(cut, ring)
    assert clip.path.read_bytes() == data[3 * 1152 : 6 * 1152]
    assert clip.verified is True


def test_frames_enter_a_ring_in_order():
    ring = FrameRing(3)
    ring.add(7, (b"",))
    with pytest.raises(ValueError, match="frame 9 does not follow frame 7"):
        ring.add(9, (b"",))


def test_the_same_take_elsewhere_gives_the_same_hashes(stills, tmp_path):
    shutil.copytree(stills, tmp_path / "elsewhere")
    one = cut_one(stills, 1, 3, tmp_path / "one")
    other = cut_one(tmp_path / "elsewhere", 1, 3, tmp_path / "other")
    assert one.digest == other.digest


def test_what_a_ring_lets_go_of_but_may_need_goes_to_the_disk(tmp_path):
    frames = [(bytes([k] * 5), bytes([k])) for k in range(60)]
    with FrameRing(4, spool=Spool(tmp_path, piece_bytes=30)) as ring:
        for index, pieces in enumerate(frames[:40]):
            ring.keep_from(min(index, 10))
            ring.add(index, pieces)
        assert ring.held == Span(10, 40)
        assert len(left_over(tmp_path)) == 6  # of 26 frames, five of them in each file
        wanted = [b"".join(pieces) for pieces in frames]
        assert [b"".join(one) for one in ring.frames(Span(10, 40))] == wanted[10:40]
        ring.keep_from(33)
        assert ring.held.start <= 33
        assert [b"".join(one) for one in ring.frames(Span(33, 40))] == wanted[33:40]
        for index, pieces in enumerate(frames[40:], 40):
            ring.keep_from(index - 2)
            ring.add(index, pieces)
        assert ring.held == Span(56, 60)
        assert left_over(tmp_path) == []
        ring.keep_from(58)
        with pytest.raises(TakeError, match="not all held"):
            list(ring.frames(Span(50, 60)))
    assert left_over(tmp_path) == []
