"""Tile statistics against ITU-T P.910 temporal information (TI), as siti-tools computes it.

TI of a frame is the spatial standard deviation of its luma's difference from the frame
before (READ-2nd: FFmpeg trac ticket 4304 and siti-tools' page quote the Recommendation;
siti-tools 0.6.0 source READ: population standard deviation).
"""

import math
from itertools import pairwise

import numpy as np
import pytest
from array_takes import ArrayReader, digitised, grey_noise, measured
from siti_tools.siti import ColorRange, SiTiCalculator

from flashpan.find import find
from flashpan.settings import Settings

ROWS, COLS = 240, 320
FLOAT32_EPS = float(np.finfo(np.float32).eps)


def differences(reader):
    """Mean square, squared mean and mean absolute difference of whole frames, code values.

    Tiles are weighted by their pixels, which is how they add up to the picture.
    """
    grid, tiles = measured(reader)
    weights = grid.n_px / grid.n_px.sum()
    scale = reader.info.full_scale
    for before, now in pairwise(tiles):
        square = float((weights * now.sq_diff).sum()) * scale**2
        mean = float((weights * (now.mean.astype(float) - before.mean)).sum()) * scale
        yield square, mean**2, float((weights * now.abs_diff).sum()) * scale


def assert_ti(reader, expected):
    """Compare variances: their error is float32 rounding of the mean square, no more."""
    found = list(differences(reader))
    assert len(found) == len(expected)
    for (square, squared_mean, _), ti in zip(found, expected, strict=True):
        tolerance = 8 * FLOAT32_EPS * max(square, squared_mean, 1e-9)
        assert square - squared_mean == pytest.approx(ti**2, abs=tolerance)


def reference_ti(pictures):
    signed = pictures.astype(np.int32)  # the library subtracts in the type it is given
    return [SiTiCalculator.ti(now, before) for before, now in pairwise(signed)]


def table_clip():
    """Background 64; frame 5: left half 128; from frame 7 on 200 (the published clip)."""
    clip = np.full((9, ROWS, COLS), 64, np.uint8)
    clip[5, :, : COLS // 2] = 128
    clip[7:] = 200
    clip[8:] = 64
    return clip


RANDOM = np.random.default_rng(910)


def structured(bit_depth):
    """A bright bar crossing a ramp, one column per frame."""
    top = (1 << bit_depth) - 1
    clip = np.tile(np.linspace(0, top / 2, 97), (6, 50, 1))
    for index in range(6):
        clip[index, 10:40, 3 * index : 3 * index + 7] = top
    return digitised(clip, bit_depth)


def random_levels(bit_depth):
    dtype = np.uint8 if bit_depth == 8 else np.uint16
    return RANDOM.integers(0, 1 << bit_depth, (5, 61, 83)).astype(dtype)


def sensor_like(bit_depth):
    scale = 1 << (bit_depth - 8)
    return digitised(RANDOM.normal(64 * scale, 4 * scale, (5, 120, 160)), bit_depth)


@pytest.mark.parametrize("bit_depth", [8, 10])
@pytest.mark.parametrize("make", [structured, random_levels, sensor_like])
def test_ti_equals_the_reference_librarys(make, bit_depth):
    pictures = make(bit_depth)
    assert_ti(ArrayReader(pictures, bit_depth=bit_depth), reference_ti(pictures))


def test_check_values_of_ti():
    # RAN: siti-tools 0.6.0 legacy full and FFmpeg's siti filter: 32, 32, 0, 0 in frames 5 to 8.
    assert_ti(ArrayReader(table_clip()), [0, 0, 0, 0, 32, 32, 0, 0])


def test_check_values_of_mean_absolute_difference():
    # RAN: FFmpeg signalstats YDIF 32, 32, 136, 136 in frames 5 to 8.
    found = [mean_abs for _, _, mean_abs in differences(ArrayReader(table_clip()))]
    assert found == pytest.approx([0, 0, 0, 0, 32, 32, 136, 136], rel=4 * FLOAT32_EPS)


def test_check_values_of_mean_luma():
    # RAN: FFmpeg signalstats YAVG 96, 64, 200, 64 in frames 5 to 8.
    grid, tiles = measured(ArrayReader(table_clip()))
    weights = grid.n_px / grid.n_px.sum()
    found = [float((weights * t.mean).sum()) * 255 for t in tiles[5:]]
    assert found == pytest.approx([96, 64, 200, 64], rel=4 * FLOAT32_EPS)


def test_limited_range_differs_by_255_over_219():
    # READ, siti-tools source: limited range is (v - 16) / 219, times 255.  RAN: 37.26027.
    clip = table_clip()[4:7]
    full = ArrayReader(clip)
    limited = ArrayReader(clip, limited_range=True)
    for in_full, in_limited in zip(differences(full), differences(limited), strict=True):
        (square_full, _, abs_full), (square_limited, _, abs_limited) = in_full, in_limited
        # differences() has code values, so fractions of full scale differ by 255 / 219
        assert square_limited == pytest.approx(square_full, rel=4 * FLOAT32_EPS)
        assert abs_limited == pytest.approx(abs_full, rel=4 * FLOAT32_EPS)
    _, tiles_full = measured(full)
    grid, (_, tiles_limited, _) = measured(limited)
    # Tiles without a difference stay without; the others differ by the ratio of the ranges.
    moved = tiles_full[1].abs_diff > 0
    np.testing.assert_array_equal(moved, tiles_limited.abs_diff > 0)
    ratio = tiles_limited.abs_diff[moved] / tiles_full[1].abs_diff[moved]
    np.testing.assert_allclose(ratio, 255 / 219, rtol=4 * FLOAT32_EPS)
    # TI of the half-picture step, from tiles weighted by their pixels, on the scale of 255
    weights = grid.n_px / grid.n_px.sum()
    square = float((weights * tiles_limited.sq_diff).sum()) * 255**2
    mean = float((weights * tiles_limited.abs_diff).sum()) * 255  # every step is upwards
    assert math.sqrt(square - mean**2) == pytest.approx(37.26027, abs=0.5e-5 + 1e-5)


def write_y4m(path, clip):
    header = f"YUV4MPEG2 W{clip.shape[2]} H{clip.shape[1]} F25:1 Ip A1:1 C420jpeg\n"
    grey = np.full(clip.shape[1] * clip.shape[2] // 2, 128, np.uint8).tobytes()
    with path.open("wb") as file:
        file.write(header.encode())
        for picture in clip:
            file.write(b"FRAME\n" + picture.tobytes() + grey)


@pytest.mark.parametrize("limited", [False, True])
def test_ti_of_a_file_equals_the_librarys_own_reading_of_it(tmp_path, limited):
    clip = table_clip()
    write_y4m(tmp_path / "clip.y4m", clip)
    colour_range = ColorRange.LIMITED if limited else ColorRange.FULL
    calculator = SiTiCalculator(color_range=colour_range, legacy=True)
    _, expected, n_frames = calculator.calculate(str(tmp_path / "clip.y4m"))
    assert n_frames == len(clip)
    expected = [ti for ti in expected if ti is not None]
    to_code = 219 / 255 if limited else 1.0
    assert_ti(ArrayReader(clip, limited_range=limited), [ti * to_code for ti in expected])


@pytest.mark.parametrize(("fraction", "step"), [(0.1, 40), (0.5, 64), (0.01, 100), (0.9, 7)])
def test_closed_form_of_a_step(fraction, step):
    # CALC, matched by RAN: a fraction f of the pixels stepping by D has TI = D sqrt(f (1 - f)).
    clip = np.full((2, 100, 100), 50, np.uint8)
    clip[1].flat[: round(fraction * 10_000)] += np.uint8(step)
    assert_ti(ArrayReader(clip), [step * math.sqrt(fraction * (1 - fraction))])


def test_closed_form_of_a_moving_patch():
    # CALC, matched by RAN: area fraction f moving by its width: D sqrt(2 f) = 14.1421.
    clip = np.full((2, 100, 100), 50, np.uint8)
    clip[0, 20:30, 20:30] = 150
    clip[1, 20:30, 30:40] = 150
    assert_ti(ArrayReader(clip), [100 * math.sqrt(2 * 0.01)])


def test_closed_form_of_noise():
    # CALC: noise of sigma 4 has TI sigma sqrt(2); rounding to whole levels adds 1/12 (EMVA 1288,
    # READ in the emva1288 package).  RAN: 5.6572 with siti-tools.
    clip = grey_noise(9, (ROWS, COLS), level=100, sigma=4, seed=2)
    found = [math.sqrt(square - mean) for square, mean, _ in differences(ArrayReader(clip))]
    expected = math.sqrt(2 * (16 + 1 / 12))
    standard_error = expected / math.sqrt(2 * ROWS * COLS)
    assert found == pytest.approx([expected] * 8, abs=4 * standard_error)


def test_flat_flash_that_ti_cannot_see_is_found_by_brightness():
    # READ-2nd: TI is a standard deviation, so that a uniform jump leaves it unchanged.
    lift = np.zeros(300)
    lift[200] = 12
    pictures = grey_noise(300, (48, 64), lift=lift, seed=5)
    ti = np.array(reference_ti(pictures))
    assert abs(ti[199] - ti[:150].mean()) < 4 * ti[:150].std()
    log = find(ArrayReader(pictures), Settings(detectors=("brightness",)))
    assert [(event.onset, event.peak, event.end) for event in log.events] == [(200, 200, 200)]
