"""Positions of a new centre against scipy's integrals, simulation and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from scipy.special import expit

from capstat.numerics.binomial_normal import pool_proportions
from capstat.numerics.binomial_normal_counts import central_counts, count_cdf
from capstat.numerics.predictive import position_of_count, position_of_estimate
from capstat.results import NotEstimableError, UsageError

POOLED = pool_proportions([19, 45, 88, 27, 140], [20, 50, 100, 40, 150])


@pytest.mark.parametrize(
    ("n", "location", "scale", "df"),
    [
        (20, 1.0, 0.5, 1),
        (20, 3.0, 2.0, 1),
        (300, 2.0, 0.05, 5),
        (50, -1.0, 1.0, np.inf),
        (5, 0.0, 0.01, 2),
        (1000, 0.0, 3.0, 3),
    ],
)
def test_count_distribution_is_the_integral(n, location, scale, df):
    """Scipy's binomial distribution function over the quantiles of theta."""
    law = stats.norm() if np.isinf(df) else stats.t(df)
    # probability points are exact for any tail; the binomial steps are resolved by many panels
    nodes, weights = np.polynomial.legendre.leggauss(30)
    cuts = np.concatenate([np.geomspace(1e-13, 0.05, 60), np.linspace(0.05, 0.95, 400)[1:-1]])
    cuts = np.concatenate([[0.0], cuts, 1 - np.geomspace(0.05, 1e-13, 60), [1.0]])
    half = np.diff(cuts) / 2
    points = (cuts[:-1] + half)[:, None] + half[:, None] * nodes
    theta = location + scale * law.ppf(points)
    for x in (0, n // 3, n - 1):
        expected = (stats.binom.cdf(x, n, expit(theta)) * weights * half[:, None]).sum()
        assert count_cdf(x, n, location, scale, df)[0] == pytest.approx(expected, abs=3e-10)


def test_count_distribution_by_quad():
    def integrand(theta, x):
        return stats.binom.cdf(x, 30, expit(theta)) * stats.t.pdf(theta, 4, 0.8, 0.6)

    for x in (3, 20, 29):
        pieces = [integrate.quad(integrand, a, b, args=(x,), epsabs=1e-13)[0]
                  for a, b in ((-np.inf, -5), (-5, 0), (0, 0.8), (0.8, 2), (2, 6), (6, np.inf))]  # fmt: skip
        assert count_cdf(x, 30, 0.8, 0.6, 4)[0] == pytest.approx(sum(pieces), abs=1e-10)


@given(st.integers(1, 60), st.floats(-4, 4), st.floats(0, 4), st.sampled_from([1.0, 2.0, 7.0, np.inf]))
@settings(max_examples=40, deadline=None)
def test_properties_of_the_count_distribution(n, location, scale, df):
    cdf = count_cdf(np.arange(-1, n + 1), n, location, scale, df)
    assert (cdf[0], cdf[-1]) == (0.0, 1.0)
    assert (np.diff(cdf) >= -1e-12).all()
    # without events and with them: mirrored
    assert count_cdf(np.arange(n), n, -location, scale, df) == pytest.approx(1 - cdf[1:-1][::-1], abs=1e-10)
    lower, upper = central_counts(n, location, scale, df, 0.9)
    assert 0 <= lower <= upper <= n
    assert cdf[lower] <= 0.05 + 1e-9
    assert 1 - cdf[upper + 1] <= 0.05 + 1e-9
    # neither end could be moved inwards
    assert lower == n or cdf[lower + 1] > 0.05 - 1e-9
    assert upper == 0 or 1 - cdf[upper] > 0.05 - 1e-9 or lower == upper


def test_without_spread_it_is_binomial():
    assert count_cdf(np.arange(12), 12, 0.4, 0.0) == pytest.approx(stats.binom.cdf(np.arange(12), 12, expit(0.4)))
    assert count_cdf(np.arange(12), 12, 0.4, 1e-5) == pytest.approx(
        stats.binom.cdf(np.arange(12), 12, expit(0.4)), abs=1e-8
    )


def test_position_of_count_against_simulation():
    """A million centres drawn from the stated convention."""
    rng = np.random.default_rng(4)
    scale = np.hypot(POOLED.tau, POOLED.se)
    drawn = rng.binomial(40, expit(POOLED.mu + scale * rng.standard_t(3, 1_000_000)))
    found = position_of_count(28, 40, POOLED)
    assert found.p_at_most == pytest.approx(np.mean(drawn <= 28), abs=0.0015)
    assert found.p_at_least == pytest.approx(np.mean(drawn >= 28), abs=0.0015)
    assert found.mid_p_below == pytest.approx(np.mean(drawn < 28) + np.mean(drawn == 28) / 2, abs=0.0015)
    assert found.mid_p_value == pytest.approx(2 * found.mid_p_below)
    assert found.p_value == pytest.approx(2 * found.p_at_most)
    assert found.df == 3
    assert (found.lower, found.upper) == tuple(np.quantile(drawn, [0.025, 0.975]).astype(int))


@given(st.integers(1, 80).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
@settings(max_examples=40, deadline=None)
def test_properties_of_positions(pair):
    x, n = pair
    found = position_of_count(x, n, POOLED)
    assert found.p_at_most + found.p_at_least >= 1 - 1e-12
    assert 0 <= found.mid_p_value <= found.p_value + 1e-12
    assert found.p_value <= 1
    assert (found.lower <= x <= found.upper) == (min(found.p_at_most, found.p_at_least) > 0.025)


def test_position_of_estimate():
    """Closed form with scipy's t distribution; at the true value of a centre it is the prediction interval."""
    found = position_of_estimate(1.4, 0.3, mu=0.5, se_mu=0.2, tau2=0.09, k=8)
    sd = np.sqrt(0.09 + 0.04 + 0.09)
    assert found.statistic == pytest.approx(0.9 / sd)
    assert found.p_value == pytest.approx(2 * stats.t.sf(0.9 / sd, 6))
    assert found.share_below == pytest.approx(stats.t.cdf(0.9 / sd, 6))
    assert (found.lower, found.upper) == pytest.approx(stats.t.interval(0.95, 6, 0.5, sd))
    edge = POOLED.mu + stats.t.ppf(0.975, 3) * np.hypot(POOLED.tau, POOLED.se)
    there = position_of_estimate(edge, 0.0, mu=POOLED.mu, se_mu=POOLED.se, tau2=POOLED.tau**2, k=5)
    assert there.p_value == pytest.approx(0.05)
    assert expit(there.upper) == pytest.approx(POOLED.prediction[1])


def test_many_observations_make_the_count_a_share():
    """With 100,000 observations the binomial error is gone and the position is that of the true share."""
    share = 0.7
    found = position_of_count(70_000, 100_000, POOLED)
    exact = position_of_estimate(
        np.log(share / (1 - share)), 0.0, mu=POOLED.mu, se_mu=POOLED.se, tau2=POOLED.tau**2, k=5
    )
    assert found.mid_p_below == pytest.approx(exact.share_below, abs=1e-4)


def test_refusals():
    two = pool_proportions([3, 7], [10, 10])
    with pytest.raises(NotEstimableError, match="three studies"):
        position_of_count(3, 10, two)
    with pytest.raises(NotEstimableError, match="three studies"):
        position_of_estimate(1.0, 0.1, mu=0.0, se_mu=0.1, tau2=0.1, k=2)
    with pytest.raises(NotEstimableError, match="infinite on the logit scale"):
        position_of_count(3, 10, pool_proportions([10] * 6, [10] * 6))
    for events, total, words in (
        (11, 10, "between 0"),
        (0, 0, "at least 1"),
        (1.5, 3, "whole"),
        ([1, 2], 3, "One centre"),
    ):
        with pytest.raises(UsageError, match=words):
            position_of_count(events, total, POOLED)
    for wrong in ({"se_mu": -0.1}, {"tau2": np.nan}, {"tau2": -1.0}):
        with pytest.raises(UsageError):
            position_of_estimate(1.0, 0.1, **({"mu": 0.0, "se_mu": 0.1, "tau2": 0.1, "k": 5} | wrong))
    with pytest.raises(UsageError, match="nothing varies"):
        position_of_estimate(1.0, 0.0, mu=0.0, se_mu=0.0, tau2=0.0, k=5)
