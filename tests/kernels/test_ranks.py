"""Medians and largest numbers against NumPy's, to the bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from flashpan.kernels.ranks import less_middle, median_rows, middle, middle_size
from flashpan.medians import is_median_below

# Few different numbers, so that many are equal, or any at all.
NUMBERS = st.one_of(
    st.sampled_from([-2.0, -1.0, 0.0, 0.5, 3.0]),
    st.floats(-(2.0**100), 2.0**100, width=32, allow_subnormal=False),
)


@settings(max_examples=150, deadline=None)
@given(values=arrays(np.float32, st.integers(1, 60), elements=NUMBERS))
def test_middle_is_numpys_median(values):
    assert middle(values) == float(np.median(values))


@settings(max_examples=150, deadline=None)
@given(
    values=arrays(
        np.float64,
        st.integers(1, 60),
        elements=st.one_of(st.sampled_from([0.0, 0.5, 1.0, 3.0]), st.floats(0.0, 2.0**500)),
    )
)
def test_middle_size_is_numpys_median(values):
    assert middle_size(values) == float(np.median(values))


@pytest.mark.parametrize("n", [6420, 6421])
def test_middle_of_many(n):
    random = np.random.default_rng(n)
    for values in (random.normal(size=n), np.round(random.normal(size=n)), random.random(n) * 1e-7):
        values = values.astype(np.float32)
        assert middle(values) == float(np.median(values))
        sizes = np.abs(values.astype(np.float64)) * np.pi
        assert middle_size(sizes) == float(np.median(sizes))


@pytest.mark.parametrize("shape", [(0, 4), (1, 1), (3, 12), (3, 6421)])
def test_rows_less_their_median(shape):
    rows = np.random.default_rng(shape[1]).normal(size=shape).astype(np.float32)
    expected = rows - np.median(rows, axis=1, keepdims=True)
    less_middle(rows)
    np.testing.assert_array_equal(rows, expected)


@settings(max_examples=80, deadline=None)
@given(rows=arrays(np.float32, st.tuples(st.integers(1, 17), st.integers(1, 9)), elements=NUMBERS))
def test_median_of_rows(rows):
    n, ordered = len(rows), np.sort(rows, axis=0)
    expected = (ordered[(n - 1) // 2] + ordered[n // 2]) * np.float32(0.5)
    np.testing.assert_array_equal(median_rows(rows), expected)


@settings(max_examples=100, deadline=None)
@given(
    values=arrays(np.float64, st.integers(1, 12), elements=st.integers(0, 4).map(float)),
    limit=st.sampled_from([0.5, 1.0, 1.5, 2.0]),
)
def test_whether_a_median_is_below(values, limit):
    assert is_median_below(values, limit) == bool(np.median(values) < limit)
