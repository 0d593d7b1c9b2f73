"""Tabulating intervals: the counting of grid codes and the general path say the same."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.thresholds import CensoredThresholds, tabulate

INF = np.inf


def assert_equal(one, two):
    for name in ("lower_ma", "upper_ma", "count", "index"):
        a, b = getattr(one, name), getattr(two, name)
        assert a.dtype == b.dtype
        np.testing.assert_array_equal(a, b)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 150), st.integers(0, 40), st.booleans()), min_size=1, max_size=60),
    st.sampled_from([1, 10]),
    st.booleans(),
)
def test_both_paths_are_equal(rows, steps, weighted):
    lower = np.array([a for a, _, _ in rows]) / steps
    upper = np.array([INF if never else a + b for a, b, never in rows]) / steps
    weight = np.random.default_rng(len(rows)).random(lower.size) + 0.1 if weighted else np.ones(lower.size)
    assert_equal(tabulate.tabulate_grid(lower, upper, weight, steps), tabulate.tabulate_any(lower, upper, weight))


@pytest.mark.parametrize(
    ("lower", "upper"),
    [(60.25, 65), (60, 65.1234), (60, 60 + 0.1 + 0.2), (60, 5000), (5000, INF), (2047, INF), (60, 2047)],
)
def test_what_is_not_on_the_grid_is_left_to_the_general_path(lower, upper):
    bounds = np.array([60.0, lower]), np.array([65.0, upper])
    for steps in (1, 10):
        assert tabulate.tabulate_grid(*bounds, np.ones(2), steps) is None


def test_codes_at_the_end_of_the_grid_are_not_mistaken_for_infinity():
    lower, upper = np.array([2045.0, 2046, 2046]), np.array([2046.0, INF, 2046])
    cells = tabulate.tabulate_grid(lower, upper, np.ones(3), 1)
    assert_equal(cells, tabulate.tabulate_any(lower, upper, np.ones(3)))


def test_many_rows_take_the_short_way_over_several_blocks():
    rng = np.random.default_rng(1)
    n = 300_000
    lower = rng.integers(0, 20, n) * 5.0
    upper = np.where(rng.random(n) < 0.1, INF, lower + 5.0)
    thresholds = CensoredThresholds.from_bounds(lower, upper)
    assert_equal(thresholds.cells(), tabulate.tabulate_any(lower, upper, np.ones(n)))
    shifted = CensoredThresholds.from_bounds(lower + 1 / 3, upper)
    assert_equal(shifted.cells(), tabulate.tabulate_any(lower + 1 / 3, upper, np.ones(n)))
