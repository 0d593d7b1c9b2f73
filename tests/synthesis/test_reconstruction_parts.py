"""Parts of the reconstruction, each against scipy, a closed form, or a known chain."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.synthesis.reconstruction_cells import ramp_cells, ramp_settings
from capstat.synthesis.reconstruction_convergence import convergence, worst_convergence
from capstat.synthesis.reconstruction_normal import (
    FLAT_CORRELATION,
    ONE_COLUMN,
    PAIRED_T,
    NormalLaw,
    draw_law,
    draw_truncated,
    log_density,
)
from capstat.synthesis.reconstruction_printed import PrintedCrossover, rounding

# ---- cells


@pytest.mark.parametrize("log_scale", [True, False])
@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_a_move_and_its_way_back_and_its_slope(log_scale, data):
    """The new value lies in the new cell, back is the identity, and the Jacobian is the numerical derivative."""
    cells = ramp_cells(ramp_settings(40, 5, 142), 143, log_scale=log_scale)
    low, high = cells.bounds()
    one, two = (data.draw(st.integers(0, cells.captured)) for _ in range(2))
    share = data.draw(st.floats(0.05, 0.95))
    reach = share * (1.0 if log_scale else 60.0)
    if np.isinf(low[one]):
        start = high[one] - reach
    else:
        start = low[one] + (reach if np.isinf(high[one]) else share * (high[one] - low[one]))
    z, one, two = np.array([start]), np.array([one]), np.array([two])
    moved, log_slope = cells.moved(z, one, two)
    assert low[two] - 1e-9 <= moved <= high[two] + 1e-9
    back, log_back = cells.moved(moved, two, one)
    assert back == pytest.approx(z, abs=1e-9 * max(1, abs(z[0])))
    assert log_slope + log_back == pytest.approx(0, abs=1e-9)
    step = 1e-6 * max(1, abs(z[0]))
    numerical = np.abs(cells.moved(z + step, one, two)[0] - cells.moved(z - step, one, two)[0]) / (2 * step)
    assert log_slope == pytest.approx(np.log(numerical), abs=1e-3)


def test_settings_end_at_the_maximum():
    assert ramp_settings(40, 5, 140).tolist() == list(range(40, 141, 5))
    assert ramp_settings(40, 30, 140).tolist() == [40, 70, 100, 130, 140]


def test_cells_are_what_a_ramp_records():
    cells = ramp_cells(ramp_settings(40, 5, 140), 141)
    assert (cells.lower_ma[0], cells.upper_ma[0], cells.recorded_ma[0]) == (0, 40, 40)
    assert (cells.lower_ma[2], cells.upper_ma[2], cells.recorded_ma[2]) == (45, 50, 50)
    assert (cells.lower_ma[cells.above], cells.upper_ma[cells.above], cells.recorded_ma[cells.above]) == (
        140,
        np.inf,
        141,
    )


# ---- laws


def test_uncensored_pairs_have_the_limits_of_a_paired_t_test():
    """Differences of two columns under the prior |Sigma|^-2: scipy's paired t interval."""
    rng = np.random.default_rng(0)
    pairs = rng.multivariate_normal([4.5, 4.8], [[0.09, 0.06], [0.06, 0.08]], 9)
    law = draw_law(np.repeat(pairs[:, :, None], 400_000, axis=2), PAIRED_T, None, rng)
    got = np.quantile(law.mean[0] - law.mean[1], (0.025, 0.5, 0.975))
    found = stats.ttest_rel(pairs[:, 0], pairs[:, 1])
    limits = found.confidence_interval(0.95)
    assert got == pytest.approx([limits.low, (pairs[:, 0] - pairs[:, 1]).mean(), limits.high], abs=0.004)


def test_uncensored_values_have_the_limits_of_a_t_test():
    """One column under 1 / sigma^2: scipy's t interval, and chi-squared limits of the variance."""
    rng = np.random.default_rng(1)
    values = rng.normal(4.5, 0.3, 8)
    law = draw_law(np.repeat(values[:, None, None], 400_000, axis=2), ONE_COLUMN, None, rng)
    low, high = stats.t.interval(0.95, 7, values.mean(), stats.sem(values))
    assert np.quantile(law.mean[0], (0.025, 0.975)) == pytest.approx([low, high], abs=0.004)
    chi = 7 * values.var(ddof=1) / stats.chi2.ppf((0.975, 0.025), 7)
    assert np.quantile(law.covariance[0, 0], (0.025, 0.975)) == pytest.approx(chi, rel=0.02)


def test_flat_correlation_by_integration():
    """Posterior of the correlation of 8 pairs: the likelihood on a grid of both log SDs and the correlation."""
    rng = np.random.default_rng(2)
    pairs = rng.multivariate_normal([0, 0], [[0.09, 0.06], [0.06, 0.08]], 8)
    z, law, kept = np.repeat(pairs[:, :, None], 20_000, axis=2), None, []
    for round_ in range(14):
        law = draw_law(z, FLAT_CORRELATION, law, rng)
        if round_ >= 8:
            kept.append(law.covariance[0, 1] / np.sqrt(law.covariance[0, 0] * law.covariance[1, 1]))
    scatter = np.cov(pairs.T) * 7
    log_sd, rho = np.linspace(-2.5, 0.8, 111), np.linspace(-0.999, 0.999, 500)
    one, two, r = np.meshgrid(np.exp(log_sd), np.exp(log_sd), rho, indexing="ij", sparse=True)
    rest = (one * two) ** 2 * (1 - r**2)
    quadratic = (scatter[0, 0] * two**2 - 2 * scatter[0, 1] * r * one * two + scatter[1, 1] * one**2) / rest
    density = np.exp(-3.5 * np.log(rest) - quadratic / 2 - 20).sum(axis=(0, 1))
    cumulative = np.cumsum(density) / density.sum()
    for level in (0.025, 0.5, 0.975):
        at = rho[np.searchsorted(cumulative, level)]
        assert np.mean(np.concatenate(kept) <= at) == pytest.approx(level, abs=0.01)


def test_conditional_law_and_density_against_scipy():
    covariance = np.array([[0.09, 0.05], [0.05, 0.06]])
    law = NormalLaw(np.array([[4.5], [4.8]]), covariance[:, :, None])
    z = np.array([[4.4, 5.1], [4.9, 4.6]])[:, :, None]
    mean, sd = law.conditional(z, 1)
    joint, marginal = stats.multivariate_normal([4.5, 4.8], covariance), stats.norm(4.5, 0.3)
    for row in range(2):
        expected = joint.logpdf(z[row, :, 0]) - marginal.logpdf(z[row, 0, 0])
        assert stats.norm.logpdf(z[row, 1, 0], mean[row, 0], sd[0]) == pytest.approx(expected)
    gained = log_density(law.mean, law.covariance, z) - log_density(law.mean, law.covariance, z + 0.1)
    assert gained[0] == pytest.approx(joint.logpdf(z[..., 0]).sum() - joint.logpdf(z[..., 0] + 0.1).sum())


@pytest.mark.parametrize(("low", "high"), [(-np.inf, -1.0), (0.2, 0.3), (3.0, np.inf), (7.0, 7.5), (-np.inf, np.inf)])
def test_truncated_draws_against_scipy(low, high):
    n = 20_000
    draws = draw_truncated(np.zeros(n), np.ones(n), np.full(n, low), np.full(n, high), np.random.default_rng(3))
    assert stats.kstest(draws, stats.truncnorm(low, high).cdf).pvalue > 0.001


# ---- convergence


def test_independent_chains_agree():
    draws = np.random.default_rng(4).standard_cauchy((400, 40))
    found = convergence(draws)
    assert found.r_hat == pytest.approx(1, abs=0.01)
    assert found.effective_draws == pytest.approx(16_000, rel=0.08)
    assert (found.chains, found.draws) == (40, 400)


def test_effective_draws_of_autoregressive_chains():
    """First-order autoregression with 0.8: the closed form (1 - 0.8) / (1 + 0.8)."""
    rng = np.random.default_rng(5)
    chain = np.empty((3000, 20))
    chain[0] = rng.standard_normal(20) / 0.6
    for i in range(1, len(chain)):
        chain[i] = 0.8 * chain[i - 1] + rng.standard_normal(20)
    assert convergence(chain).effective_draws == pytest.approx(60_000 / 9, rel=0.1)


def test_chains_that_differ_are_told():
    rng = np.random.default_rng(6)
    draws = rng.standard_normal((200, 8))
    shifted, wider = draws.copy(), draws.copy()
    shifted[:, 0] += 3
    wider[:, 0] *= 6
    assert convergence(shifted).r_hat > 1.1
    assert convergence(wider).r_hat > 1.05
    both = worst_convergence(draws, shifted)
    assert both.r_hat == convergence(shifted).r_hat
    assert both.effective_draws == convergence(shifted).effective_draws


# ---- printed numbers


def test_printed_conditions_against_the_t_interval_of_scipy():
    rng = np.random.default_rng(7)
    quantile = stats.t.ppf(0.975, 12)
    printed = PrintedCrossover(13, 93, 126, 33, 20, 45, quantile, rounding(0))
    agreeing = 0
    for _ in range(2000):
        # means, difference and spread on both sides of every rounding
        first, difference = rng.normal(0, 25, 13), rng.standard_normal(13)
        first += 93 + rng.uniform(-0.7, 0.7) - first.mean()
        difference = (difference - difference.mean()) / difference.std(ddof=1) * rng.uniform(19.8, 21.6)
        second = first + difference + 33 + rng.uniform(-0.7, 0.7)
        recorded = np.array([first, second], dtype=float).T[:, :, None]
        got = printed.excess(recorded.sum(axis=0), printed.squared(recorded).sum(axis=0))
        low, high = stats.t.interval(0.95, 12, (second - first).mean(), stats.sem(second - first))
        values = np.array([first.mean(), second.mean(), (second - first).mean(), low, high])
        fits = bool((np.abs(values - [93, 126, 33, 20, 45]) <= 0.5).all())
        agreeing += fits
        assert (got[0] == 0) == fits
        assert got[0] == pytest.approx(np.maximum(np.abs(values - [93, 126, 33, 20, 45]) - 0.5, 0).sum(), abs=1e-6)
    assert 100 < agreeing < 1900
