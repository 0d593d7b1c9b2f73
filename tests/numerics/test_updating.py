"""Updating against closed forms, scipy's integrals, simulation and the properties that any posterior has."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from scipy.special import expit, logit

from capstat.numerics.updating import WEIGHTS, posterior, posterior_by_weight
from capstat.numerics.updating_evidence import BinomialLikelihood, NormalLikelihood, NormalPrior, StudentLikelihood
from capstat.results import NotEstimableError, UsageError

CASES = [
    (NormalPrior(0, 1), StudentLikelihood(0.5, 0.3, 4)),
    (NormalPrior(0, 0.04), StudentLikelihood(8, 0.3, 2)),
    (NormalPrior(0, 0.5), StudentLikelihood(6, 0.5, 3)),  # two peaks
    (NormalPrior(0, 1e-4), StudentLikelihood(30, 10, 3)),
    (NormalPrior(0, 1), StudentLikelihood(40, 1, 1e5)),
    (NormalPrior(1, 0.5), BinomialLikelihood(20, 20)),
    (NormalPrior(1, 100), BinomialLikelihood(0, 20)),
    (NormalPrior(-3, 0.01), BinomialLikelihood(900, 1000)),
    (NormalPrior(0, 1e-6), BinomialLikelihood(5, 10)),
    (NormalPrior(0, 1e4), BinomialLikelihood(50_000, 100_000)),
]


def scipy_log_density(prior, likelihood):
    """Prior times likelihood, written with scipy's distributions."""

    def log_density(value):
        if isinstance(likelihood, StudentLikelihood):
            local = stats.t.logpdf(value, likelihood.df, likelihood.estimate, likelihood.se)
        else:
            local = stats.binom.logpmf(likelihood.events, likelihood.total, expit(value))
        return stats.norm.logpdf(value, prior.mean, prior.sd) + local

    return log_density


@pytest.mark.parametrize(("prior", "likelihood"), CASES)
def test_posterior_by_quad(prior, likelihood):
    """Scipy's adaptive quadrature over pieces that the posterior itself was not told of."""
    found = posterior(prior, likelihood)
    log_density = scipy_log_density(prior, likelihood)
    # far beyond all that matters, with the peaks between the cuts
    ends = np.array([prior.mean, likelihood.normal()[0]])
    low, high = ends.min() - 10 * prior.sd, ends.max() + 10 * prior.sd
    line = np.linspace(low, high, 20_001)
    inner = found.median + found.sd * np.linspace(-12, 12, 49)
    cuts = np.unique(
        np.concatenate([[low, high], inner[(inner > low) & (inner < high)], [line[np.argmax(log_density(line))]]])
    )
    top = max(log_density(cuts).max(), log_density(np.array(found.median)))

    def integral(function, until=np.inf):
        stops = np.append(cuts[cuts < until], min(until, high))
        return sum(
            integrate.quad(lambda v: function(v) * np.exp(log_density(v) - top), a, b, epsabs=1e-15, epsrel=1e-10)[0]
            for a, b in pairwise(stops)
        )

    total = integral(lambda _: 1.0)
    mean = integral(lambda v: v) / total
    assert found.mean == pytest.approx(mean, abs=1e-8)
    assert found.sd == pytest.approx(np.sqrt(integral(lambda v: (v - mean) ** 2) / total), abs=1e-8, rel=1e-8)
    for value, share in ((found.lower, 0.025), (found.median, 0.5), (found.upper, 0.975)):
        assert integral(lambda _: 1.0, value) / total == pytest.approx(share, abs=1e-8)
        assert found.cdf(value) == pytest.approx(share, abs=1e-12)
    assert found.quantile(0.7) == pytest.approx(found.quantile(found.cdf(found.quantile(0.7))))


numbers = st.floats(-5, 5)
scales = st.floats(0.05, 5)


@given(numbers, scales, numbers, scales, st.floats(0.01, 1))
@settings(max_examples=50, deadline=None)
def test_normal_with_normal(m, s, y, se, weight):
    """Closed form; the posterior mean lies between prior and data, and is narrower than both."""
    found = posterior(NormalPrior(m, s**2), NormalLikelihood(y, se), weight=weight)
    precision = weight / s**2 + 1 / se**2
    assert found.mean == pytest.approx((weight * m / s**2 + y / se**2) / precision)
    assert found.sd == pytest.approx(precision**-0.5)
    assert min(m, y) - 1e-9 <= found.mean <= max(m, y) + 1e-9
    assert (found.lower, found.upper) == pytest.approx(stats.norm.interval(0.95, found.mean, found.sd))
    assert found.largest_difference == 0
    assert (found.normal_lower, found.normal_upper) == (found.lower, found.upper)


@pytest.mark.parametrize(
    "likelihood", [NormalLikelihood(1.2, 0.4), StudentLikelihood(1.2, 0.4, 6), BinomialLikelihood(7, 20)]
)
def test_little_weight_leaves_the_likelihood(likelihood):
    prior = NormalPrior(-2, 0.3)
    without = posterior(prior, likelihood, weight=0)
    nearly = posterior(prior, likelihood, weight=1e-9)
    assert (nearly.mean, nearly.lower, nearly.upper) == pytest.approx(
        (without.mean, without.lower, without.upper), abs=1e-4
    )
    means = [posterior(prior, likelihood, weight=w).mean for w in (0, 0.1, 0.3, 0.6, 1)]
    # the prior lies below the data here, so that more of it means less
    assert (np.diff(means) < 0).all()


def test_without_a_prior_in_closed_form():
    """Student t, and the logit of a beta variable (simulated by its own definition)."""
    prior = NormalPrior(0, 1)
    found = posterior(prior, StudentLikelihood(1, 0.5, 5), weight=0)
    assert (found.lower, found.upper) == pytest.approx(stats.t.interval(0.95, 5, 1, 0.5))
    assert found.sd == pytest.approx(0.5 * np.sqrt(5 / 3))
    for df, mean, sd in ((1, None, None), (2, 1.0, None)):
        few = posterior(prior, StudentLikelihood(1, 0.5, df), weight=0)
        assert (few.mean, few.sd, few.median) == (mean, sd, pytest.approx(1.0))
    counts = posterior(prior, BinomialLikelihood(7, 20), weight=0)
    drawn = logit(np.random.default_rng(2).beta(7, 13, 400_000))
    assert (counts.mean, counts.sd) == pytest.approx((drawn.mean(), drawn.std()), abs=0.005)
    assert expit((counts.lower, counts.upper)) == pytest.approx(stats.beta.interval(0.95, 7, 13))
    with pytest.raises(NotEstimableError, match="0 or 100 %"):
        posterior(prior, BinomialLikelihood(20, 20), weight=0)


def test_normal_approximation_is_measured():
    """Largest distance on a grid of its own; it falls with more degrees of freedom and with more observations."""
    for prior, likelihood in (CASES[0], CASES[2], CASES[5]):
        found = posterior(prior, likelihood)
        line = np.linspace(found.lower - 3 * found.sd, found.upper + 3 * found.sd, 20_001)
        gap = np.abs(found.cdf(line) - stats.norm.cdf(line, found.normal_mean, found.normal_sd)).max()
        assert found.largest_difference == pytest.approx(gap, abs=1e-6)
    prior = NormalPrior(0, 1)
    by_df = [posterior(prior, StudentLikelihood(0.5, 0.3, df)).largest_difference for df in (2, 5, 20, 200)]
    by_n = [posterior(prior, BinomialLikelihood(9 * m, 10 * m)).largest_difference for m in (1, 10, 100)]
    assert (np.diff(by_df) < 0).all()
    assert by_df[-1] < 0.002
    assert (np.diff(by_n) < 0).all()


@given(
    st.floats(-3, 3),
    st.floats(0.05, 30),
    st.integers(1, 50).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
)
@settings(max_examples=15, deadline=None)
def test_counts_mirrored(m, v, pair):
    x, n = pair
    one = posterior(NormalPrior(m, v), BinomialLikelihood(x, n))
    two = posterior(NormalPrior(-m, v), BinomialLikelihood(n - x, n))
    assert (one.mean, one.sd, one.lower, one.upper) == pytest.approx(
        (-two.mean, two.sd, -two.upper, -two.lower), abs=1e-8
    )
    assert one.lower < one.median < one.upper
    assert one.sd <= np.sqrt(v) + 1e-9


def test_table_of_weights():
    rows = posterior_by_weight(NormalPrior(1, 0.5), BinomialLikelihood(20, 20))
    assert tuple(row.weight for row in rows) == WEIGHTS == (0, 0.1, 0.25, 0.5, 1)
    assert rows[0].posterior is None
    assert "0 or 100 %" in rows[0].reason
    assert all(
        row.posterior == posterior(NormalPrior(1, 0.5), BinomialLikelihood(20, 20), weight=row.weight)
        for row in rows[1:]
    )


def test_refusals():
    prior, likelihood = NormalPrior(0, 1), NormalLikelihood(0, 1)
    for make, words in (
        (lambda: NormalPrior(0, 0), "variance above 0"),
        (lambda: NormalPrior(np.nan, 1), "finite mean"),
        (lambda: NormalLikelihood(0, 0), "standard error"),
        (lambda: StudentLikelihood(np.inf, 1, 3), "must be finite"),
        (lambda: StudentLikelihood(0, 1, 0), "Degrees of freedom"),
        (lambda: BinomialLikelihood(3, 0), "at least 1"),
        (lambda: BinomialLikelihood(4, 3), "between 0 and the total"),
        (lambda: prior.weighted(0), "above 0 and at most 1"),
        (lambda: posterior(prior, likelihood, weight=1.1), "between 0 and 1"),
        (lambda: posterior(prior, likelihood, level=0), "level"),
        (lambda: posterior(prior, likelihood).quantile(1.0), "share between 0 and 1"),
    ):
        with pytest.raises(UsageError, match=words):
            make()
