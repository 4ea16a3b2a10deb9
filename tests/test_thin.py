"""Long series in few columns."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashpan.thin import in_columns


def naive(frames, values, edges):
    """Least and greatest of each column, one after the other."""
    groups = [values[(frames >= a) & (frames <= b)] for a, b in edges]
    return [min(group) for group in groups], [max(group) for group in groups]


@given(
    st.lists(st.floats(-1e6, 1e6, width=32), min_size=1, max_size=300),
    st.integers(1, 400),
    st.integers(0, 10_000),
)
def test_no_value_is_higher_or_lower_than_its_column(series, most, first):
    values, frames = np.array(series, np.float32), np.arange(len(series)) + first
    columns = in_columns(frames, values, most)
    assert len(columns.first) <= most
    low, high = naive(frames, values, zip(columns.first, columns.last, strict=True))
    np.testing.assert_array_equal(columns.low, low)
    np.testing.assert_array_equal(columns.high, high)
    assert columns.first[0] == first
    assert columns.last[-1] == frames[-1]
    np.testing.assert_array_equal(columns.first[1:], columns.last[:-1] + 1)


@pytest.mark.parametrize("n_frames", [1000, 3_000_000])
@pytest.mark.parametrize("where", [0.0, 0.123456, 0.999999])
def test_a_spike_of_one_frame_is_as_high_as_it_was(n_frames, where):
    values = np.zeros((2, n_frames), np.float32)
    values[1, int(where * (n_frames - 1))] = 77
    columns = in_columns(np.arange(n_frames), values, 2000)
    assert columns.high[1].max() == 77
    assert columns.high[0].max() == 0
    assert np.count_nonzero(columns.high[1]) == 1


def test_what_is_not_finite_hides_nothing():
    columns = in_columns(np.arange(4), np.array([np.nan, 5, np.nan, np.nan]), 2)
    assert columns.high[0] == 5
    assert np.isnan(columns.high[1])


def test_nothing_and_no_columns():
    assert len(in_columns(np.arange(0), np.zeros((3, 0)), 10).first) == 0
    with pytest.raises(ValueError, match="most_columns"):
        in_columns(np.arange(3), np.zeros(3), 0)
