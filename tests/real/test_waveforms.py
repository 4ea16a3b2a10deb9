"""Onsets in a series that others labelled: ground motion, one sample to one frame.

The waveforms come with ObsPy (``obspy/signal/tests/data/BW.UH*.slist.gz``, stations of the
Bavarian network, 50 samples/s, 230 s).  ObsPy's trigger tutorial states the P onsets, speaks of
four local events, and uses a band of 10 to 20 Hz and a short-term average of 0.5 s.
"""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

import flashpan
from flashpan.model import Frame, TakeInfo
from flashpan.readers.base import Reader

obspy = pytest.importorskip("obspy")

pytestmark = [pytest.mark.real, pytest.mark.slow]

SHORT_TERM_S = 0.5
LOCAL_EVENTS = 4
BRIGHTEST = 60_000  # of 65,535: leaves head room and some 70 levels for the ground's unrest

P_ONSETS = {
    "UH1": ("2010-05-27T16:27:30.575",),
    "UH3": ("2010-05-27T16:24:33.095", "2010-05-27T16:27:30.370"),
}


class SeriesReader(Reader):
    """A take whose every frame has the brightness of one sample."""

    name = "series"

    def __init__(self, brightness, rate):
        self._brightness = brightness
        self.info = TakeInfo(
            path="series",
            name="series",
            shape=(12, 12),
            bit_depth=16,
            n_frames=len(brightness),
            capture_rate=Fraction(rate),
        )

    @classmethod
    def accepts(cls, source):
        return False

    def frames(self):
        for index, level in enumerate(self._brightness):
            luma = np.full(self.info.shape, level, np.uint16)
            luma.flags.writeable = False
            yield Frame(index=index, luma=luma)

    def close(self):
        pass


def waveform(station):
    folder = Path(obspy.__file__).parent / "signal/tests/data"
    (trace,) = obspy.read(str(folder / f"BW.{station}._.SHZ.D.2010.147.cut.slist.gz"))
    return trace


def envelope_of(trace):
    """Absolute envelope in the tutorial's band, as 16-bit brightness."""
    from obspy.signal.filter import envelope

    band = trace.copy().filter("bandpass", freqmin=10, freqmax=20)
    level = envelope(band.data)
    return np.rint(level * (BRIGHTEST / level.max())).astype(np.uint16)


@pytest.fixture(scope="module", params=sorted(P_ONSETS))
def searched(request):
    """Station, its trace and the events found in it."""
    trace = waveform(request.param)
    reader = SeriesReader(envelope_of(trace), int(trace.stats.sampling_rate))
    return request.param, trace, flashpan.find(reader).events


def test_published_onsets_are_found_within_the_short_term_average(searched):
    station, trace, events = searched
    rate = trace.stats.sampling_rate
    onsets = np.array([event.onset for event in events])
    for stated in P_ONSETS[station]:
        sample = (obspy.UTCDateTime(stated) - trace.stats.starttime) * rate
        assert np.abs(onsets - sample).min(initial=np.inf) <= SHORT_TERM_S * rate, (sample, onsets)


def test_the_unrest_of_the_ground_is_no_event(searched):
    _, trace, events = searched
    # The band-pass ends with a transient of its own in the record's last samples.
    last = trace.stats.npts - SHORT_TERM_S * trace.stats.sampling_rate
    onsets = [event.onset for event in events if event.onset < last]
    assert len(onsets) <= LOCAL_EVENTS, onsets
