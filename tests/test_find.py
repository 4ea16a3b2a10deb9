"""One take end to end, on small pictures in memory whose every frame is known."""

import importlib
from fractions import Fraction

import numpy as np
import pytest
from array_takes import ArrayReader, digitised, grey_noise

from flashpan.errors import FlashpanError, RegionError, UnreadableTake
from flashpan.find import SETTLE_FRAMES, find
from flashpan.settings import Settings
from flashpan.units import parse_duration, parse_region

SHAPE = (24, 36)


def take(n_frames, *happenings, seed=1, **known):
    """Grey noise; each happening ``(start, stop, step)`` lights a square by ``step``."""
    lift = np.zeros((n_frames, *SHAPE))
    for start, stop, step in happenings:
        lift[start:stop, 6:18, 8:22] += step
    return ArrayReader(grey_noise(n_frames, SHAPE, lift=lift, seed=seed), **known)


def onsets(log):
    return [event.onset for event in log.events]


def test_nothing_found_is_an_empty_log_of_the_normal_type():
    log = find(take(500))
    assert (log.events, log.ranges) == ((), ())
    assert (log.totals.frames, log.totals.kept, log.totals.events) == (500, 0, 0)


def test_flash_in_the_middle():
    log = find(take(500, (300, 305, 50)))
    (event,) = log.events
    assert (event.onset, event.kind) == (300, "flash")
    assert event.peak in range(300, 305)
    # The difference back to dark is in the frame after the flash.
    assert event.end in (304, 305)
    assert event.strength > 20
    assert event.chance < 1e-3


def test_box_holds_the_flash_and_not_the_whole_picture():
    shape = (96, 144)
    lift = np.zeros((300, *shape))
    lift[200:203, 48:60, 60:84] = 50
    (event,) = find(ArrayReader(grey_noise(300, shape, lift=lift))).events
    box = event.box
    assert box.top <= 48
    assert box.bottom >= 60
    assert box.left <= 60
    assert box.right >= 84
    assert box.height * box.width <= 4 * 12 * 24


@pytest.mark.parametrize("growth", [0.003, 0.001])
def test_slow_beginning_is_dated_within_what_the_noise_hides(growth):
    # Grey levels grow with the square of time, as they do at the edge of what falls from rest.
    since = np.clip(np.arange(400) - 299, 0, None)
    lift = np.zeros((400, *SHAPE))
    lift[:, 6:18, 8:22] = np.minimum(growth * since**2, 60)[:, None, None]
    # The change over a tile of 144 pixels, each with a noise of 2 levels, exceeds three times that.
    seen = int(np.flatnonzero(growth * since**2 * 12 > 3 * 2)[0])
    found = [onsets(find(ArrayReader(grey_noise(400, SHAPE, lift=lift, seed=n)))) for n in range(6)]
    assert all(len(one) == 1 for one in found)
    off = [min(0, one[0] - 299) + max(0, one[0] - seen - 1) for one in found]
    assert sum(one == 0 for one in off) >= 4
    assert min(off) > -10
    assert max(off) < 3


def test_flash_at_the_first_frame():
    log = find(take(300, (0, 4, 50)))
    assert onsets(log) == [0]
    assert log.events[0].end in (3, 4)


def test_flash_in_the_first_frame_only():
    log = find(take(300, (0, 1, 50)))
    assert onsets(log) == [0]
    assert log.events[0].end in (0, 1)


def test_flash_in_the_last_frame():
    log = find(take(300, (299, 300, 50)))
    assert [(event.onset, event.end) for event in log.events] == [(299, 299)]


def test_flash_that_the_takes_end_cuts_off():
    log = find(take(300, (290, 300, 50)))
    assert [(event.onset, event.end) for event in log.events] == [(290, 299)]


@pytest.mark.parametrize("at", [5, 15, 31, 32, 33, 60, 250])
def test_flash_of_a_single_frame_wherever_it_falls(at):
    log = find(take(300, (at, at + 1, 50)))
    assert [(event.onset, event.peak) for event in log.events] in ([(at, at)], [(at, at + 1)])
    assert log.events[0].end - at <= 1


@pytest.mark.parametrize("gap", [0, 1, 3, 8, 15])
def test_one_flash_is_one_event_however_short_the_merge_gap(gap):
    log = find(take(600, (300, 303, 50)), Settings(merge_gap=parse_duration(str(gap))))
    assert onsets(log) == [300]


def test_merge_gap_is_exact():
    for quiet, n_events in ((20, 1), (22, 2)):
        second = 303 + quiet
        log = find(
            take(600, (300, 303, 80), (second, second + 3, 80)),
            Settings(merge_gap=parse_duration("20")),
        )
        # One more than the gap may still be bridged by the difference back to dark.
        assert len(log.events) == n_events, quiet


def test_dimming():
    (event,) = find(take(400, (300, 306, -25))).events
    assert (event.onset, event.kind) == (300, "dimming")


@pytest.mark.parametrize("step", [30, -20])
def test_permanent_change_is_one_event_that_ends_where_the_scene_stops_moving(step):
    log = find(take(900, (300, 900, step)))
    (event,) = log.events
    assert (event.onset, event.kind) == (300, "change")
    # The picture moves in frame 300 and in no other.
    assert event.end in (300, 301)


def test_flash_after_a_permanent_change_has_become_normal():
    log = find(take(1100, (300, 1100, 30), (800, 803, 60)))
    assert onsets(log) == [300, 800]
    assert [event.kind for event in log.events] == ["change", "flash"]


def test_flash_on_top_of_a_change_that_is_not_yet_normal():
    log = find(take(900, (300, 900, 30), (400, 403, 60)))
    assert onsets(log) == [300, 400]


def test_flash_inside_a_longer_flash_stays_one_event():
    log = find(take(600, (300, 340, 30), (315, 318, 60)))
    (event,) = log.events
    assert event.onset == 300
    assert event.peak in (315, 316, 318)
    assert event.end in (339, 340)


def falling(n_frames, release, acceleration):
    """A bright square at rest that falls from ``release`` on, px and frames."""
    pictures = grey_noise(n_frames, (96, 48), level=30, seed=2).astype(int)
    for index, picture in enumerate(pictures):
        drop = 0.5 * acceleration * max(0, index - release) ** 2
        top = 4 + drop
        first = int(top)
        if first < 96:
            part = top - first
            square = np.zeros((9, 8))
            square[:8] += 80 * (1 - part)
            square[1:] += 80 * part
            picture[first : first + 9, 20:28] += square[: 96 - first].round().astype(int)
    return pictures.clip(0, 255).astype(np.uint8)


@pytest.mark.parametrize("acceleration", [0.01, 0.1])
def test_release_from_rest(acceleration):
    log = find(ArrayReader(falling(1000, 400, acceleration)))
    assert len(log.events) == 1
    (event,) = log.events
    # Moved by half a pixel of an edge of 80 levels, it is plain to see.
    plain = 400 + int(np.sqrt(2 * 0.5 / acceleration)) + 1
    assert 399 <= event.onset <= plain
    fallen = 400 + int(np.sqrt(2 * 92 / acceleration))
    assert fallen - 2 <= event.end <= fallen + 2
    assert event.kind in ("motion", "change")


def test_several_events_ascend_and_each_has_its_range():
    log = find(take(1200, *[(at, at + 4, 50) for at in (200, 500, 501, 900)]))
    assert onsets(log) == [200, 500, 900]
    assert [kept.events for kept in log.ranges] == [(0,), (1,), (2,)]
    assert log.totals.kept == sum(kept.n_frames for kept in log.ranges)


def test_part_of_a_take_keeps_the_takes_frame_numbers():
    reader = take(900, (200, 204, 50), (500, 504, 50), (800, 804, 50))
    log = find(reader, Settings(first=400, last=600))
    assert onsets(log) == [500]
    assert log.totals.frames == 201
    assert (log.settings["first"], log.settings["last"]) == (400, 600)


def test_ranges_stay_inside_the_part():
    reader = take(900, (500, 504, 50))
    log = find(reader, Settings(first=490, last=510))
    assert [(kept.first, kept.last) for kept in log.ranges] == [(490, 510)]


def test_part_scores_as_a_take_of_its_own():
    whole = take(700, (500, 504, 50))
    alone = ArrayReader(whole._pictures[300:])
    part = find(whole, Settings(first=300))
    assert [e.onset - 300 for e in part.events] == onsets(find(alone))
    assert [e.strength for e in part.events] == [e.strength for e in find(alone).events]


def test_part_that_begins_after_the_end_is_refused():
    with pytest.raises(FlashpanError, match="--first 700 lies after the last frame"):
        find(take(600), Settings(first=700))
    stream = ArrayReader(iter(grey_noise(600, SHAPE)), shape=SHAPE)
    with pytest.raises(FlashpanError, match="--first 700 lies after the last frame"):
        find(stream, Settings(first=700))


def test_region_hides_what_happens_elsewhere():
    happening = take(500, (300, 304, 50))
    elsewhere = Settings(roi=(parse_region("24,0,12,24"),))
    assert find(happening, elsewhere).events == ()
    there = Settings(roi=(parse_region("4,4,20,16"),))
    (event,) = find(happening, there).events
    assert event.onset == 300
    assert (event.box.top, event.box.left) >= (4, 4)
    assert event.box.bottom <= 20
    assert event.box.right <= 24


def test_ignored_region_hides_what_happens_there():
    ignore = Settings(ignore=(parse_region("8,6,14,12"),))
    assert find(take(500, (300, 304, 50)), ignore).events == ()


def test_ignoring_everything_is_refused():
    with pytest.raises(RegionError, match="make them smaller"):
        find(take(50), Settings(ignore=(parse_region("0,0,100%,100%"),)))


@pytest.mark.parametrize("detector", ["difference", "brightness"])
def test_one_detector_by_itself(detector):
    log = find(take(500, (300, 304, 50)), Settings(detectors=(detector,)))
    assert [(e.onset, e.detector) for e in log.events] == [(300, detector)]


def test_events_are_given_out_in_order_and_without_long_delay():
    reader = take(1500, (200, 204, 50), (500, 504, 50), (900, 1500, 30))
    measured, given = [], []
    log = find(
        reader,
        on_event=lambda event: given.append((event, measured[-1])),
        on_frame=measured.append,
    )
    assert measured == list(range(1500))
    assert tuple(event for event, _ in given) == log.events
    gap = log.settings["merge_gap_frames"]
    for event, at in given:
        longest = gap + 2 if event.kind == "flash" else gap + 2 + max(gap, SETTLE_FRAMES)
        assert at - event.end <= longest + 16


def test_trace_has_every_score_and_threshold():
    log = find(take(400, (300, 303, 50)), keep_trace=True)
    trace = log.trace
    assert trace.detectors == tuple(log.settings["detectors"])
    np.testing.assert_array_equal(trace.frames, np.arange(400))
    assert trace.scores.shape == trace.thresholds.shape == (len(trace.detectors), 400)
    assert trace.scores.dtype == trace.thresholds.dtype == np.float32
    assert np.isfinite(trace.scores).all()
    assert np.isfinite(trace.thresholds).all()
    above = (trace.scores > trace.thresholds).any(axis=0)
    assert above[300]
    assert not above[:300].any()
    row = trace.detectors.index(log.events[0].detector)
    assert log.events[0].strength == pytest.approx(trace.scores[row].max(), rel=0.06)


def test_trace_of_a_part_has_the_takes_frame_numbers():
    log = find(take(400), Settings(first=100, last=249), keep_trace=True)
    np.testing.assert_array_equal(log.trace.frames, np.arange(100, 250))


def test_no_trace_unless_asked_for():
    assert find(take(40)).trace is None


@pytest.mark.parametrize("n_frames", [1, 2, 5, 31, 32, 33])
def test_take_no_longer_than_the_warm_up(n_frames):
    log = find(take(n_frames), keep_trace=True)
    assert log.events == ()
    assert log.totals.frames == n_frames
    np.testing.assert_array_equal(log.trace.frames, np.arange(n_frames))


@pytest.mark.parametrize(("n_frames", "at"), [(31, 15), (31, 28), (12, 8), (33, 32)])
def test_flash_in_a_take_no_longer_than_the_warm_up(n_frames, at):
    assert onsets(find(take(n_frames, (at, at + 2, 80)))) == [at]


def test_take_without_frames_is_refused():
    empty = ArrayReader(iter(()), shape=SHAPE)
    with pytest.raises(UnreadableTake):
        find(empty)


def test_stream_of_unknown_length_gives_the_same_events():
    pictures = take(500, (300, 304, 50))._pictures
    stream = ArrayReader(iter(pictures), shape=SHAPE)
    assert find(stream).events == find(ArrayReader(pictures)).events


def test_found_in_a_file_as_in_memory(tmp_path):
    pictures = take(500, (300, 304, 50))._pictures
    np.save(tmp_path / "take.npy", pictures)
    log = find(tmp_path / "take.npy")
    assert log.events == find(ArrayReader(pictures)).events
    assert log.take.name == "take"
    assert log.totals.bytes_read >= pictures.nbytes


def test_real_time_of_the_onset_is_exact():
    reader = take(500, (300, 304, 50), capture_rate=Fraction(30000, 7))
    assert find(reader).events[0].onset_s == Fraction(300 * 7, 30000)
    assert find(reader, Settings(trigger_frame=310)).events[0].onset_s == Fraction(-70, 30000)
    assert find(take(500, (300, 304, 50))).events[0].onset_s is None


def test_the_same_take_gives_the_same_log():
    reader = take(600, (100, 104, 50), (300, 303, 30))
    assert find(reader).events == find(reader).events


@pytest.mark.parametrize("bit_depth", [10, 12, 16])
def test_deeper_versions_of_a_take_give_the_same_frames(bit_depth):
    pictures = take(500, (300, 304, 50))._pictures
    deeper = pictures.astype(np.uint16) << (bit_depth - 8)
    found = find(ArrayReader(deeper, bit_depth=bit_depth)).events
    assert [(e.onset, e.kind) for e in found] == [(300, "flash")]


def test_event_that_fills_the_first_frames_is_told_from_the_calm_after_it():
    from sample_generators import TakeSettings, make_take

    burst = make_take(
        "balloon", TakeSettings(rows=120, cols=160, n_frames=400, event_frames=(5,), seed=7)
    )
    log = find(ArrayReader(np.stack([frame.copy() for frame in burst])))
    assert log.events
    assert log.events[0].onset <= 5
    assert log.ranges[0].last >= burst.truth.events[0].peak


def test_reading_ahead_by_a_second_thread_changes_nothing(monkeypatch):
    module = importlib.import_module("flashpan.ahead")
    monkeypatch.setattr(module, "may_use_threads", lambda: True)
    logs = []
    for least_px in (1, 1 << 40):
        monkeypatch.setattr(module, "_LARGE_PX", least_px)
        logs.append(find(take(200, (150, 155, 50))))
    one, other = logs
    assert onsets(one) == [150]
    assert (one.events, one.ranges) == (other.events, other.ranges)
    assert one.totals.frames == other.totals.frames == 200


@pytest.mark.parametrize("seed", [0, 5])
def test_a_glow_that_fades_ends_and_holds_no_later_event(seed):
    # Tiles rise together, each falls by its own time constant (an exponential decay).
    draw = np.random.default_rng(seed)
    shape, onset, next_onset = (96, 132), 200, 1020
    constants = draw.uniform(4.0, 40.0, (8, 11)).repeat(12, axis=0).repeat(12, axis=1)
    reach = np.zeros((8, 11))
    reach[1:6, 2:9] = draw.uniform(0.2, 1.0, (5, 7))
    height = 1500.0 * reach.repeat(12, axis=0).repeat(12, axis=1)
    noise = 12.0

    def pictures():
        for index in range(1200):
            since = [index - begin for begin in (onset, next_onset) if index >= begin]
            glow = sum(height * np.exp(-lag / constants) for lag in since)
            yield digitised(300.0 + glow + draw.normal(0.0, noise, shape), 12)

    reader = ArrayReader(pictures(), shape=shape, bit_depth=12)
    log = find(reader, Settings.from_mapping({"merge_gap": 450}), keep_trace=True)
    # The longest glow is below a tenth of the noise of a tile's mean of four by then.
    faded = onset + 40.0 * np.log(1500.0 / (0.1 * noise / 24.0))
    assert onsets(log) == [onset, next_onset]
    assert log.events[0].end < faded
    rests = (log.trace.frames > faded) & (log.trace.frames < next_onset)
    assert (log.trace.scores < log.trace.thresholds)[:, rests].all()
