"""The measurer against a slow, obvious twin that loops over pixels."""

import numpy as np
import pytest
from array_takes import ArrayReader, measured
from hypothesis import given, settings
from hypothesis import strategies as st

from flashpan.errors import RegionError
from flashpan.grid import lay_grid
from flashpan.measure import LeadingPictures, Measurer
from flashpan.medians import median
from flashpan.model import Frame, Region, TakeInfo, Tiles

EPS = float(np.finfo(np.float32).eps)


def counts(region_list, ignore, row, col):
    """True where a pixel of the picture enters the sums."""

    def inside(box):
        return box.top <= row < box.bottom and box.left <= col < box.right

    return any(map(inside, region_list)) and not any(map(inside, ignore))


def twin(grid, info, now, before, ignore):
    """Mean, mean absolute and mean squared difference of every tile, with Python integers."""
    shape = grid.shape
    mean, abs_diff, sq_diff = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    n_px = np.zeros(shape, int)
    for tile_row in range(shape[0]):
        for tile_col in range(shape[1]):
            box = grid.pixels(tile_row, tile_col, tile_row + 1, tile_col + 1)
            total = total_abs = total_sq = n = 0
            for row in range(box.top, box.bottom):
                for col in range(box.left, box.right):
                    if not counts(grid.regions, ignore, row, col):
                        continue
                    value = int(now[row, col])
                    step = 0 if before is None else value - int(before[row, col])
                    total += value - info.black
                    total_abs += abs(step)
                    total_sq += step * step
                    n += 1
            cell = tile_row, tile_col
            n_px[cell] = n
            if n:
                mean[cell] = total / n / info.full_scale
                abs_diff[cell] = total_abs / n / info.full_scale
                sq_diff[cell] = total_sq / n / info.full_scale**2
    return n_px, mean, abs_diff, sq_diff


def assert_equal_to_twin(pictures, bit_depth, regions=(), ignore=(), limited=False):
    reader = ArrayReader(pictures, bit_depth=bit_depth, limited_range=limited)
    grid, tiles = measured(reader, regions, ignore)
    before = None
    for now, found in zip(pictures, tiles, strict=True):
        n_px, mean, abs_diff, sq_diff = twin(grid, reader.info, now, before, ignore)
        np.testing.assert_array_equal(grid.n_px, n_px)
        np.testing.assert_allclose(found.mean, mean, rtol=2 * EPS, atol=2 * EPS)
        np.testing.assert_allclose(found.abs_diff, abs_diff, rtol=2 * EPS)
        np.testing.assert_allclose(found.sq_diff, sq_diff, rtol=2 * EPS)
        assert found.has_previous == (before is not None)
        before = now


def drawn(seed, shape, bit_depth, n_frames=3):
    dtype = np.uint8 if bit_depth <= 8 else np.uint16
    random = np.random.default_rng(seed)
    return random.integers(0, 1 << bit_depth, (n_frames, *shape)).astype(dtype)


@pytest.mark.parametrize("bit_depth", [8, 10, 12, 16])
@pytest.mark.parametrize("shape", [(1, 1), (1, 37), (37, 1), (12, 12), (13, 11), (25, 49)])
def test_equals_the_twin_at_odd_sizes(shape, bit_depth):
    assert_equal_to_twin(drawn(1, shape, bit_depth), bit_depth)


@pytest.mark.parametrize("bit_depth", [8, 16])
def test_equals_the_twin_inside_regions_and_outside_ignored_ones(bit_depth):
    regions = (Region(3, 5, 20, 17), Region(30, 20, 9, 25))
    ignore = (Region(10, 0, 5, 60), Region(33, 22, 3, 3), Region(0, 0, 4, 6))
    assert_equal_to_twin(drawn(2, (47, 61), bit_depth), bit_depth, regions, ignore)


@pytest.mark.parametrize("bit_depth", [8, 10, 16])
def test_equals_the_twin_in_limited_range(bit_depth):
    # Samples below black and above white too: they exist in real footage.
    assert_equal_to_twin(drawn(3, (25, 30), bit_depth), bit_depth, limited=True)


@pytest.mark.parametrize("bit_depth", [8, 16])
def test_extreme_values_neither_wrap_nor_overflow(bit_depth):
    top = (1 << bit_depth) - 1
    dtype = np.uint8 if bit_depth == 8 else np.uint16
    pictures = np.stack([np.full((26, 38), v, dtype) for v in (top, top, 0, top, 0)])
    assert_equal_to_twin(pictures, bit_depth)


def test_large_tiles_of_the_highest_values_do_not_overflow():
    # 1400 x 1400 pixels in one tile: the sum of squares is 8.4e15.
    info = TakeInfo(path="", name="", shape=(1400, 1400), bit_depth=16)
    measurer = Measurer(info, lay_grid(info.shape, tile_px=1400))
    measurer.measure(Frame(index=0, luma=np.zeros(info.shape, np.uint16)))
    found = measurer.measure(Frame(index=1, luma=np.full(info.shape, 65535, np.uint16)))
    assert (found.mean, found.abs_diff, found.sq_diff) == (1.0, 1.0, 1.0)


@settings(max_examples=40, deadline=None)
@given(
    shape=st.tuples(st.integers(1, 30), st.integers(1, 30)),
    bit_depth=st.sampled_from([8, 10, 16]),
    seed=st.integers(0, 2**32 - 1),
    box=st.tuples(*[st.integers(0, 29)] * 4),
)
def test_equals_the_twin_for_any_picture_and_mask(shape, bit_depth, seed, box):
    top, left, height, width = box
    ignore = (Region(top, left, height, width),)
    try:
        lay_grid(shape, (), ignore)
    except RegionError:
        assert top == left == 0
        assert height >= shape[0]
        assert width >= shape[1]
        return
    assert_equal_to_twin(drawn(seed, shape, bit_depth, 2), bit_depth, (), ignore)


def test_bit_depths_agree_on_one_scene():
    eight = drawn(4, (24, 36), 8)
    _, reference = measured(ArrayReader(eight))
    for bit_depth in (10, 12, 16):
        # Same fractions of full scale, to the rounding of the deeper picture.
        top = (1 << bit_depth) - 1
        deeper = np.rint(eight * (top / 255)).astype(np.uint16)
        _, found = measured(ArrayReader(deeper, bit_depth=bit_depth))
        for one, other in zip(reference, found, strict=True):
            np.testing.assert_allclose(other.mean, one.mean, atol=0.5 / top)
            np.testing.assert_allclose(other.abs_diff, one.abs_diff, atol=1.0 / top)
            np.testing.assert_allclose(other.sq_diff, one.sq_diff, atol=2.0 / top)


def test_does_not_write_to_the_frame():
    luma = drawn(5, (24, 24), 8, 1)[0]
    luma.flags.writeable = False
    before = luma.copy()
    info = TakeInfo(path="", name="", shape=luma.shape, bit_depth=8)
    measurer = Measurer(info, lay_grid(luma.shape, (), (Region(0, 0, 5, 5),)))
    measurer.measure(Frame(index=0, luma=luma))
    measurer.measure(Frame(index=1, luma=luma))
    np.testing.assert_array_equal(luma, before)


def refreshed(codec, keyframes):
    intra_only = all(keyframes)
    info = TakeInfo(
        path="", name="", shape=(12, 12), bit_depth=8, codec=codec, intra_only=intra_only
    )
    measurer = Measurer(info, lay_grid(info.shape))
    luma = np.zeros(info.shape, np.uint8)
    frames = (Frame(index=i, luma=luma, is_keyframe=k) for i, k in enumerate(keyframes))
    return [measurer.measure(frame).refreshed for frame in frames]


def test_keyframe_among_predicted_frames_is_refreshed():
    keyframes = [True, False, False, True, True, False, True]
    assert refreshed("h264", keyframes) == [False, False, False, True, False, False, True]


def test_nothing_is_refreshed_where_every_frame_is_coded_by_itself():
    assert not any(refreshed("mjpeg", [True] * 5))


def test_nothing_is_refreshed_in_a_lossless_stream():
    assert not any(refreshed("ffv1", [True, False, True, False, True]))


def led(types, keyframes):
    """Which frames count as coded afresh, and how many come out with each."""
    grey, leading = np.zeros((1, 1), np.float32), LeadingPictures()
    out, sizes = [], []
    for index, (kind, is_fresh) in enumerate(zip(types, keyframes, strict=True)):
        tiles = Tiles(index=index, mean=grey, abs_diff=grey, sq_diff=grey, refreshed=is_fresh)
        done = leading.push(tiles, kind)
        out += done
        sizes.append(len(done))
    out += leading.finish()
    assert [tiles.index for tiles in out] == list(range(len(types)))
    return [tiles.refreshed for tiles in out], sizes


def test_pictures_that_lead_a_keyframe_are_coded_afresh_with_it():
    fresh, sizes = led("IBBPBBIP", [False] * 6 + [True, False])
    assert fresh == [False] * 4 + [True] * 3 + [False]
    assert sizes == [1, 0, 0, 3, 0, 0, 3, 1]


def test_leading_pictures_wait_only_so_long():
    fresh, sizes = led("B" * 40, [False] * 40)
    assert not any(fresh)
    assert sizes[:17] == [0] * 16 + [17]


def speck_twin(grid, info, now, before, ignore):
    """Largest 3 x 3 pixel mean of the capped change, less the tile's mean change, per tile."""
    window = grid.window
    change = np.zeros((window.height, window.width))
    counted = np.zeros(change.shape, bool)
    for row, col in np.ndindex(change.shape):
        y, x = window.top + row, window.left + col
        counted[row, col] = counts(grid.regions, ignore, y, x)
        change[row, col] = (int(now[y, x]) - int(before[y, x])) * counted[row, col]
    cells = {}
    for cell in np.ndindex(grid.shape):
        rows = slice(*grid.row_edges[cell[0] : cell[0] + 2])
        cols = slice(*grid.col_edges[cell[1] : cell[1] + 2])
        if counted[rows, cols].any():
            cells[cell] = rows, cols
    usual = [np.mean(change[cell][counted[cell]] ** 2) for cell in cells.values()]
    cap = max(3.0, 6.0 * np.sqrt(np.median(usual)))
    cap = np.floor(cap) if now.dtype == np.uint8 else cap  # whole levels, as the pixels are
    capped = np.pad(np.clip(change, -cap, cap), 1)
    means = np.zeros(change.shape)
    for row, col in np.ndindex(change.shape):
        means[row, col] = capped[row : row + 3, col : col + 3].sum() / 9
    found = np.zeros(grid.shape)
    for cell, (rows, cols) in cells.items():
        step = change[rows, cols][counted[rows, cols]].mean()
        found[cell] = np.abs(means[rows, cols] - step).max() / info.full_scale
    return found, cap


def with_blinking_pixels(seed, shape, bit_depth, n_frames=3):
    """Noise of 1 % of full scale on grey; on one side a few pixels change by much."""
    random = np.random.default_rng(seed)
    top = (1 << bit_depth) - 1
    luma = top * (0.4 + 0.01 * random.standard_normal((n_frames, *shape)))
    odds = np.linspace(-0.04, 0.04, shape[1])
    luma += (random.random(luma.shape) < odds) * random.uniform(-0.4, 0.5, luma.shape) * top
    return np.rint(luma).clip(0, top).astype(np.uint8 if bit_depth <= 8 else np.uint16)


@pytest.mark.parametrize("bit_depth", [8, 12, 16])
@pytest.mark.parametrize(
    ("shape", "regions", "ignore"),
    [
        ((1, 1), (), ()),
        ((2, 37), (), ()),
        ((13, 11), (), ()),
        ((40, 61), (), ()),
        # Strips of tiles left out wholly and in part, a hole, and surroundings that change too.
        (
            (50, 70),
            (Region(3, 5, 40, 30), Region(20, 40, 27, 25)),
            (Region(10, 8, 14, 14), Region(27, 52, 1, 1), Region(0, 0, 7, 9)),
        ),
    ],
)
def test_specks_equal_the_twin(shape, regions, ignore, bit_depth):
    pictures = with_blinking_pixels(6, shape, bit_depth)
    reader = ArrayReader(pictures, bit_depth=bit_depth)
    grid, tiles = measured(reader, regions, ignore)
    assert not tiles[0].speck.any()  # nothing came before it
    for before, now, found in zip(pictures, pictures[1:], tiles[1:], strict=False):
        expected, cap = speck_twin(grid, reader.info, now, before, ignore)
        assert found.speck.dtype == np.float32
        assert found.speck.shape == grid.shape
        np.testing.assert_allclose(found.speck, expected, rtol=4 * EPS, atol=4 * EPS)
        if now.size > 1000:  # so that the cap is at work
            assert np.abs(now.astype(int) - before).max() > 2 * cap
    assert not ignore or np.count_nonzero(grid.n_px == 0) > 0


def test_specks_of_tiles_left_out_are_zero():
    pictures = with_blinking_pixels(7, (48, 48), 8)
    grid, tiles = measured(ArrayReader(pictures), (), (Region(12, 12, 24, 12),))
    left_out = grid.n_px == 0
    assert left_out.sum() == 2
    for found in tiles[1:]:
        assert not found.speck[left_out].any()
        assert np.all(found.speck[~left_out] > 0.0)


@pytest.mark.parametrize("bit_depth", [8, 12, 16])
def test_a_change_of_light_is_no_speck_away_from_the_border(bit_depth):
    step = 1 << (bit_depth - 3)
    dtype = np.uint8 if bit_depth == 8 else np.uint16
    pictures = np.stack([np.full((60, 60), level, dtype) for level in (step, 3 * step, 2 * step)])
    _, tiles = measured(ArrayReader(pictures, bit_depth=bit_depth))
    for found in tiles[1:]:
        np.testing.assert_allclose(found.speck[1:-1, 1:-1], 0.0, atol=2 * EPS)


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize(("row", "col"), [(17, 17), (23, 23), (24, 12), (0, 30)])
def test_three_by_three_pixels_show_by_their_change_less_the_tiles_share(row, col, way):
    # On a picture that stands still the cap is its least, three levels; here the change is two.
    pictures = np.full((2, 48, 48), 100, np.uint8)
    pictures[1, row : row + 3, col : col + 3] += np.uint8(2 * way % 256)
    _, (_, found) = measured(ArrayReader(pictures))
    middle = (row + 1) // 12, (col + 1) // 12
    inside = np.zeros((48, 48), bool)
    inside[row : row + 3, col : col + 3] = True
    tile = inside[12 * middle[0] : 12 * middle[0] + 12, 12 * middle[1] : 12 * middle[1] + 12]
    expected = 2 * (1 - tile.sum() / 144) / 255
    assert found.speck[middle] == pytest.approx(expected, abs=2 * EPS)
    assert found.speck.max() == found.speck[middle]


def test_one_pixel_counts_for_three_levels_where_nothing_else_changes():
    pictures = np.full((2, 48, 48), 100, np.uint8)
    pictures[1, 18, 30] = 200
    _, (_, found) = measured(ArrayReader(pictures))
    # A ninth of three levels less its share in the tile's mean; where it is far, that share alone.
    assert found.speck[1, 2] == pytest.approx(max(100 / 144, 3 / 9 - 100 / 144) / 255, abs=2 * EPS)
    assert np.count_nonzero(found.speck) == 1


@pytest.mark.parametrize("n", [1, 2, 7, 540])
def test_median_is_that_of_numpy(n):
    values = np.random.default_rng(n).normal(size=n).astype(np.float32)
    assert median(values) == float(np.median(values))
