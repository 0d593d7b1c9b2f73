"""Uniqueness of the maximum: cases by hand, and the graph argument against the rank of the dense matrix."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.numerics.mixing import IntervalLikelihood, maximise_mixing
from capstat.numerics.uniqueness import _independent_runs, movable_columns


@pytest.fixture
def movable(dense):
    def find(rows, weights=None):
        likelihood = dense(rows)
        weights = np.ones(likelihood.shape[0]) if weights is None else np.array(weights, dtype=float)
        fit = maximise_mixing(likelihood, weights)
        return movable_columns(likelihood, weights, fit.mass).tolist()

    return find


def test_independent_columns_are_unique(movable):
    assert movable(np.eye(3)) == []


def test_equal_columns_share_mass_at_will(movable):
    assert movable([[1, 1, 0], [0, 0, 1]]) == [0, 1]


def test_dependent_columns_that_are_all_different(movable):
    """A 4-cycle, the classic non-unique case of doubly censored pairs: rows and columns of a 2 by 2 table.

    Cells (1,1), (2,2) may trade mass with (1,2), (2,1); no two columns are equal and the rank is 3.
    """
    assert movable([[1, 1, 0, 0], [0, 0, 1, 1], [1, 0, 1, 0], [0, 1, 0, 1]]) == [0, 1, 2, 3]


def test_dependent_columns_below_the_bound_are_harmless(movable):
    """All mass is on the last column; column 0 is the sum of columns 1 and 2, and none of them is at the bound."""
    assert movable([[1, 1, 0, 2], [1, 0, 1, 2]]) == []


def test_mass_moves_between_a_column_and_a_mixture_of_others(movable):
    """2 (1, 1) = (2, 0) + (0, 2)."""
    assert movable([[1, 2, 0], [1, 0, 2]]) == [0, 1, 2]


def test_dependent_columns_at_the_bound_whose_mass_would_have_to_fall_below_zero(dense):
    """(2, 0) twice beside (1, 1): all three gradients are 2, but (1, 1) has all the mass and nothing replaces it."""
    likelihood = dense([[1, 2, 2], [1, 0, 0]])
    assert movable_columns(likelihood, np.ones(2), np.array([1.0, 0.0, 0.0])).size == 0


def test_only_rows_with_weight_tell_columns_apart():
    likelihood = IntervalLikelihood(np.array([0, 0]), np.array([1, 0]), 2)
    mass = np.array([0.5, 0.5])
    assert movable_columns(likelihood, np.array([1.0, 0.0]), mass).tolist() == [0, 1]
    assert movable_columns(likelihood, np.array([1.0, 1.0]), np.array([1.0, 0.0])).size == 0


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 7), st.integers(0, 7)), min_size=1, max_size=12), st.sets(st.integers(0, 7)))
def test_connected_edges_mean_full_rank(rows, chosen):
    """numpy's matrix rank, by singular values, is the referee."""
    first = np.array([min(row) for row in rows])
    last = np.array([max(row) for row in rows])
    likelihood = IntervalLikelihood(first, last, 8)
    columns = np.array(sorted(chosen | {0}))
    rank = np.linalg.matrix_rank(likelihood.columns(columns))
    assert _independent_runs(likelihood, columns, np.ones(first.size, dtype=bool)) == (rank == columns.size)


@pytest.mark.parametrize("seed", range(5))
def test_movable_columns_really_move(dense, seed):
    """A random low-rank matrix: shifting mass along the null space leaves the likelihood where it is."""
    rng = np.random.default_rng(seed)
    corners = rng.random((6, 3))
    likelihood = dense(corners @ rng.dirichlet(np.ones(3), 8).T)
    likelihood.matrix[:, :3] = corners
    likelihood.matrix[:, 3] = corners[:, :2].mean(axis=1)
    weights = np.ones(6)
    fit = maximise_mixing(likelihood, weights)
    found = movable_columns(likelihood, weights, fit.mass)
    held = fit.mass[:2] > 1e-6
    # column 3 is the mean of columns 0 and 1, so mass may move exactly when both are in use or it is
    assert (found.size > 0) == (bool(held.all()) or bool(fit.mass[3] > 1e-6))
    if found.size:
        assert {0, 1, 3} <= set(found.tolist())
