"""Batched logistic regression against statsmodels, one set at a time, and where a column separates."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from capstat.numerics.batch_logistic import batch_logistic


def problem(seed, sets=3, k=12):
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(k), rng.integers(0, 2, (k, 2)), rng.normal(size=k)]).astype(float)
    trials = rng.integers(5, 30, (sets, k)).astype(float)
    return design, rng.binomial(trials.astype(int), 0.4).astype(float), trials


@pytest.mark.parametrize("seed", range(4))
def test_each_set_is_the_regression_of_statsmodels(seed):
    """Reference: statsmodels GLM, binomial family; the prior is too wide to matter."""
    design, events, trials = problem(seed)
    found = batch_logistic(design, events, trials, prior_sd=1e4)
    for row, y, n in zip(found, events, trials, strict=True):
        fit = sm.GLM(np.column_stack([y, n - y]), design, family=sm.families.Binomial()).fit(tol=1e-12)
        assert row == pytest.approx(fit.params, abs=1e-4)


def test_prior_is_the_penalised_likelihood():
    """Reference: scipy's optimiser on the penalised likelihood written here."""
    from scipy import optimize, special

    design, events, trials = problem(7, sets=1)

    def minus(beta):
        eta = design @ beta
        log = events[0] @ special.log_expit(eta) + (trials[0] - events[0]) @ special.log_expit(-eta)
        return -log + (beta[1:] ** 2).sum() / (2 * 0.5**2)

    best = optimize.minimize(minus, np.zeros(4), tol=1e-12)
    assert batch_logistic(design, events, trials, prior_sd=0.5)[0] == pytest.approx(best.x, abs=1e-4)


def test_a_separating_column_stays_finite():
    design = np.column_stack([np.ones(2), [0.0, 1.0]])
    found = batch_logistic(design, np.array([[5.0, 20.0]]), np.array([[10.0, 20.0]]), prior_sd=10.0)
    assert np.isfinite(found).all()
    assert 1 / (1 + np.exp(-found[0].sum())) > 0.99


def test_start_does_not_matter():
    design, events, trials = problem(9)
    one = batch_logistic(design, events, trials, prior_sd=10.0)
    two = batch_logistic(design, events, trials, prior_sd=10.0, start=np.array([1.0, -2.0, 2.0, 1.0]))
    assert one == pytest.approx(two, abs=1e-6)
