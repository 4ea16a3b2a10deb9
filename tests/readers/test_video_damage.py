"""Damaged takes: what can be had is delivered, and what cannot is said; never an exception."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import av
import numpy as np
import pytest
from video_fixtures import number_in, read, scene, take

from flashpan.errors import UnreadableTake
from flashpan.readers.base import Source
from flashpan.readers.video import VideoReader

FRAGMENTED = {"movflags": "frag_keyframe+empty_moov"}
INTRA = {"g": "1"}
CUTS = [
    ("avi", "mjpeg", "yuvj420p", {"qscale": "2"}, {}),
    ("mkv", "ffv1", "gray", INTRA, {}),
    ("mkv", "libx264", "yuv420p", {"g": "8", "bf": "2"}, {}),
    ("ts", "libx264", "yuv420p", {"g": "8", "bf": "0"}, {}),
    ("mp4", "libx264", "yuv420p", {"g": "8", "bf": "0"}, FRAGMENTED),
    ("mp4", "libx264", "yuv420p", {"g": "8", "bf": "0"}, {"movflags": "faststart"}),
    ("mxf", "mpeg2video", "yuv420p", INTRA, {}),
    ("webm", "libvpx-vp9", "yuv420p", {"deadline": "realtime", "cpu-used": "8"}, {}),
]


def outcome(path: Path):
    """Frames and info, or the refusal; anything else is a failure of the reader."""
    try:
        reader = VideoReader(Source(path=str(path)))
    except UnreadableTake as error:
        refusal = str(error)
    else:
        refusal = ""
    if refusal:
        assert "\n" not in refusal
        assert str(path) in refusal
        return None
    with reader:
        frames = list(reader)
        assert frames
        assert reader.info.n_frames == len(frames)
        return reader.info, frames


@pytest.mark.parametrize(("ending", "codec", "pixels", "options", "wrap"), CUTS)
def test_a_cut_file_is_read_up_to_the_cut(tmp_path, ending, codec, pixels, options, wrap):
    whole = take(
        tmp_path / f"whole.{ending}", codec, pixels, 40, options=options, container_options=wrap
    )
    data = whole.read_bytes()
    counts = []
    for stop in np.linspace(1, len(data) * 0.97, 24).astype(int):
        path = tmp_path / f"cut.{ending}"
        path.write_bytes(data[:stop])
        result = outcome(path)
        if result is None:
            counts.append(0)
            continue
        info, frames = result
        counts.append(len(frames))
        partial = [n for n in info.warnings if "decode only in part" in n]
        good = int(partial[0].rsplit(None, 1)[1]) if partial else len(frames)
        # With B-frames the last few may lack what they are predicted from.
        sure = good if options.get("bf", "0") == "0" else max(good - 4, 0)
        assert [number_in(f.luma, 8) for f in frames[:sure]] == list(range(sure))
        if len(frames) < 38:
            assert any("last good frame is" in note for note in info.warnings), info.warnings
    assert counts == sorted(counts)
    assert counts[-1] >= 30


def test_mp4_without_its_index_says_what_to_do(tmp_path):
    whole = take(tmp_path / "whole.mp4", "libx264", "yuv420p", 40)
    data = whole.read_bytes()
    path = tmp_path / "cut.mp4"
    for stop in (len(data) // 3, data.index(b"moov") + 100):
        path.write_bytes(data[:stop])
        with pytest.raises(UnreadableTake, match=r"cut\.mp4: no whole index .* copy it again"):
            VideoReader(Source(path=str(path)))


def test_a_fragmented_file_cut_in_a_fragment_header_is_read_up_to_it(tmp_path, capfd):
    options = {"g": "8", "bf": "0"}
    path = take(
        tmp_path / "take.mp4",
        "libx264",
        "yuv420p",
        40,
        options=options,
        container_options=FRAGMENTED,
    )
    data = path.read_bytes()
    path.write_bytes(data[: data.rindex(b"traf")])
    info, frames = read(path)
    assert [number_in(frame.luma, 8) for frame in frames] == list(range(32))
    assert "the file is cut off; the last good frame is 31" in info.warnings
    assert capfd.readouterr() == ("", "")


def test_a_stream_that_turns_up_late_does_no_harm(tmp_path):
    parts = [
        take(
            tmp_path / f"{pid}.ts",
            "libx264",
            "yuv420p",
            10,
            options={"bf": "0"},
            container_options={"mpegts_start_pid": pid, "mpegts_pmt_start_pid": pmt},
        )
        for pid, pmt in (("256", "4096"), ("512", "4097"))
    ]
    path = tmp_path / "both.ts"
    path.write_bytes(b"".join(part.read_bytes() for part in parts))
    _, frames = read(path)
    assert [number_in(frame.luma, 8) for frame in frames][:10] == list(range(10))


@pytest.mark.parametrize(("ending", "codec", "pixels", "options", "wrap"), CUTS)
def test_flipped_bytes_never_raise(tmp_path, ending, codec, pixels, options, wrap):
    whole = take(
        tmp_path / f"whole.{ending}", codec, pixels, 30, options=options, container_options=wrap
    )
    data = whole.read_bytes()
    draw = np.random.default_rng(11)
    for _ in range(12):
        damaged = np.frombuffer(data, np.uint8).copy()
        damaged[draw.integers(len(data) // 10, len(data), 8)] = draw.integers(0, 256, 8)
        path = tmp_path / f"damaged.{ending}"
        path.write_bytes(damaged.tobytes())
        outcome(path)


def spoil(path: Path, numbers: list[int]) -> None:
    """Overwrite the coded pictures of some packets with zeros."""
    with av.open(str(path)) as container:
        spots = [(p.pos, p.size) for p in container.demux(video=0) if p.size]
    data = bytearray(path.read_bytes())
    for number in numbers:
        pos, size = spots[number]
        data[pos : pos + size] = bytes(size)
    path.write_bytes(data)


@pytest.mark.parametrize("threads", [1, 4])
@pytest.mark.parametrize("bad", [[10], [10, 20], [27], [28], [29], [26, 28]])
def test_only_the_spoilt_pictures_are_missing(tmp_path, threads, bad, monkeypatch):
    """Also among the last packets, which threads still work on when the file ends."""
    monkeypatch.setattr(VideoReader, "thread_count", threads)
    path = take(tmp_path / "take.mov", "prores_ks", "yuv422p10le", 30, 10)
    spoil(path, bad)
    info, frames = read(path)
    kept = [number for number in range(30) if number not in bad]
    assert [number_in(frame.luma, 10) for frame in frames] == kept
    assert [frame.index for frame in frames] == list(range(len(kept)))
    after = bad[0] - 1
    wanted = f"{len(bad)} of 30 packets gave no picture; the first after frame {after}"
    assert wanted in info.warnings
    assert any(f"declares 30 frames, {len(kept)} decode" in note for note in info.warnings)


def test_a_take_of_which_nothing_decodes(tmp_path):
    path = take(tmp_path / "take.mov", "prores_ks", "yuv422p10le", 5, 10)
    spoil(path, [0, 1, 2, 3, 4])
    with pytest.raises(UnreadableTake, match=r"take\.mov: no picture in it decodes"):
        VideoReader(Source(path=str(path)))


def test_nothing_is_printed(tmp_path):
    path = take(tmp_path / "take.mov", "prores_ks", "yuv422p10le", 20, 10)
    spoil(path, [5])
    path.write_bytes(path.read_bytes() + b"junk")
    program = (
        "import sys\n"
        "from flashpan.readers.base import Source\n"
        "from flashpan.readers.video import VideoReader\n"
        "with VideoReader(Source(path=sys.argv[1])) as reader:\n"
        "    sys.exit(sum(1 for _ in reader))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)], capture_output=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (19, b"", b"")


def test_a_consumer_that_stops_early_loses_nothing(tmp_path):
    path = take(tmp_path / "take.mkv", "ffv1", "gray", 30)
    with VideoReader(Source(path=str(path))) as reader:
        for frame in reader:
            if frame.index == 4:
                break
    np.testing.assert_array_equal(frame.luma, scene(4))
