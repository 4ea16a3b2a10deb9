import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashpan.errors import RegionError
from flashpan.grid import TILE_PX, lay_grid
from flashpan.model import Region


@given(shape=st.tuples(st.integers(1, 400), st.integers(1, 400)))
def test_tiles_fill_the_picture_without_overlap(shape):
    grid = lay_grid(shape)
    for edges, size in ((grid.row_edges, shape[0]), (grid.col_edges, shape[1])):
        assert edges[0] == 0
        assert edges[-1] == size
        assert (np.diff(edges) > 0).all()
    assert grid.n_px.sum() == shape[0] * shape[1]
    assert grid.pixels(0, 0, *grid.shape) == Region(0, 0, *shape)


@given(size=st.integers(TILE_PX, 2000))
def test_tiles_are_about_as_large_as_wanted(size):
    steps = np.diff(lay_grid((size, 12)).row_edges)
    # All of one size, so that they can be summed in one go; the last takes what is left.
    assert (steps[:-1] == TILE_PX).all()
    assert 0.5 * TILE_PX <= steps[-1] <= 1.5 * TILE_PX


def test_window_is_the_smallest_rectangle_over_all_regions():
    regions = (Region(10, 20, 5, 5), Region(30, 4, 10, 8))
    grid = lay_grid((100, 100), regions)
    assert grid.window == Region(10, 4, 30, 21)
    assert grid.regions == regions
    assert grid.n_px.sum() == 25 + 80


def test_tile_boxes_are_in_picture_coordinates():
    grid = lay_grid((100, 100), (Region(40, 60, 24, 24),))
    assert grid.shape == (2, 2)
    assert grid.pixels(1, 0, 2, 1) == Region(52, 60, 12, 12)


def test_no_mask_where_every_pixel_counts():
    assert lay_grid((48, 48)).mask is None
    assert lay_grid((48, 48), (Region(3, 3, 20, 20),)).mask is None
    assert lay_grid((48, 48), (), (Region(0, 0, 2, 2),)).mask is not None


def test_ignored_region_outside_the_window_changes_nothing():
    grid = lay_grid((48, 48), (Region(0, 0, 24, 24),), (Region(30, 30, 10, 10),))
    assert grid.mask is None


def test_ignored_region_across_the_windows_edge_is_cut_there():
    grid = lay_grid((48, 48), (Region(12, 12, 24, 24),), (Region(0, 0, 16, 20),))
    assert grid.n_px.sum() == 24 * 24 - 4 * 8


def test_overlapping_regions_count_once():
    grid = lay_grid((48, 48), (Region(0, 0, 10, 10), Region(5, 5, 10, 10)))
    assert grid.n_px.sum() == 100 + 100 - 25


def test_nothing_left_to_look_at_is_refused():
    with pytest.raises(RegionError, match="make them smaller"):
        lay_grid((48, 48), (Region(4, 4, 10, 10),), (Region(0, 0, 20, 20),))
