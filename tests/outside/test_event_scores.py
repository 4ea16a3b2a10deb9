"""Found events against a generated take's truth, scored by mir_eval in capture time.

`mir_eval.onset.f_measure` matches one to one, |dt| <= window (RAN): the window is a number of
frames over the capture rate, since its default of 50 ms is hundreds of frames here.
"""

import numpy as np
import pytest
from array_takes import ArrayReader
from mir_eval import onset

from flashpan.find import find
from sample_generators import TakeSettings, make_take


def test_published_example_of_f_measure():
    # RAN: F .4444, P .4, R .5.
    found = onset.f_measure(np.array([1.0, 2, 3, 4]), np.array([1.04, 2.06, 3.0, 3.01, 9.0]))
    assert found == pytest.approx((0.4444, 0.4, 0.5), abs=5e-5)


def own_counts(truth, found, window):
    """Matches of two ascending lists, each used once."""
    left = list(found)
    matched = 0
    for wanted in truth:
        near = [frame for frame in left if abs(frame - wanted) <= window]
        if near:
            left.remove(min(near))
            matched += 1
    return matched


def leader_frames(event):
    """Frames from the first faint sign of a leader, which noise may hide, to the stroke."""
    strokes = [part.first for part in event.parts if part.name == "stroke"]
    return strokes[0] - event.visible_from if strokes else 0


@pytest.mark.parametrize("scenario", ["storm", "spark", "balloon"])
@pytest.mark.parametrize("seed", [1, 2])
def test_every_event_is_found_and_no_other(scenario, seed):
    take = make_take(
        scenario,
        TakeSettings(rows=96, cols=128, n_frames=1000, event_frames=(500,), seed=seed),
    )
    log = find(
        ArrayReader(
            take, shape=take.shape, bit_depth=take.bit_depth, capture_rate=take.capture_rate
        )
    )
    rate = float(take.capture_rate)
    events = [event for event in take.truth.events if event.visible_from is not None]
    assert events
    truth = np.array([event.visible_from for event in events])
    found = np.array([event.onset for event in log.events])
    window_frames = max([2, *map(leader_frames, events)])
    scores = onset.f_measure(truth / rate, found / rate, window=(window_frames + 0.01) / rate)
    matched = own_counts(truth, found, window_frames)
    expected_precision, expected_recall = matched / len(found), matched / len(truth)
    assert scores[1:] == pytest.approx((expected_precision, expected_recall))
    assert scores[0] == 1.0, (truth, found)
