"""A camera that sways: its shift is taken out, and nothing else with it.

Pictures are moved by `scipy.ndimage.shift` (cubic splines), a reference outside the project.
That a mean changes by slope times shift is the constraint of optical flow (Lucas & Kanade
1981, from memory).
"""

import functools
import math

import numpy as np
import pytest
from scipy import ndimage

from flashpan.detectors.sway import Stand
from flashpan.grid import lay_grid
from flashpan.measure import Measurer
from flashpan.model import Frame, Region, TakeInfo

SHAPE = (96, 144)
NOISE = 0.004  # of a pixel, fraction of full scale
FULL = 4095


def texture(seed=1, grain=6.0):
    rng = np.random.default_rng(seed)
    rough = ndimage.gaussian_filter(rng.standard_normal((128, 176)), grain)
    return 0.4 + 0.1 * rough / rough.std()


@functools.cache
def _filtered(data, shape):
    """Spline coefficients, which are the same for every shift of one picture."""
    return ndimage.spline_filter(np.frombuffer(data).reshape(shape), mode="mirror")


def cut(picture, down=0.0, across=0.0):
    """The middle of a larger picture, which has moved down and to the right."""
    moved = ndimage.shift(
        _filtered(picture.tobytes(), picture.shape), (down, across), prefilter=False, mode="mirror"
    )
    return moved[16 : 16 + SHAPE[0], 16 : 16 + SHAPE[1]]


def measured(pictures, seed=2, ignore=()):
    rng = np.random.default_rng(seed)
    info = TakeInfo(path="sway", name="sway", shape=SHAPE, bit_depth=12)
    grid = lay_grid(SHAPE, ignore=ignore)
    measurer = Measurer(info, grid)
    tiles = []
    for index, picture in enumerate(pictures):
        noisy = picture + NOISE * rng.standard_normal(SHAPE)
        luma = np.clip(np.rint(noisy * FULL), 0, FULL).astype(np.uint16)
        tiles.append(measurer.measure(Frame(index=index, pts=None, luma=luma, is_keyframe=True)))
    return grid, tiles


def steadied(grid, tiles):
    stand = Stand(grid)
    return [out for one in tiles for out in stand.push(one)] + list(stand.finish())


def means(tiles):
    return np.stack([one.mean for one in tiles]).astype(np.float64)


def off(tiles):
    """Root mean square change of the tiles' means from the first sixteen frames'."""
    values = means(tiles)
    return np.sqrt(np.square(values - values[:16].mean(axis=0)).mean(axis=(1, 2)))


TILE_NOISE = NOISE / 12


def swaying(n, px, period):
    t = np.arange(n)
    return [
        (px * math.sin(2 * math.pi * i / period), 0.6 * px * math.sin(4.4 * math.pi * i / period))
        for i in t
    ]


@pytest.mark.parametrize("axis", [0, 1])
def test_slopes_are_what_a_shift_by_a_pixel_does(axis):
    picture = texture(grain=8.0)
    _, (tiles,) = measured([cut(picture)])
    ahead, back = [(s, 0.0) if axis == 0 else (0.0, s) for s in (1.0, -1.0)]
    _, moved = measured([cut(picture, *ahead), cut(picture, *back)])
    by_shift = 0.5 * (moved[0].mean - moved[1].mean)
    slopes = tiles.down if axis == 0 else tiles.across
    inner = (slice(1, -1), slice(1, -1))  # what comes in at the border nobody knows
    assert np.abs(slopes - by_shift)[inner].max() < 0.15 * np.abs(by_shift).max()
    assert np.corrcoef(slopes[inner].ravel(), by_shift[inner].ravel())[0, 1] > 0.99


def test_tiles_that_are_masked_in_part_have_no_slope():
    _, (tiles,) = measured([cut(texture())], ignore=(Region(30, 30, 10, 10),))
    assert tiles.across[2:4, 2:4].any() is np.False_ or not tiles.across[2, 2]
    assert tiles.down[2, 2] == 0.0


@pytest.mark.parametrize("px", [0.3, 1.0, 3.0])
def test_sway_is_taken_out(px):
    picture = texture()
    grid, tiles = measured([cut(picture, *shift) for shift in swaying(200, px, 140)])
    out = steadied(grid, tiles)
    assert [one.index for one in out] == list(range(200))
    assert off(tiles)[20:].max() > 5 * TILE_NOISE
    # The reference is the mean of sixteen frames that sway already: what is left is noise,
    # and what the slopes err by.
    assert np.median(off(out)) < 1.25 * TILE_NOISE + 0.03 * np.median(off(tiles))


def test_a_still_camera_changes_nothing():
    grid, tiles = measured([cut(texture())] * 200)
    assert np.array_equal(means(steadied(grid, tiles)), means(tiles))


def test_a_thing_that_moves_before_a_plain_background_is_no_sway():
    """A disc of 24 pixels crosses a part of the picture: the only slopes there are."""
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]

    def disc(x):
        away = np.hypot(rows - 48, cols - x)
        return 0.3 + 0.3 * np.clip(12.5 - away, 0.0, 1.0)

    grid, tiles = measured([disc(40 + max(0, i - 40) / 4) for i in range(160)])
    assert np.array_equal(means(steadied(grid, tiles)), means(tiles))


@pytest.fixture(scope="module")
def dark():
    """Pictures of a take that sways by a pixel."""
    return [cut(texture(), *shift) for shift in swaying(170, 1.0, 140)]


@pytest.mark.parametrize("part", [slice(None), (slice(30, 50), slice(60, 90))])
def test_a_flash_under_sway_keeps_its_light(part, dark):
    flash = np.zeros(SHAPE)
    flash[part] = 0.2
    grid, tiles = measured([p + flash if 110 <= i < 113 else p for i, p in enumerate(dark)])
    _, without = measured(dark)
    told = means(steadied(grid, tiles)) - means(steadied(grid, without))
    asked = means(tiles) - means(without)
    assert np.abs(told - asked)[110:113].max() < 0.05 * asked.max()
    assert np.abs(told)[120:].max() < 12 * TILE_NOISE


def test_a_take_too_short_for_a_reference_is_handed_on():
    grid, tiles = measured([cut(texture())] * 5)
    assert len(steadied(grid, tiles)) == 5
