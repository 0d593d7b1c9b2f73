"""Likelihood-ratio limits: binomial likelihoods in closed form, a general optimiser, and coverage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq, minimize

from capstat.distributions import fit_npmle
from capstat.distributions.likelihood_ratio import _limits, _pulled, likelihood_ratio_currents, likelihood_ratio_curve
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

INF = np.inf
CRITICAL = stats.chi2.ppf(0.95, 1)


def binomial_limits(count, n, level=0.95):
    """Inverts scipy's binomial likelihood; the ends are exact where nobody or everybody was captured."""
    critical, share = stats.chi2.ppf(level, 1), count / n

    def excess(q):
        return 2 * (stats.binom.logpmf(count, n, share) - stats.binom.logpmf(count, n, q)) - critical

    low = brentq(excess, 1e-12, share, xtol=1e-13) if count else 0.0
    high = brentq(excess, share, 1 - 1e-12, xtol=1e-13) if count < n else 1.0
    return low, high


@pytest.mark.parametrize("level", [0.9, 0.95, 0.999])
def test_common_grid_is_the_binomial_likelihood(on_grid, level):
    true = np.exp(np.random.default_rng(1).normal(4.3, 0.3, 80))
    thresholds = on_grid(true, 30, 10, 120)
    curve = likelihood_ratio_curve(thresholds, level)
    assert curve.x[0] == 30
    for x, low, high in zip(curve.x, curve.band_lower, curve.band_upper, strict=True):
        count = int((thresholds.upper_ma <= x).sum())
        assert (low, high) == pytest.approx(binomial_limits(count, 80, level), abs=1e-7)


def test_everybody_and_nobody():
    curve = likelihood_ratio_curve(CensoredThresholds.from_bounds([60] * 20, [65] * 20))
    np.testing.assert_allclose(curve.band_lower, [0, binomial_limits(20, 20)[0]], atol=1e-7)
    np.testing.assert_allclose(curve.band_upper, [binomial_limits(0, 20)[1], 1], atol=1e-7)
    one = likelihood_ratio_curve(CensoredThresholds.from_bounds([140], [INF]))
    assert (one.band_lower.tolist(), one.band_upper[0]) == ([0.0], pytest.approx(1 - np.exp(-CRITICAL / 2)))


def constrained_maximum(thresholds, x, share):
    """Maximum of the log-likelihood given F(x) = share over all elementary intervals of the bounds, by SLSQP."""
    lower, upper = thresholds.lower_ma, thresholds.upper_ma
    edges = np.unique(np.concatenate((lower, upper, [0.0, INF, x])))
    starts, ends = edges[:-1], edges[1:]
    inside = ((starts >= lower[:, None]) & (ends <= upper[:, None])).astype(float)
    left = ends <= x
    start = np.where(left, share / left.sum(), (1 - share) / (~left).sum())
    result = minimize(
        lambda p: -np.log(np.maximum(inside @ p, 1e-12)).sum(),
        start,
        jac=lambda p: -(inside.T @ (1 / np.maximum(inside @ p, 1e-12))),
        bounds=[(0, 1)] * start.size,
        constraints=[
            {"type": "eq", "fun": lambda p: p[left].sum() - share, "jac": lambda _: left.astype(float)},
            {"type": "eq", "fun": lambda p: p[~left].sum() - 1 + share, "jac": lambda _: (~left).astype(float)},
        ],
        method="SLSQP",
        options={"ftol": 1e-13, "maxiter": 1000},
    )
    return -result.fun


@pytest.mark.parametrize("seed", range(6))
def test_constrained_maxima_of_overlapping_intervals(seed):
    """scipy's SLSQP at each limit finds the loss that defines the limit."""
    rng = np.random.default_rng(seed)
    lower = rng.integers(0, 8, 15) * 10.0
    upper = lower + rng.integers(1, 5, 15) * 10.0
    upper[rng.random(15) < 0.2] = INF
    thresholds = CensoredThresholds.from_bounds(lower, upper)
    best = fit_npmle(thresholds).log_likelihood
    curve = likelihood_ratio_curve(thresholds)
    checked = 0
    for x, low, high in zip(curve.x, curve.band_lower, curve.band_upper, strict=True):
        for limit in (low, high):
            if 0 < limit < 1:
                loss = 2 * (best - constrained_maximum(thresholds, x, limit))
                assert loss == pytest.approx(CRITICAL, abs=2e-4)
                checked += 1
            else:
                # the end is a limit only when even it costs less than the critical value
                near = abs(limit - 1e-7)
                assert 2 * (best - constrained_maximum(thresholds, x, near)) < CRITICAL + 1e-3
    assert checked >= 6


def test_currents_invert_the_limits():
    """Ten attempts in ten neighbouring steps; 2 of 10 may be more than half, 8 of 10 may be less."""
    lower = np.arange(40, 140, 10.0)
    thresholds = CensoredThresholds.from_bounds(lower, lower + 10)
    half, most = likelihood_ratio_currents(thresholds, (0.5, 0.95))
    low = next(x for k, x in enumerate(lower, 0) if binomial_limits(k, 10)[1] >= 0.5)
    high = next(x + 10 for k, x in enumerate(lower, 1) if binomial_limits(k, 10)[0] >= 0.5)
    assert half.identified == (80, 90)
    # one step further down: inside a step nothing is identified
    assert (half.lower, half.upper) == (low - 10, high)
    assert most.upper == INF
    assert "likelihood-ratio" in most.method


def test_dependent_or_weighted_attempts_are_refused():
    with pytest.raises(NotEstimableError, match="several attempts"):
        likelihood_ratio_curve(CensoredThresholds.from_bounds([60, 65], [65, 70], ["a", "a"]))
    with pytest.raises(NotEstimableError, match="weights are not counts"):
        likelihood_ratio_currents(CensoredThresholds.from_bounds([60, 65], [65, 70], weights=[1, 2]), (0.5,))
    with pytest.raises(NotEstimableError, match="No attempt says"):
        likelihood_ratio_curve(CensoredThresholds.from_bounds([0], [INF]))


def coverage(draw, at, truth, studies):
    """How often the limits hold the true share captured at each current (or its nearest identified edges)."""
    held = np.zeros(len(at))
    for seed in range(studies):
        curve = likelihood_ratio_curve(draw(np.random.default_rng(seed)))
        low = np.concatenate(([0.0], curve.band_lower))[np.searchsorted(curve.x, at, side="right")]
        high = np.concatenate((curve.band_upper, [1.0]))[np.searchsorted(curve.x, at, side="left")]
        held += (low <= truth) & (truth <= high)
    return held / studies


@pytest.mark.slow
def test_coverage_on_mixed_grids():
    """60 ramps with steps of 5 or 10 mA: the grids overlap, so this is not a binomial problem.

    Recorded at 60, 70 and 90 mA: 94.2, 96.0 and 95.9 % (Monte Carlo error 0.7).
    """
    at = np.array([60.0, 70, 90])

    def draw(rng):
        true = np.exp(rng.normal(4.3, 0.3, 60))
        step = rng.choice([5.0, 10.0], 60)
        upper = np.ceil(true / step) * step
        return CensoredThresholds.from_bounds(upper - step, upper)

    got = coverage(draw, at, stats.norm.cdf((np.log(at) - 4.3) / 0.3), 1000)
    assert ((got > 0.93) & (got < 0.975)).all()


@pytest.mark.slow
def test_coverage_when_currents_are_chosen_continuously():
    """One current in each of 50 patients (current status), drawn from a uniform distribution; limits at 75 mA.

    Recorded: 98.7 % at the chi-square quantile 3.84, and 94.0 % at 2.27, the quantile of Banerjee & Wellner's law
    (from memory), which chi-square has at level 0.868 (Monte Carlo errors 0.4 and 0.8).
    """
    truth = stats.norm.cdf((np.log(75) - 4.3) / 0.3)
    held = np.zeros(2)
    for seed in range(1000):
        rng = np.random.default_rng(seed)
        true, seen = np.exp(rng.normal(4.3, 0.3, 50)), rng.uniform(30, 140, 50)
        captured = true <= seen
        thresholds = CensoredThresholds.from_bounds(np.where(captured, 0, seen), np.where(captured, seen, INF))
        pulled = _pulled(thresholds, fit_npmle(thresholds), np.array([75.0]))
        for i, level in enumerate((0.95, 0.868)):
            low, high = _limits(pulled, level)
            held[i] += low[0] <= truth <= high[0]
    assert 0.975 < held[0] / 1000 < 0.997, held
    assert 0.91 < held[1] / 1000 < 0.97, held
