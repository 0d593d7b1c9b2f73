"""Many maxima at once: scipy's minimiser, bounds, held coordinates, and profiles with a closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, special, stats

from capstat.numerics.newton_batch import maximise_many, profile_limits_many

FREE = np.full(2, -np.inf), np.full(2, np.inf)


def normal_samples(samples):
    """Log-likelihood of mean and log standard deviation for each of several samples."""
    n = np.array([len(s) for s in samples], dtype=float)
    mean, square = np.array([s.mean() for s in samples]), np.array([s.var() for s in samples])

    def objective(x, which):
        m, k, v = n[which], mean[which] - x[:, 0], square[which]
        inverse = np.exp(-2 * x[:, 1])
        total = v + k**2
        value = -m * x[:, 1] - 0.5 * m * total * inverse
        gradient = np.column_stack((m * k * inverse, -m + m * total * inverse))
        hessian = np.empty((which.size, 2, 2))
        hessian[:, 0, 0], hessian[:, 1, 1] = -m * inverse, -2 * m * total * inverse
        hessian[:, 0, 1] = hessian[:, 1, 0] = -2 * m * k * inverse
        return value, gradient, hessian

    return objective


@pytest.fixture
def samples():
    rng = np.random.default_rng(1)
    return [rng.normal(3 * k, 1 + k, 8 + 5 * k) for k in range(6)]


def test_normal_samples_have_their_mean_and_spread(samples):
    found = maximise_many(normal_samples(samples), np.zeros((6, 2)), *FREE)
    assert found.converged.all()
    assert found.x[:, 0] == pytest.approx([s.mean() for s in samples], rel=1e-5)
    assert np.exp(found.x[:, 1]) == pytest.approx([s.std() for s in samples], rel=1e-6)


def test_profile_limits_of_a_mean_are_students(samples):
    """With the t drop n/2 log(1 + t^2/(n - 1)) the profile of a normal mean gives Student's interval (scipy)."""
    objective = normal_samples(samples)
    found = maximise_many(objective, np.zeros((6, 2)), *FREE)
    n = np.array([len(s) for s in samples])
    drop = n / 2 * np.log1p(stats.t.ppf(0.975, n - 1) ** 2 / (n - 1))
    limits = [profile_limits_many(objective, found, 0, drop, *FREE, side) for side in (-1.0, 1.0)]
    expected = [stats.t.interval(0.95, k - 1, s.mean(), stats.sem(s)) for k, s in zip(n, samples, strict=True)]
    np.testing.assert_allclose(np.column_stack(limits), expected, rtol=1e-5)
    unlimited = profile_limits_many(objective, found, 0, np.full(6, np.inf), *FREE, 1.0)
    assert np.isinf(unlimited).all()


def test_bounds_and_held_coordinates(samples):
    objective = normal_samples(samples)
    upper = np.array([np.inf, 0.0])
    found = maximise_many(objective, np.zeros((6, 2)), np.full(2, -np.inf), upper)
    assert found.converged.all()
    too_wide = np.array([s.std() > 1 for s in samples])
    assert (found.x[too_wide, 1] == 0).all()
    assert not found.free[too_wide, 1].any()
    held = maximise_many(objective, np.full((6, 2), 0.5), *FREE, held=np.array([True, False]))
    assert (held.x[:, 0] == 0.5).all()
    for k, sample in enumerate(samples):
        best = optimize.minimize_scalar(lambda t, s=sample: len(s) * t + 0.5 * ((s - 0.5) ** 2).sum() * np.exp(-2 * t))
        assert held.x[k, 1] == pytest.approx(best.x, abs=1e-5)


def test_a_function_without_maximum_does_not_converge():
    """A logistic likelihood of successes only rises for ever."""

    def objective(x, which):
        p = special.expit(x[:, 0])
        return special.log_expit(x[:, 0]), (1 - p)[:, None], -(p * (1 - p))[:, None, None]

    found = maximise_many(objective, np.zeros((1, 1)), np.array([-np.inf]), np.array([np.inf]))
    assert not found.converged[0] or found.x[0, 0] > 10


def test_a_start_of_zero_likelihood_is_given_up():
    def objective(x, which):
        return np.full(which.size, -np.inf), np.zeros_like(x), np.zeros((which.size, 1, 1))

    assert not maximise_many(objective, np.zeros((1, 1)), np.array([-1.0]), np.array([1.0])).converged.any()
