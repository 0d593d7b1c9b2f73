"""The certified solver on any nonnegative matrix."""

from __future__ import annotations

import numpy as np
import pytest

from capstat.numerics.mixing import IntervalLikelihood, maximise_mixing


def test_interval_operator_is_its_dense_matrix(dense):
    rng = np.random.default_rng(0)
    first = rng.integers(0, 6, 20)
    last = np.minimum(first + rng.integers(0, 4, 20), 8)
    operator = IntervalLikelihood(first, last, 9)
    same = dense(operator.columns(np.arange(9)))
    assert operator.shape == same.shape
    mass, values = rng.random(9), rng.random(20)
    np.testing.assert_allclose(operator.apply(mass), same.apply(mass), atol=1e-12)
    np.testing.assert_allclose(operator.adjoint(values), same.adjoint(values), atol=1e-12)
    some = np.array([0, 2, 3, 7])
    np.testing.assert_allclose(operator.gram(some, values), same.gram(some, values), atol=1e-12)
    a = maximise_mixing(operator, np.ones(20))
    b = maximise_mixing(same, np.ones(20))
    assert a.log_likelihood == pytest.approx(b.log_likelihood, abs=1e-8)


def test_certificate_refuses_what_did_not_converge(dense):
    matrix = np.abs(np.random.default_rng(1).normal(size=(30, 10)))
    with pytest.raises(ArithmeticError, match="optimality gap"):
        maximise_mixing(dense(matrix), np.ones(30), max_iterations=1)
