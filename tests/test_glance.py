"""A glance tells what lasts from noise, and asks for a search wherever it cannot."""

import numpy as np
import pytest
from array_takes import digitised

from flashpan.glance import BURST, FAR, FARTHER, HALF, Glance, bursts_around
from flashpan.grid import lay_grid
from flashpan.model import Frame, Region, TakeInfo
from flashpan.ranges import Span

SHAPE = (72, 96)
SIGMA = 3.0
STRIDE = 32
TILE = SIGMA / 12.0
"""Noise of the mean of a tile of 12 by 12 pixels."""


def glance(**known):
    info = TakeInfo(path="array", name="array", shape=SHAPE, bit_depth=8, n_frames=9000, **known)
    return Glance(info, lay_grid(SHAPE))


def noise(seed):
    draw = np.random.default_rng(seed)
    return [draw.normal(80.0, SIGMA, (BURST, *SHAPE)) for _ in range(4)]


def shows(bursts, looking=None):
    before, at, early, late = (
        [Frame(index=i, luma=picture) for i, picture in enumerate(digitised(burst))]
        for burst in bursts
    )
    return (looking or glance()).shows((before, at), (early, late))


def with_glow(bursts):
    """Three noise units of a tile's mean in one frame, in the eight before a sample."""
    bursts[1][:HALF, 24:36, 48:60] += 3.0 * TILE


def with_shimmer(bursts):
    """Every tile is now brighter and now darker by less than its noise, after a sample."""
    draw = np.random.default_rng(9)
    for picture in bursts[0][HALF:]:
        picture += np.kron(draw.normal(0.0, 0.8 * TILE, (6, 8)), np.ones((12, 12)))


def with_blinking(bursts):
    """A tile that is brighter in every other frame, and darker in between."""
    bursts[1][HALF::2, 24:36, 48:60] += 4.0 * TILE
    bursts[1][HALF + 1 :: 2, 24:36, 48:60] -= 4.0 * TILE


def with_pellet(bursts):
    """Three by three pixels, elsewhere in every frame: six units of what nine pixels change by."""
    for step, picture in enumerate(bursts[1][HALF:]):
        picture[40:43, 9 * step : 9 * step + 3] += 6.0 * SIGMA * np.sqrt(2.0) / 3.0


def with_restless_pixels(bursts):
    """A block whose pixels are noisier, while its mean is as it was."""
    lively = bursts[1][:HALF, 0:48, 0:48]
    lively += np.random.default_rng(8).normal(0.0, 1.5, lively.shape)


def with_an_earlier_event(bursts):
    """A light that was on far before."""
    bursts[2][:, 24:36, 48:60] += 4.0 * TILE


def with_drift(bursts):
    """Light that changes for good between far before and far after."""
    bursts[3] += 2.0


def test_noise_is_left_alone():
    said = [shows(noise(seed)) for seed in range(10)]
    assert sum(said) <= 2  # one in twenty is expected


@pytest.mark.parametrize(
    "happens",
    [
        with_glow,
        with_shimmer,
        with_blinking,
        with_pellet,
        with_restless_pixels,
        with_an_earlier_event,
        with_drift,
    ],
)
def test_what_lasts_is_seen_though_no_frame_shows_it_clearly(happens):
    for seed in range(2):
        bursts = noise(seed)
        happens(bursts)
        assert shows(bursts)


def test_pictures_that_are_noisier_as_a_whole_are_white_noise_too():
    """Where a codec rounds every block, tiles waver by more than their pixels' noise explains."""
    draw = np.random.default_rng(5)
    said = []
    for seed in range(6):
        bursts = noise(seed)
        for burst in bursts:
            steps = draw.normal(0.0, 1.4 * TILE, (BURST, 6, 8))
            burst += np.kron(steps, np.ones((12, 12)))
        said.append(shows(bursts))
    assert sum(said) <= 2
    with_glow(bursts)
    with_glow(bursts)
    assert shows(bursts)


def test_every_doubt_asks_for_a_search():
    bursts = noise(0)
    assert shows(bursts, glance(codec="h264", intra_only=False))
    assert shows([burst[: BURST - 1] for burst in bursts])  # a frame cannot be read
    assert shows([np.broadcast_to(bursts[0][:1], (BURST, *SHAPE))] * 4)  # copies say nothing
    info = TakeInfo(path="array", name="array", shape=SHAPE, bit_depth=8, n_frames=9000)
    halves = Region(0, 0, 36, 96), Region(36, 0, 36, 96)
    assert shows(bursts, Glance(info, lay_grid(SHAPE, halves)))


def test_bursts_lie_around_two_samples_and_far_from_them():
    found = bursts_around(3168, 3200, STRIDE, Span(0, 9000))
    assert found.here == (Span(3160, 3176), Span(3192, 3208))
    early, late = found.there
    assert (early.start, late.start) == (3168 - FAR * STRIDE, 3200 + FAR * STRIDE)


def test_near_the_ends_of_a_take_the_other_side_is_farther():
    early, late = bursts_around(96, 128, STRIDE, Span(0, 9000)).there
    assert (early.start, late.start) == (0, 128 + FARTHER * STRIDE)
    early, late = bursts_around(8928, 8960, STRIDE, Span(0, 9000)).there
    assert (early.start, late.stop) == (8928 - FARTHER * STRIDE, 9000)


@pytest.mark.parametrize(
    ("before", "at", "stride"),
    [(0, 32, 32), (8960, 8992, 32), (3192, 3200, 8)],
)
def test_where_there_is_no_room_there_are_no_bursts(before, at, stride):
    assert bursts_around(before, at, stride, Span(0, 9000)) is None
