"""Intervals as data: what is accepted, what is refused, and tabulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds, Censoring

INF = np.inf


def test_kinds_of_censoring():
    thresholds = CensoredThresholds.from_bounds([0, 60, 140, 75], [40, 65, INF, 75])
    assert thresholds.censoring == [Censoring.LEFT, Censoring.INTERVAL, Censoring.RIGHT, Censoring.EXACT]


def test_every_bad_interval_is_named_at_once():
    with pytest.raises(ValueError, match="Not a threshold interval") as raised:
        CensoredThresholds.from_bounds([60, np.nan, -5, 80, INF, 0], [65, 70, 40, 70, INF, 0])
    message = str(raised.value)
    for words in (
        "interval 2 (nan, 70] is not a number",
        "interval 3 (-5, 40] needs a finite lower bound",
        "interval 4 (80, 70] has its lower bound above",
        "interval 5 (inf, inf] needs a finite lower bound",
        "interval 6 (0, 0] needs an upper bound above 0",
    ):
        assert words in message
    assert "interval 1 " not in message


def test_long_lists_of_bad_intervals_are_counted():
    with pytest.raises(ValueError, match="and 30 more"):
        CensoredThresholds.from_bounds([2] * 50, [1] * 50)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"lower_ma": [1, 2], "upper_ma": [3]}, "same length"),
        ({"lower_ma": [1], "upper_ma": [3], "weights": [0]}, "positive numbers"),
        ({"lower_ma": [1], "upper_ma": [3], "weights": [1, 2]}, "positive numbers"),
        ({"lower_ma": [1], "upper_ma": [3], "placement": ["a", "b"]}, "2 placements for 1 intervals"),
        ({"lower_ma": [1, 2], "upper_ma": [3, 4], "patient": ["a", None]}, "missing for interval 2"),
        ({"lower_ma": [1, 2], "upper_ma": [3, 4], "patient": ["a"]}, "has 1 entries for 2"),
        ({"lower_ma": [1], "upper_ma": [3], "covariates": pd.DataFrame({"x": [1, 2]})}, "one row for each"),
    ],
)
def test_wrong_arguments(arguments, words):
    with pytest.raises(ValueError, match=words):
        CensoredThresholds.from_bounds(**arguments)


def test_arrays_cannot_be_written_to():
    thresholds = CensoredThresholds.from_bounds([60], [65])
    with pytest.raises(ValueError, match="read-only"):
        thresholds.lower_ma[0] = 1
    with pytest.raises(AttributeError):
        thresholds.capture = "other"


def test_subsets_keep_patients_and_covariates():
    thresholds = CensoredThresholds.from_bounds(
        [60, 60, 80],
        [65, 65, 90],
        ["a", "b", "a"],
        ["x", "x", "y"],
        covariates=pd.DataFrame({"bmi": [20, 30, 20]}),
    )
    part = thresholds.for_placement("x")
    assert part.n_patients == 2
    assert part.covariates["bmi"].tolist() == [20, 30]
    other = thresholds.for_placement("y")
    assert np.intersect1d(part.patient, other.patient).size == 1
    assert thresholds.clustered
    assert not part.clustered
    assert thresholds.placements == ("x", "y")


def test_identifiers_are_not_kept():
    thresholds = CensoredThresholds.from_bounds([60], [65], ["Jane Roe"])
    assert "Jane" not in repr(thresholds)


def test_cells_of_nothing_say_so():
    with pytest.raises(NotEstimableError, match="no attempts"):
        CensoredThresholds.from_bounds([], []).cells()


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(1, 4), st.floats(0.1, 3)), min_size=1, max_size=40))
def test_cells_hold_every_attempt(rows):
    lower = np.array([float(a) for a, _, _ in rows])
    upper = np.array([float(a + b) for a, b, _ in rows])
    thresholds = CensoredThresholds.from_bounds(lower, upper, weights=[w for _, _, w in rows])
    cells = thresholds.cells()
    np.testing.assert_array_equal(cells.lower_ma[cells.index], lower)
    np.testing.assert_array_equal(cells.upper_ma[cells.index], upper)
    assert cells.count.sum() == pytest.approx(thresholds.weight.sum())
    pairs = list(zip(cells.lower_ma, cells.upper_ma, strict=True))
    assert pairs == sorted(set(pairs))
