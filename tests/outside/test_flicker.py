"""Mains flicker: lamps that pulse at twice the mains frequency are no events.

Light pulses at 100 or 120 Hz (READ, several).  Percent flicker = 100 (max-min)/(max+min)
(READ, CIE eilv term 39); flicker index = area above the mean / total area, over whole
periods (READ, IEV 845-22-094 and ANSI/IES LS-1).  For 1 + m sin: 100 m and m/pi (CALC).
"""

import numpy as np
import pytest
from array_takes import ArrayReader, grey_noise

from flashpan.find import find

LEVEL = 90.0
DEPTH = 0.15
# Light frequency and capture rate, 8.33 to 100 frames a period.
CASES = [(120, 1000), (100, 1000), (120, 5000), (100, 5000), (120, 10_000), (100, 10_000)]
N_FRAMES = 2500
N_AROUND_A_FLASH = 1300


def ripple(light_hz, capture_rate, n_frames=N_FRAMES, depth=DEPTH, phase=0.7):
    """Fraction of the mean that the lamps add in each frame."""
    # Exposed for a small part of the frame interval, so that |sinc| is 1.
    return depth * np.sin(2 * np.pi * light_hz * np.arange(n_frames) / capture_rate + phase)


def take(light_hz, capture_rate, n_frames, flash=None, shape=(24, 32)):
    lift = LEVEL * ripple(light_hz, capture_rate, n_frames)
    pictures = np.broadcast_to(lift[:, None, None], (n_frames, *shape)).copy()
    if flash is not None:
        pictures[flash] += 3 * DEPTH * LEVEL
    return grey_noise(n_frames, shape, level=LEVEL, lift=pictures, seed=13)


@pytest.mark.parametrize("depth", [0.05, 0.15, 0.5, 1.0])
def test_percent_flicker_and_index_of_the_ripple(depth):
    light = 1 + ripple(100, 100_000, 5000, depth)  # five whole periods
    assert (light.max() - light.min()) / (light.max() + light.min()) == pytest.approx(
        depth, abs=1e-4
    )
    above = np.clip(light - light.mean(), 0, None).sum()
    assert above / light.sum() == pytest.approx(depth / np.pi, rel=1e-4)


@pytest.mark.parametrize(("light_hz", "capture_rate"), CASES)
def test_ripple_per_frame_is_the_published_one(light_hz, capture_rate):
    # CALC: largest change per frame 2 m sin(pi f / fps); .7362 m at 120 Hz and 1000 frames/s.
    phases = np.linspace(0, 2 * np.pi, 500)
    found = max(np.abs(np.diff(ripple(light_hz, capture_rate, 200, phase=p))).max() for p in phases)
    expected = 2 * DEPTH * np.sin(np.pi * light_hz / capture_rate)
    assert found == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize(("light_hz", "capture_rate"), CASES)
def test_flicker_is_no_event(light_hz, capture_rate):
    log = find(ArrayReader(take(light_hz, capture_rate, N_FRAMES), capture_rate=capture_rate))
    assert log.events == ()


@pytest.mark.parametrize("flash", [1000, 1003, 1007])
@pytest.mark.parametrize(("light_hz", "capture_rate"), CASES)
def test_flash_of_three_times_the_ripple_is_one_event(light_hz, capture_rate, flash):
    pictures = take(light_hz, capture_rate, N_AROUND_A_FLASH, flash)
    log = find(ArrayReader(pictures, capture_rate=capture_rate))
    assert [event.onset for event in log.events] == [flash]
    assert log.events[0].peak in (flash, flash + 1)
