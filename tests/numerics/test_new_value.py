"""Prediction of one more true value: brute-force integration, limits, and what is not allowed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from capstat.numerics.new_value import new_value
from capstat.numerics.random_effects import pool, prediction_interval
from capstat.results import UsageError

Y, V = np.array([4.287, 4.065, 4.022]), np.array([0.0044, 0.0050, 0.0042])


def brute_cdf(x, y, v, scale):
    """Distribution function by summing over a dense grid of means and spreads, nothing integrated in closed form."""
    tau = (np.arange(1200) + 0.5) * 6 * scale / 1200
    reach = 14 * scale + 1.0
    mu = np.linspace(y.min() - reach, y.max() + reach, 6001)
    log_joint = stats.halfnorm.logpdf(tau, scale=scale)[:, None] + sum(
        stats.norm.logpdf(one, mu, np.sqrt(error + tau[:, None] ** 2)) for one, error in zip(y, v, strict=True)
    )
    joint = np.exp(log_joint - log_joint.max())
    return float((joint * stats.norm.cdf(x, mu, tau[:, None])).sum() / joint.sum())


@pytest.mark.parametrize(("k", "scale"), [(3, 0.3), (2, 0.1)])
def test_against_sums_over_mean_and_spread(k, scale):
    y, v = Y[:k], V[:k]
    found = new_value(y, v, scale=scale)
    for value, share in ((found.lower, 0.025), (found.median, 0.5), (found.upper, 0.975)):
        assert brute_cdf(value, y, v, scale) == pytest.approx(share, abs=2e-4)


def test_one_study_adds_the_prior_of_the_spread_to_its_error():
    """Simulation: the mean lies a spread away from the published service, and the new service a spread from the mean."""
    found = new_value([1.0], [0.04], scale=0.3)
    rng = np.random.default_rng(1)
    spread = np.abs(rng.normal(0, 0.3, 400_000))
    draws = rng.normal(1.0, 0.2, 400_000) + rng.normal(0, spread) + rng.normal(0, spread)
    assert found.median == pytest.approx(1.0, abs=1e-9)
    assert (found.lower, found.upper) == pytest.approx(tuple(np.quantile(draws, [0.025, 0.975])), abs=0.01)
    assert found.spread == pytest.approx(0.3 * np.sqrt(2 / np.pi), rel=1e-6)


def test_limits_of_the_prior():
    """Hardly any spread allowed: the common-effect mean and its error. Many alike studies: the usual prediction."""
    tight = new_value(Y, V, scale=1e-6)
    w = 1 / V
    assert tight.median == pytest.approx(w @ Y / w.sum(), abs=1e-6)
    assert tight.upper - tight.lower == pytest.approx(2 * 1.959964 / np.sqrt(w.sum()), rel=1e-5)
    y = np.random.default_rng(3).normal(0, np.sqrt(0.09 + 0.01), 400)
    many, usual = new_value(y, np.full(400, 0.01), scale=2.0), prediction_interval(
        pool(y, np.full(400, 0.01), tau2_method="REML", knapp_hartung=None)
    )  # fmt: skip
    assert (many.lower, many.upper) == pytest.approx((usual.lower, usual.upper), abs=0.01)


def test_normal_with_the_same_limits():
    found = new_value(Y, V, scale=0.3, level=0.9)
    mean, sd = found.normal
    assert stats.norm.interval(0.9, mean, sd) == pytest.approx((found.lower, found.upper))


@given(st.floats(-5, 5), st.floats(0.1, 10), st.integers(1, 3))
def test_shift_scale_and_order(shift, factor, k):
    y, v = Y[:k], V[:k]
    one = new_value(y, v, scale=0.3)
    two = new_value((shift + factor * y)[::-1], (factor**2 * v)[::-1], scale=0.3 * factor)
    for a, b in ((one.lower, two.lower), (one.median, two.median), (one.upper, two.upper)):
        assert b == pytest.approx(shift + factor * a, rel=1e-8, abs=1e-8)


def test_refusals():
    for arguments, words in (
        (([], []), "no study"),
        (([1.0], [0.0]), "above 0"),
        (([1.0, 2.0], [1.0]), "shapes"),
        (([np.nan], [1.0]), "finite"),
    ):
        with pytest.raises(UsageError, match=words):
            new_value(*arguments, scale=0.3)
    with pytest.raises(UsageError, match="scale"):
        new_value([1.0], [1.0], scale=0.0)
    with pytest.raises(UsageError, match="level"):
        new_value([1.0], [1.0], scale=1.0, level=1.0)
