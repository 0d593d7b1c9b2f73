"""Counts whose logit is normal or Student: against quadrature, simulation and the beta-free special cases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.special import expit

from capstat.numerics.binomial_normal_counts import central_counts, count_cdf


@pytest.mark.parametrize(("x", "n", "location", "scale", "df"), [
    (3, 10, 0.4, 0.5, np.inf), (0, 12, -1.0, 1.2, np.inf), (57, 60, 2.5, 0.8, np.inf), (5, 9, 0.2, 0.7, 1),
])  # fmt: skip
def test_against_quadrature(x, n, location, scale, df):
    def density(theta):
        return stats.t.pdf(theta, df, location, scale) * stats.binom.cdf(x, n, expit(theta))

    points = location + scale * np.arange(-8, 9, 2.0)
    whole = sum(
        integrate.quad(density, a, b, epsabs=1e-12)[0]
        for a, b in zip([-np.inf, *points], [*points, np.inf], strict=True)
    )
    assert float(count_cdf([x], n, location, scale, df)[0]) == pytest.approx(whole, abs=1e-7)


def test_against_a_million_centres():
    rng = np.random.default_rng(5)
    n = 30
    counts = rng.binomial(n, expit(rng.normal(1.1, 0.6, 1_000_000)))
    for x in (10, 20, 26):
        assert float(count_cdf([x], n, 1.1, 0.6)[0]) == pytest.approx((counts <= x).mean(), abs=0.002)
    low, high = central_counts(n, 1.1, 0.6, np.inf, 0.95)
    assert ((counts >= low) & (counts <= high)).mean() >= 0.948
    assert (counts < low).mean() <= 0.026
    assert (counts > high).mean() <= 0.026


def test_without_spread_it_is_the_binomial_distribution():
    got = count_cdf(np.arange(21), 20, 0.3, 1e-9)
    assert got == pytest.approx(stats.binom.cdf(np.arange(21), 20, expit(0.3)), abs=1e-7)
