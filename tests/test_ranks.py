"""Medians and percentiles by a sort, against NumPy's own."""
from __future__ import annotations

import numpy as np
import pytest

from analysis.ranks import median, percentile, ranked


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("count", [1, 2, 3, 100, 101, 50_000])
def test_median_and_percentile_are_those_of_numpy(count, kind):
    values = np.random.default_rng(count).standard_normal(count).astype(kind)
    places = [0.0, 0.1, 16.0, 50.0, 84.0, 99.5, 100.0]
    assert median(values) == np.median(values)
    # Interpolated in double precision here, in the values' own there
    np.testing.assert_allclose(percentile(values, places), np.percentile(values, places),
                               rtol=0, atol=4 * np.finfo(kind).eps * np.abs(values).max())


@pytest.mark.parametrize("axis", [0, 1, None])
def test_median_along_an_axis_is_nan_where_a_value_is(axis):
    values = np.random.default_rng(1).standard_normal((7, 8))
    values[2, 3] = np.nan
    np.testing.assert_array_equal(median(values, axis), np.median(values, axis))


@pytest.mark.parametrize("count", [1, 2, 10, 11])
def test_arrays_ranked_against_each_other_are_those_that_a_sort_gives(count):
    values = np.random.default_rng(count).standard_normal((count, 13, 7)).astype(np.float32)
    values[:, 2, 3] = np.inf
    np.testing.assert_array_equal(np.stack(ranked(list(values))), np.sort(values, axis=0))
