"""Many weightings of one interval matrix at once: against the single solver, certificates recomputed, hard cases."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.numerics import mixing_batch
from capstat.numerics.banded import factorise, solve
from capstat.numerics.mixing import GAP_ACCEPTED, IntervalLikelihood, maximise_mixing
from capstat.numerics.mixing_batch import maximise_mixing_batch, share_among_alike


def dense(likelihood):
    return likelihood.columns(np.arange(likelihood.n_columns))


def assert_certified(likelihood, weights, fit):
    """The certificate by dense matrix products, not by the code under test."""
    matrix = dense(likelihood)
    assert (fit.mass >= 0).all()
    np.testing.assert_allclose(fit.mass.sum(axis=1), 1, atol=1e-12)
    for w, mass, value, gap in zip(weights, fit.mass, fit.log_likelihood, fit.optimality_gap, strict=True):
        fitted = (matrix @ mass)[w > 0]
        gradient = matrix[w > 0].T @ (w[w > 0] / fitted)
        assert gradient.max() / w.sum() - 1 <= 2 * GAP_ACCEPTED
        assert gap <= GAP_ACCEPTED
        assert value == pytest.approx(w[w > 0] @ np.log(fitted), rel=1e-9, abs=1e-9 * w.sum())


rows = st.lists(st.tuples(st.integers(0, 11), st.integers(0, 6), st.integers(0, 4)), min_size=1, max_size=20)


@settings(max_examples=150, deadline=None)
@given(rows, st.integers(0, 2**31))
def test_agrees_with_the_single_solver(drawn, seed):
    first = np.array([a for a, _, _ in drawn])
    last = np.minimum(first + [b for _, b, _ in drawn], 11)
    likelihood = IntervalLikelihood(first, last, 12)
    counts = np.array([c for *_, c in drawn]) + 1
    weights = np.random.default_rng(seed).multinomial(counts.sum(), counts / counts.sum(), size=8).astype(float)
    fit = maximise_mixing_batch(likelihood, weights)
    assert_certified(likelihood, weights, fit)
    for w, value in zip(weights, fit.log_likelihood, strict=True):
        present = w > 0
        single = maximise_mixing(IntervalLikelihood(first[present], last[present], 12), w[present])
        assert value == pytest.approx(single.log_likelihood, abs=2 * GAP_ACCEPTED * w.sum())


@pytest.mark.parametrize("spread", [3, 6])
def test_huge_weight_ratios(spread):
    """Weights over 6 and 12 powers of ten, several problems each in a random network."""
    rng = np.random.default_rng(spread)
    for _ in range(40):
        first = rng.integers(0, 10, 25)
        last = np.minimum(first + rng.integers(0, 10, 25), 9)
        weights = 10.0 ** rng.uniform(-spread, spread, (5, 25))
        likelihood = IntervalLikelihood(first, last, 10)
        fit = maximise_mixing_batch(likelihood, weights)
        assert_certified(likelihood, weights, fit)


def test_a_problem_with_one_row_puts_its_mass_there():
    likelihood = IntervalLikelihood(np.array([0, 1, 2]), np.array([1, 2, 4]), 5)
    weights = np.array([[0, 2.5, 0], [1, 0, 0], [0, 0, 7]])
    fit = maximise_mixing_batch(likelihood, weights)
    np.testing.assert_allclose(fit.log_likelihood, 0, atol=1e-9)
    for b, columns in enumerate(([1, 2], [0, 1], [2, 3, 4])):
        assert fit.mass[b, columns].sum() == pytest.approx(1, abs=1e-9)


def test_one_column_and_no_weight():
    likelihood = IntervalLikelihood(np.array([0]), np.array([0]), 1)
    assert maximise_mixing_batch(likelihood, np.array([[3.0]])).mass.tolist() == [[1.0]]
    with pytest.raises(ValueError, match="positive weight"):
        maximise_mixing_batch(likelihood, np.array([[3.0], [0.0]]))


def test_wide_bands_go_through_the_single_solver(monkeypatch):
    rng = np.random.default_rng(1)
    first = rng.integers(0, 30, 60)
    likelihood = IntervalLikelihood(first, np.minimum(first + rng.integers(0, 20, 60), 29), 30)
    weights = rng.multinomial(60, np.full(60, 1 / 60), size=10).astype(float)
    banded = maximise_mixing_batch(likelihood, weights)
    monkeypatch.setattr(mixing_batch, "MOST_OPERATIONS", 0)
    single = maximise_mixing_batch(likelihood, weights)
    assert_certified(likelihood, weights, single)
    np.testing.assert_allclose(single.log_likelihood, banded.log_likelihood, atol=1e-6)


def test_a_start_changes_nothing_and_blocks_do_not_matter(monkeypatch):
    rng = np.random.default_rng(2)
    first = rng.integers(0, 20, 60)
    likelihood = IntervalLikelihood(first, np.minimum(first + rng.integers(0, 3, 60), 19), 20)
    weights = rng.multinomial(200, np.full(60, 1 / 60), size=50).astype(float)
    plain = maximise_mixing_batch(likelihood, weights)
    pooled = maximise_mixing(likelihood, np.ones(60)).mass
    monkeypatch.setattr(mixing_batch, "BLOCK_SIZE", 1)
    started = maximise_mixing_batch(likelihood, weights, pooled)
    np.testing.assert_allclose(started.log_likelihood, plain.log_likelihood, atol=1e-5)
    assert_certified(likelihood, weights, started)


def test_columns_that_look_alike_share_as_in_the_reference():
    """Rows [0, 1] and [2, 3]: columns 0 and 1 are one, and 2 and 3; the reference splits 1 to 3 and not at all."""
    likelihood = IntervalLikelihood(np.array([0, 2, 0]), np.array([1, 3, 0]), 4)
    weights = np.array([[1.0, 3, 0], [1, 3, 4]])
    fit = maximise_mixing_batch(likelihood, weights)
    shared = share_among_alike(likelihood, weights, fit.mass, np.array([0.2, 0.6, 0.0, 0.0]))
    np.testing.assert_allclose(shared[0], [0.0625, 0.1875, 0.75, 0], atol=1e-8)
    # with the third row every column but the last two is told apart: by hand 5/8, 0, 3/8
    np.testing.assert_allclose(shared[1], [0.625, 0, 0.375, 0], atol=1e-7)


def test_band_elimination_is_the_dense_solution():
    """numpy.linalg.solve on the same grounded Laplacians."""
    rng = np.random.default_rng(0)
    n, width, size = 9, 3, 4
    band = np.zeros((n, width + 1, size))
    matrices = np.zeros((size, n, n))
    for j in range(n):
        for d in range(1, min(width, n - 1 - j) + 1):
            weight = rng.random(size)
            band[j, d] = -weight
            matrices[:, j, j + d] = matrices[:, j + d, j] = -weight
    for j in range(n):
        band[j, 0] = 0.3 - matrices[:, j].sum(axis=1)
        matrices[:, j, j] = band[j, 0]
    right = rng.random((n, size))
    factorise(band, np.minimum(width, np.arange(n - 1, -1, -1)))
    got = solve(band, np.minimum(width, np.arange(n - 1, -1, -1)), right.copy())
    np.testing.assert_allclose(got.T, np.linalg.solve(matrices, right.T[:, :, None])[:, :, 0], rtol=1e-12)
