"""Sampling a take: the events of a full scan, where they last long enough, for fewer frames."""

from fractions import Fraction

import av
import numpy as np
import pytest
from array_takes import ArrayReader, digitised, grey_noise

from flashpan.find import find
from flashpan.model import Frame
from flashpan.readers.open import open_take
from flashpan.settings import Settings
from flashpan.survey import BEAT_FRAMES
from flashpan.units import Duration

SHAPE = (24, 36)
N_FRAMES = 9000


class InParts(ArrayReader):
    """A take in memory that hands out any frame, and counts what it handed out."""

    def frame_at(self, index):
        if not 0 <= index < len(self._pictures):
            return None
        picture = self._pictures[index]
        self.bytes_read += picture.nbytes
        return Frame(index=index, luma=picture)

    def in_parts(self):
        return self.frame_at


def asking(frames, **more):
    return Settings(shortest_event=Duration(Fraction(frames)), **more)


def happened(event):
    return event.onset, event.end, event.kind, event.box


@pytest.fixture(scope="module")
def pictures():
    """A flash, a light that comes and stays, and something small that moves."""
    lift = np.zeros((N_FRAMES, *SHAPE), np.float32)
    lift[4500:4570, 6:18, 8:22] = 40
    lift[5200:, 0:12, 0:12] = 30
    for step in range(100):
        lift[5250 + step, 14:18, 8 + step // 5 : 12 + step // 5] = 60
    return grey_noise(N_FRAMES, SHAPE, lift=lift, seed=3)


@pytest.fixture(scope="module")
def full(pictures):
    return find(InParts(pictures))


def test_events_are_those_of_the_full_scan(pictures, full):
    log = find(InParts(pictures), asking(70))
    assert [happened(event) for event in log.events] == [happened(event) for event in full.events]
    assert log.ranges == full.ranges
    assert log.totals.frames == full.totals.frames == N_FRAMES
    assert log.totals.kept == full.totals.kept
    assert log.totals.bytes_read < 0.85 * full.totals.bytes_read
    assert log.warnings == ()
    assert log.settings["shortest_event_frames"] == 70


def test_a_quiet_take_is_read_in_proportion_to_the_stride():
    log = find(InParts(grey_noise(N_FRAMES, SHAPE, seed=4)), asking(200))
    assert log.events == ()
    # and looks at a false hit and at what stands out most besides, which are nothing
    sampled = N_FRAMES / 100 + 64 + 2 * (512 + 64 + 3 * 100 + 64)
    frame_bytes = SHAPE[0] * SHAPE[1]
    assert log.totals.bytes_read <= 1.02 * sampled * frame_bytes


@pytest.mark.parametrize(
    ("reader", "frames", "why"),
    [
        (InParts, 6, "leaves none to skip"),
        (ArrayReader, 100, "cannot be read one by one"),
        (InParts, 100, "fewer than 4096 frames"),
    ],
)
def test_what_cannot_be_sampled_is_searched_whole_and_says_so(reader, frames, why):
    log = find(reader(grey_noise(100, SHAPE)), asking(frames))
    assert log.totals.frames == 100
    (warning,) = log.warnings
    assert warning.startswith("every frame was searched: ")
    assert why in warning


def test_one_frame_is_a_full_scan_and_needs_no_word():
    log = find(InParts(grey_noise(100, SHAPE)), asking(1))
    assert log.warnings == ()


def test_events_are_told_in_order_as_in_a_full_scan(pictures):
    told = []
    log = find(InParts(pictures), asking(64), on_event=told.append)
    assert tuple(told) == log.events


def write_mjpeg(path, luma, repeats):
    """Each picture coded once, and written as often and in the order that is asked for."""
    rows, cols = luma.shape[1:]
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mjpeg", rate=25)
        stream.width, stream.height, stream.pix_fmt = cols, rows, "yuvj420p"
        packets = []
        for number, picture in enumerate(luma):
            planes = np.concatenate([picture, np.full((rows // 2, cols), 128, np.uint8)])
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(planes), "yuvj420p")
            frame.pts = number
            packets += [bytes(packet) for packet in stream.encode(frame)]
        packets += [bytes(packet) for packet in stream.encode(None)]
        for number, picture in enumerate(repeats):
            packet = av.Packet(packets[picture])
            packet.stream, packet.time_base = stream, Fraction(1, 25)
            packet.pts = packet.dts = number
            packet.is_keyframe = True
            container.mux(packet)


@pytest.fixture(scope="module")
def coarse():
    """Noise that the codec leaves; no picture is followed by itself; a flash at 1500."""
    lift = np.repeat([0.0, 60.0], 40)
    luma = grey_noise(80, (32, 48), level=80, sigma=12, lift=lift, seed=6)
    repeats = np.cumsum(np.random.default_rng(7).integers(1, 40, 4800)) % 40
    repeats[1500:1600] += 40
    return luma, repeats


@pytest.mark.parametrize("suffix", [".mov", ".avi"])
def test_any_frame_of_a_video_that_codes_each_by_itself(tmp_path, coarse, suffix):
    path = tmp_path / f"take{suffix}"
    luma, repeats = coarse
    write_mjpeg(path, luma, repeats[1480:1520])
    with open_take(path) as whole, open_take(path) as reader:
        frames = list(whole.frames())
        fetch = reader.in_parts()
        assert reader.info.n_frames == len(frames) == 40
        for index in (39, 0, 20, 19):
            assert np.array_equal(fetch(index).luma, frames[index].luma)
            assert (fetch(index).index, fetch(index).pts) == (index, frames[index].pts)
        assert fetch(40) is None


def test_a_video_whose_index_is_not_whole_has_no_parts(tmp_path, coarse):
    path = tmp_path / "take.mkv"  # its index knows where one may seek, and no more
    luma, repeats = coarse
    write_mjpeg(path, luma, repeats[:40])
    with open_take(path) as reader:
        assert reader.in_parts() is None


def test_a_video_that_codes_every_frame_by_itself_is_read_in_parts(tmp_path, coarse):
    path = tmp_path / "take.mov"
    write_mjpeg(path, *coarse)
    log = find(path, asking(100))
    whole = find(path, Settings(last=2199))  # nothing happens later
    assert log.warnings == ()
    assert [happened(event) for event in log.events] == [happened(event) for event in whole.events]
    assert [(event.onset, event.kind) for event in log.events] == [(1500, "flash")]
    assert log.take.n_frames == log.totals.frames == 4800
    assert log.totals.bytes_read < path.stat().st_size


@pytest.fixture(scope="module")
def traced(pictures):
    return find(InParts(pictures[:2300]), keep_trace=True).trace


def test_a_search_that_begins_in_step_soon_scores_as_the_full_scan(pictures, traced):
    start, settled = 640, 640
    assert start % BEAT_FRAMES == 0
    trace = find(InParts(pictures[:2300]), Settings(first=start), keep_trace=True).trace
    off = np.abs(trace.scores - traced.scores[:, start:])[:, settled:]
    by_name = dict(zip(trace.detectors, off, strict=True))
    for name in ("brightness", "difference"):
        assert by_name[name].max() < 1e-5  # rounding: one in a million
    # These follow what is usual by steps of one or two per cent.
    assert by_name["roi-motion"].max() < 0.1
    assert np.mean(by_name["speck"] > 1e-5) < 0.01


def test_one_that_begins_between_does_not(pictures, traced):
    start = 640 + 5
    trace = find(InParts(pictures[:2300]), Settings(first=start), keep_trace=True).trace
    off = np.abs(trace.scores - traced.scores[:, start:])[:, 640:]
    assert np.median(off[0]) > 1e-3


def test_an_end_that_hangs_on_the_noise_is_that_of_the_full_scan(monkeypatch):
    """A light so faint that its last frames are told from noise by a hundredth of its units.

    Searched from any frame that is not in step it ends four frames early.
    """
    monkeypatch.setattr("flashpan.survey.WARM_FRAMES", 2048)
    draw = np.random.default_rng(10_003)
    n_frames = int(draw.integers(5000, 8000))
    sigma, level = draw.uniform(1, 4), draw.uniform(30, 120)
    luma = draw.normal(level, sigma, (n_frames, 36, 60)).astype(np.float32)[:4800]
    luma[2741:2959, 11:18, 30:50] -= 3.0
    pictures = digitised(luma)
    full, sampled = find(InParts(pictures)), find(InParts(pictures), asking(64))
    assert [happened(event) for event in sampled.events] == [happened(e) for e in full.events]
    assert not sampled.warnings
