"""Files hold the take's frames: lossless ones bit for bit, lossy ones nearly."""

from __future__ import annotations

import json
from fractions import Fraction

import av
import numpy as np
import pytest
import tifffile

from sample_generators import (
    FORMATS,
    NAMES,
    Quality,
    SampleError,
    Sensor,
    TakeSettings,
    make_take,
    write_night,
    write_take,
)
from sample_generators.__main__ import main
from sample_generators.depth import at_depth, pack_mono12p, video_range
from sample_generators.disturb import Counter

ROWS, COLS, N = 128, 256, 24


def small(bit_depth=8, **changes):
    given = {"rows": ROWS, "cols": COLS, "n_frames": N, "seed": 3, "event_frames": (8,)}
    return make_take("release", TakeSettings(**{**given, **changes}, bit_depth=bit_depth))


def luma_of(path):
    """Decode with PyAV alone: luma planes, stream."""
    frames = []
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        for frame in container.decode(stream):
            plane = frame.planes[0]
            dtype = np.uint8 if plane.line_size < 2 * frame.width else np.uint16
            rows = np.frombuffer(plane, dtype).reshape(-1, plane.line_size // dtype().itemsize)
            frames.append(rows[: frame.height, : frame.width].copy())
        return np.stack(frames), stream.average_rate, stream.codec_context.pix_fmt


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("form", ["ffv1", "y4m"])
def test_lossless_video_is_the_take_bit_for_bit(tmp_path, bits, form):
    take = small(bits)
    path = tmp_path / f"take.{'mkv' if form == 'ffv1' else form}"
    write_take(take, path)
    frames, rate, pixel_format = luma_of(path)
    np.testing.assert_array_equal(frames, np.stack(list(take)))
    assert rate == Fraction(25)
    assert pixel_format == ("gray" if bits == 8 else f"gray{bits}le")


def test_ffv1_is_all_keyframes(tmp_path):
    write_take(small(12), tmp_path / "take.mkv")
    with av.open(str(tmp_path / "take.mkv")) as container:
        packets = [packet for packet in container.demux(video=0) if packet.size]
    assert len(packets) == N
    assert all(packet.is_keyframe for packet in packets)


@pytest.mark.parametrize(
    ("form", "suffix", "bits", "pixel_format", "full"),
    [
        ("h264", ".mp4", 8, "yuv420p", False),
        ("hevc", ".mp4", 10, "yuv420p10le", False),
        ("mjpeg", ".avi", 8, "yuvj420p", True),
        ("prores", ".mov", 10, "yuv422p10le", False),
        ("dnxhr", ".mov", 10, "yuv422p10le", False),
    ],
)
@pytest.mark.parametrize("take_bits", [8, 12])
def test_lossy_video_is_nearly_the_take(
    tmp_path, form, suffix, bits, pixel_format, full, take_bits
):
    if form == "dnxhr" and take_bits == 8:
        bits, pixel_format = 8, "yuv422p"
    # Without noise, which such codecs eat; the counter tells the frames apart.
    take = small(take_bits, sensor=Sensor.silent(take_bits), disturbances=(Counter(),))
    path = tmp_path / f"take{suffix}"
    write_take(take, path, form=form, quality=Quality(crf=8))
    frames, rate, got = luma_of(path)
    expected = at_depth(np.stack(list(take)), take_bits, bits)
    if not full:
        expected = video_range(bits)[expected]
    assert frames.shape == (N, ROWS, COLS)
    assert rate == Fraction(25)
    assert got == pixel_format
    error = frames.astype(np.float64) - expected
    unit = 1 << (bits - 8)
    assert np.sqrt(np.mean(error[:, 16:] ** 2)) < 1.5 * unit
    assert abs(error[:, 16:].mean()) < 0.3 * unit
    count = (slice(None), slice(0, 11), slice(0, 56))
    apart = frames[count].astype(np.float64)[:, None] - expected[count][None]
    nearest = np.mean(apart**2, axis=(2, 3)).argmin(axis=1)
    assert nearest.tolist() == list(range(N))


def test_keyframe_distance_of_h264(tmp_path):
    write_take(small(), tmp_path / "take.mp4", quality=Quality(gop=6))
    with av.open(str(tmp_path / "take.mp4")) as container:
        keys = [p.is_keyframe for p in container.demux(video=0) if p.size]
    assert np.diff(np.flatnonzero(keys)).max() <= 6
    assert not all(keys)


def unpack_mono12p(data):
    """Take 12 bits at a time off a stream of bits, lowest first."""
    bits = np.unpackbits(np.frombuffer(data, np.uint8), bitorder="little")
    return bits[: bits.size // 12 * 12].reshape(-1, 12) @ (1 << np.arange(12))


def test_headerless_pixels(tmp_path):
    for bits, form, dtype in ((8, "mono8", "u1"), (10, "mono16", "<u2"), (16, "mono16", "<u2")):
        take = small(bits)
        path = tmp_path / f"take{bits}.raw"
        write_take(take, path)
        data = np.fromfile(path, dtype).reshape(N, ROWS, COLS)
        np.testing.assert_array_equal(data, np.stack(list(take)), err_msg=form)
    packed = small(12)
    write_take(packed, tmp_path / "packed.raw")
    data = (tmp_path / "packed.raw").read_bytes()
    assert len(data) == N * ROWS * COLS * 3 // 2
    frames = unpack_mono12p(data).reshape(N, ROWS, COLS)
    np.testing.assert_array_equal(frames, np.stack(list(packed)))


def test_packing_twelve_bits():
    """0xABC, 0x123 are BC 3A 12: lowest bits first (Mono12p layout, MEM)."""
    assert pack_mono12p(np.array([0xABC, 0x123], np.uint16)).tobytes() == b"\xbc\x3a\x12"
    assert pack_mono12p(np.array([0xABC], np.uint16)).tobytes() == b"\xbc\x0a"


@pytest.mark.parametrize("bits", [8, 12])
def test_stack_and_stills(tmp_path, bits):
    take = small(bits)
    write_take(take, tmp_path / "take.npy")
    np.testing.assert_array_equal(np.load(tmp_path / "take.npy"), np.stack(list(take)))
    write_take(take, tmp_path / "shot")
    files = sorted((tmp_path / "shot").iterdir())
    assert [f.name for f in files] == [f"frame_{t:06d}.tif" for t in range(N)]
    for t, file in enumerate(files):
        np.testing.assert_array_equal(tifffile.imread(file), take.frame(t))


def test_depth_shifts():
    values = np.array([[0, 1, 255]], np.uint8)
    assert at_depth(values, 8, 12).tolist() == [[0, 16, 4080]]
    assert at_depth(at_depth(values, 8, 12), 12, 8).tolist() == values.tolist()


def test_video_range_is_219_over_255():
    """16 to 235 of 256 (factor 255/219 back): READ, siti-tools source."""
    table = video_range(8)
    assert (table[0], table[255]) == (16, 235)
    assert video_range(10)[[0, 1023]].tolist() == [64, 940]


def test_truth_lies_beside_the_take(tmp_path):
    take = small()
    truth = write_take(take, tmp_path / "night.shot.mkv")
    assert truth == tmp_path / "night.shot.truth.json"
    assert json.loads(truth.read_text())["events"][0]["onset"] == take.truth.events[0].onset
    assert sorted(p.name for p in tmp_path.iterdir()) == ["night.shot.mkv", "night.shot.truth.json"]


def test_what_cannot_be_written_is_refused_and_leaves_nothing(tmp_path):
    taken = tmp_path / "taken.mkv"
    taken.write_bytes(b"mine")
    cases = [
        (small(), taken, None, "is there already"),
        (small(), tmp_path / "x.doc", None, "cannot tell the format"),
        (small(), tmp_path / "x.mkv", "vhs", "there are: ffv1"),
        (small(), tmp_path / "no" / "x.mkv", None, "no such folder"),
        (small(rows=97), tmp_path / "odd.mp4", None, "must be even"),
        (small(rows=64), tmp_path / "low.mov", "dnxhr", "at least 256x120"),
    ]
    for take, path, form, says in cases:
        with pytest.raises(SampleError, match=says):
            write_take(take, path, form=form)
    assert taken.read_bytes() == b"mine"
    assert [p.name for p in tmp_path.iterdir()] == ["taken.mkv"]


def test_night_mixes_takes(tmp_path):
    settings = TakeSettings(rows=64, cols=64, n_frames=40)
    written = list(write_night(tmp_path, len(NAMES), seed=1, settings=settings))
    assert sorted(take.name for _, take in written) == sorted(NAMES)
    for path, take in written:
        assert path.exists()
        assert len(take) == 40
    again = list(write_night(tmp_path / "again", len(NAMES), seed=1, settings=settings))
    for (path, _), (twin, _) in zip(written, again, strict=True):
        truths = [p.with_name(f"{p.stem}.truth.json").read_text() for p in (path, twin)]
        assert truths[0] == truths[1]


def test_command_line_makes_a_take(tmp_path, capsys):
    path = tmp_path / "storm.mkv"
    words = ["storm", str(path), "--frames", "30", "--seed", "7", "--bit-depth", "12"]
    words += ["--size", "64x48", "--flicker", "100:0.2:two", "--rolling-shutter", "0.5"]
    assert main([*words, "--event-at", "10", "--counter", "--sway", "0.5"]) == 0
    out = capsys.readouterr().out
    assert "invented storm take" in out
    assert "Lightning kills" in out
    frames, _, _ = luma_of(path)
    assert frames.shape == (30, 48, 64)
    truth = json.loads((tmp_path / "storm.truth.json").read_text())
    assert len(truth["disturbances"]) == 4
    assert "line_delay=0.5" in truth["disturbances"][0]


def test_command_line_makes_a_night(tmp_path, capsys):
    assert main(["night", str(tmp_path), "--takes", "2", "--size", "64x48", "--frames", "20"]) == 0
    assert capsys.readouterr().out.count("invented") == 2


def test_command_line_errors_are_one_line(tmp_path, capsys):
    assert main(["quiet", str(tmp_path / "x.doc")]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "x.doc" in error
    with pytest.raises(SystemExit) as stopped:
        main(["quiet", str(tmp_path / "x.mkv"), "--flicker", "loud"])
    assert stopped.value.code == 2
    assert "give HZ:DEPTH" in capsys.readouterr().err


def test_help_names_every_scenario_and_format(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    out = capsys.readouterr().out
    for word in (*NAMES, *FORMATS, "night"):
        assert word in out
