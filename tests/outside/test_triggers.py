"""The picker against ObsPy's trigger and SciPy's peaks on the same score series.

Trigger terms: on above a level, off below a lower one; pre- and post-event data are added
around it (IASPEI NMSOP-2 information sheet IS 8.1, Trnkoczy 1999: title and sections READ).
`obspy.signal.trigger.trigger_onset` (RAN, source READ): on is the first index at or above
the level, the returned off is the LAST index at or above the lower one, inclusive.
"""

import pickle
from importlib.resources import files

import numpy as np
import obspy
import pytest
from array_takes import ArrayReader, grey_noise
from obspy.signal.filter import envelope
from obspy.signal.trigger import classic_sta_lta, recursive_sta_lta, trigger_onset
from scipy import signal

from flashpan.chance import MaxLaw
from flashpan.find import find
from flashpan.model import Score
from flashpan.picker import Channel, Picker
from flashpan.ranges import Span, trim_ranges
from flashpan.settings import Settings
from flashpan.units import parse_duration

LAW = {"series": MaxLaw(n=1)}
# A new peak must be five per cent above the old one, so that noise on a plateau is none.
RISE = 1.05


@pytest.fixture
def levels(monkeypatch):
    """Fix the opening and closing thresholds."""

    def fix(on, off):
        # trigger_onset takes a level as reached (>=), the picker as exceeded (>)
        pair = float(np.nextafter(on, 0)), float(np.nextafter(off, 0))
        monkeypatch.setattr(Channel, "thresholds", lambda *_: pair)

    return fix


def score(index, value):
    return {
        "series": Score(index=index, value=value, since=index, until=index, moving=value),
    }


def pick(series, gap=0, cut_at=()):
    """Picks of a whole series; at ``cut_at`` the picker is stored and taken up again."""
    picker = Picker(LAW, false_alarms=1.0, merge_gap_frames=gap)
    picks = []
    for index, value in enumerate(series.tolist()):
        if index in cut_at:
            picker = pickle.loads(pickle.dumps(picker))
        picks += picker.push(index, score(index, value))
    return picks + list(picker.finish())


def reference(series, on, off):
    return [tuple(map(int, pair)) for pair in trigger_onset(series, on, off)]


def seismic(name):
    folder = files("obspy.signal").joinpath("tests", "data")
    return obspy.read(str(folder.joinpath(name)))[0]


def ratio_of_default_trace(component):
    trace = obspy.read()[component]
    return recursive_sta_lta(trace.data.astype(float), 50, 1000)


def ratio_of_station(name):
    trace = seismic(name)
    trace.filter("bandpass", freqmin=10, freqmax=20)
    rate = trace.stats.sampling_rate
    return recursive_sta_lta(trace.data, int(0.5 * rate), int(10 * rate))


def random_walks(seed):
    random = np.random.default_rng(seed)
    return np.abs(signal.lfilter([1], [1, -0.9], random.standard_normal(20_000)))


SERIES = {
    "white": (lambda: np.abs(np.random.default_rng(1).standard_normal(20_000)), 2.5, 1.0),
    "slow": (lambda: random_walks(2), 4.0, 2.0),
    "slower": (lambda: random_walks(3), 5.0, 0.5),
    "one level": (lambda: random_walks(4), 3.0, 3.0),
    "default Z": (lambda: ratio_of_default_trace(0), 1.4, 0.8),
    "default N": (lambda: ratio_of_default_trace(1), 1.4, 0.8),
    "default E": (lambda: ratio_of_default_trace(2), 1.4, 0.8),
    # Band, windows and levels of ObsPy's tutorial on these stations (RAN).
    "UH1": (lambda: ratio_of_station("BW.UH1._.SHZ.D.2010.147.cut.slist.gz"), 3.5, 1.0),
    "UH2": (lambda: ratio_of_station("BW.UH2._.SHZ.D.2010.147.cut.slist.gz"), 3.5, 1.0),
    "UH3": (lambda: ratio_of_station("BW.UH3._.SHZ.D.2010.147.cut.slist.gz"), 3.5, 1.0),
    "UH4": (lambda: ratio_of_station("BW.UH4._.EHZ.D.2010.147.cut.slist.gz"), 3.5, 1.0),
}


@pytest.fixture(params=SERIES.values(), ids=SERIES)
def case(request, levels):
    make, on, off = request.param
    levels(on, off)
    return make(), on, off


def test_published_example_of_trigger_onset(levels):
    # RAN: [[2, 5], [9, 9]] for this series at 4 / 2.
    levels(4, 2)
    series = np.array([0, 1, 5, 5, 3, 2.5, 1.9, 1, 0, 6, 0, 0])
    assert reference(series, 4, 2) == [(2, 5), (9, 9)]
    assert [(p.onset, p.end) for p in pick(series)] == [(2, 5), (9, 9)]


def test_onsets_and_ends_equal_trigger_onsets(case):
    series, on, off = case
    expected = reference(series, on, off)
    assert expected
    assert [(p.onset, p.end) for p in pick(series)] == expected


def test_strength_is_a_peak_of_the_series(case):
    series, _, _ = case
    for found in pick(series):
        assert found.strength == pytest.approx(series[found.peak])
        assert found.strength >= series[found.onset : found.end + 1].max() / RISE


def test_every_prominent_peak_lies_in_an_event_and_every_event_has_one(case):
    series, on, off = case
    # The library needs a lower sample on either side.
    padded = np.concatenate([[0.0], series, [0.0]])
    peaks, _ = signal.find_peaks(padded, height=on, prominence=on - off)
    peaks = peaks - 1
    picks = pick(series)
    owners = [[p for p in picks if p.onset <= peak <= p.end] for peak in peaks]
    assert all(len(owner) == 1 for owner in owners)
    tall, _ = signal.find_peaks(padded, height=on)
    for found in picks:
        assert any(found.onset <= peak <= found.end for peak in tall - 1)


def test_stored_and_taken_up_again_equals_the_whole(case):
    series, _, _ = case
    cuts = set(np.random.default_rng(0).integers(0, len(series), 40).tolist())
    # and in the middle of the first event
    first = pick(series)[0]
    cuts.add((first.onset + first.end) // 2)
    assert pick(series, cut_at=cuts) == pick(series)


@pytest.mark.parametrize(("pre", "post"), [(0, 0), (7, 0), (0, 11), (25, 25), (400, 1000)])
def test_pre_and_post_event_frames_are_added_exactly(pre, post):
    # IS 8.1 sections 5.2 and 5.3: fixed stretches before the trigger and after the detrigger.
    series = random_walks(9)
    spans = [Span(on, off + 1) for on, off in reference(series, 5.0, 1.0)]
    assert len(spans) > 5
    kept = trim_ranges(
        spans,
        pre_roll_frames=pre,
        post_roll_frames=post,
        merge_gap_frames=0,
        start=0,
        stop=len(series),
    )
    wanted = np.zeros(len(series), bool)
    for span in spans:
        wanted[max(0, span.start - pre) : span.stop + post] = True
    found = np.zeros(len(series), bool)
    for part in kept:
        found[part.first : part.last + 1] = True
    np.testing.assert_array_equal(found, wanted)


def test_rolls_of_a_found_event_are_exact():
    lift = np.zeros(600)
    lift[300:305] = 60
    settings = Settings(pre_roll=parse_duration("17"), post_roll=parse_duration("23"))
    log = find(ArrayReader(grey_noise(600, lift=lift)), settings)
    (event,), (kept,) = log.events, log.ranges
    assert (kept.first, kept.last) == (event.onset - 17, event.end + 23)


def long_event():
    """Unit level of 2000 samples, ten times as much at 1000 … 1099."""
    series = np.ones(2000)
    series[1000:1100] = 10.0
    return series


def test_closed_form_of_the_ratio_on_a_long_event():
    # RAN and CALC (10.9/1.495 = 7.29097): classic ratio at 999 … 1002, windows 10 and 200; the
    # library squares, so that ten times the amplitude is a hundred times the power.
    ratio = classic_sta_lta(long_event(), 10, 200)
    assert ratio[999:1003] == pytest.approx([1, 7.29097, 10.4523, 12.3541], abs=1e-4)
    assert reference(ratio, 4, 2) == [(1000, 1097)]


def test_long_event_is_not_swallowed_by_its_own_average():
    # The ratio above falls back before the event ends: its long window has learned the event.
    # A place that has departed is held, so that a plateau stays an event to its end.
    lift = 8.0 * (long_event() - 1.0)
    log = find(ArrayReader(grey_noise(2000, lift=lift)), Settings(detectors=("brightness",)))
    (event,) = log.events
    assert (event.onset, event.end) == (1000, 1099)


def test_onsets_of_local_earthquakes_in_a_brightness_series():
    # One sample = one frame of 50 frames/s.  P onsets on UH3 (READ, ObsPy's trigger tutorial):
    # 16:24:33.095 and 16:27:30.370; to agree within the short window of 0.5 s, by IS 8.1.
    trace = seismic("BW.UH3._.SHZ.D.2010.147.cut.slist.gz")
    trace.filter("bandpass", freqmin=10, freqmax=20)
    light = envelope(trace.data)
    light = light / np.median(light)
    start = trace.stats.starttime
    picks = [
        round((obspy.UTCDateTime(f"2010-05-27T16:{clock}") - start) * 50)
        for clock in ("24:33.095", "27:30.370")
    ]
    pictures = grey_noise(len(light), lift=2.0 * np.minimum(light, 90.0), level=20)
    log = find(ArrayReader(pictures), Settings(detectors=("brightness",)))
    onsets = np.array([event.onset for event in log.events])
    for expected in picks:
        assert np.abs(onsets - expected).min() <= 25
