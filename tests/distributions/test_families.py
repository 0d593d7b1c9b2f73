"""Properties that every listed family has, against scipy's distributions; a new family is tested by being listed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import approx_fprime

from capstat.distributions import FAMILIES, GAMMA, GENERALISED_GAMMA, LOGLOGISTIC, LOGNORMAL, WEIBULL, fit_parametric
from capstat.distributions.families import LocationScale
from capstat.distributions.likelihood import IntervalData, row_terms, total_terms
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

INF = np.inf
# the same laws of log current in scipy, for ancillary parameters (log sigma[, Q])
SCIPY = {
    LOGNORMAL: lambda s: stats.norm(scale=s),
    WEIBULL: lambda s: stats.gumbel_l(scale=s),
    LOGLOGISTIC: lambda s: stats.logistic(scale=s),
    GAMMA: lambda s: stats.loggamma(s**-2, loc=2 * np.log(s)),
    GENERALISED_GAMMA: lambda s: stats.loggamma(0.6**-2, loc=s / 0.6 * 2 * np.log(0.6), scale=s / 0.6),
}


def ancillary(family, sigma=0.3, q=0.6):
    return np.array([np.log(sigma), q][: len(family.ancillary_names)])


by_family = pytest.mark.parametrize("family", FAMILIES, ids=lambda f: f.name)


@by_family
@pytest.mark.parametrize("sigma", [0.08, 0.3, 0.9])
def test_distribution_is_scipys(family, sigma):
    law, tau = SCIPY[family](sigma), ancillary(family, sigma)
    r = sigma * np.linspace(-4, 2.5, 40)
    np.testing.assert_allclose(family.log_cdf(r, tau), law.logcdf(r), rtol=1e-7)
    np.testing.assert_allclose(family.log_sf(r, tau), law.logsf(r), rtol=1e-7, atol=1e-12)
    exact = np.ones(r.size, dtype=bool)
    np.testing.assert_allclose(family.terms(r, r, exact, tau).value, law.logpdf(r), rtol=1e-9, atol=1e-9)
    for p in (0.001, 0.1, 0.5, 0.9, 0.999):
        assert family.quantile(p, tau)[0] == pytest.approx(float(law.ppf(p)), rel=1e-8, abs=1e-10)


@by_family
def test_cells_are_differences_of_the_distribution(family):
    """Cells that cover the line: each is scipy's difference of distribution functions, and they add up to 1."""
    tau = ancillary(family)
    edges = np.log(np.array([20, 30, 45, 60, 62, 70, 75, 90, 140, 200.0]) / 75)
    a, b = np.append(-INF, edges), np.append(edges, INF)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        value = family.terms(a, b, np.zeros(a.size, dtype=bool), tau).value
    law = SCIPY[family](0.3)
    np.testing.assert_allclose(np.exp(value), law.cdf(b) - law.cdf(a), rtol=1e-9, atol=1e-14)
    assert np.exp(value).sum() == pytest.approx(1, abs=1e-13)


@by_family
@pytest.mark.parametrize("mixture", [False, True], ids=["all capturable", "some never captured"])
def test_gradient_and_hessian_are_derivatives(family, mixture):
    """scipy's finite differences, on left-, interval- and right-censored and exact rows."""
    lower = np.array([0.0, 60.0, 140.0, 70.0, 60.0, 40.0])
    upper = np.array([40.0, 65.0, INF, 70.0, 65.0, 110.0])
    design = np.column_stack((np.ones(6), [0.0, 1.0, 1.0, 0.0, 2.0, 1.0]))
    data = IntervalData(lower, upper, design, np.array([1.0, 2.0, 1.0, 3.0, 1.0, 0.5]), design if mixture else None)
    at = np.concatenate(([4.2, 0.1], ancillary(family), [1.5, -0.4] if mixture else []))
    _, gradient, hessian = total_terms(family, data, at)
    numeric = approx_fprime(at, lambda x: total_terms(family, data, x)[0], 1e-7)
    np.testing.assert_allclose(gradient, numeric, rtol=1e-4, atol=1e-4)
    bend = np.array(
        [approx_fprime(at, lambda x, i=i: total_terms(family, data, x)[1][i], 1e-7) for i in range(at.size)]
    )
    np.testing.assert_allclose(hessian, bend, rtol=1e-4, atol=1e-3)


@by_family
def test_quantile_slope_is_its_derivative(family):
    tau = ancillary(family)
    for p in (0.05, 0.5, 0.95):
        numeric = approx_fprime(tau, lambda x, p=p: family.quantile(p, x)[0], 1e-6)
        np.testing.assert_allclose(family.quantile(p, tau)[1], numeric, rtol=1e-4, atol=1e-5)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from(FAMILIES), st.sampled_from([0.5, 2.0, 7.0]))
def test_capture_currents_scale_with_the_unit(seed, family, factor):
    rng = np.random.default_rng(seed)
    lower = np.round(np.exp(rng.normal(4.2, 0.3, 80)) / 10) * 10
    upper = np.where(rng.random(80) < 0.1, INF, lower + rng.integers(1, 4, 80) * 10.0)
    lower[:2], upper[:2] = (0.0, 150.0), (30.0, 160.0)
    try:
        fit = fit_parametric(CensoredThresholds.from_bounds(lower, upper), family=family)
    except NotEstimableError:
        assert family is GENERALISED_GAMMA  # its shape may run away; the others always have an estimate here
        return
    scaled = fit_parametric(CensoredThresholds.from_bounds(lower * factor, upper * factor), family=family)
    for fraction in (0.1, 0.5, 0.9):
        a, b = fit.capture_current(fraction), scaled.capture_current(fraction)
        np.testing.assert_allclose(
            [b.value, b.lower, b.upper], np.array([a.value, a.lower, a.upper]) * factor, rtol=1e-3
        )
    curve = fit.capture_curve(np.linspace(5, 300, 60))
    assert ((curve.lower >= 0) & (curve.lower <= 1)).all()
    assert (np.diff(curve.lower) >= 0).all()
    assert ((curve.band_lower <= curve.lower) & (curve.lower <= curve.band_upper)).all()


@by_family
def test_weights_count_as_repeated_rows_in_the_estimate(family, on_grid):
    true = np.exp(np.random.default_rng(6).normal(4.3, 0.3, 60))
    once = on_grid(true, 30, 5, 140)
    twice = on_grid(np.tile(true, 2), 30, 5, 140)
    one, two = fit_parametric(once, family=family), fit_parametric(twice, family=family)
    np.testing.assert_allclose(two.model.parameters, one.model.parameters, atol=1e-5)
    assert two.log_likelihood == pytest.approx(2 * one.log_likelihood)


@pytest.mark.parametrize("family", [f for f in FAMILIES if isinstance(f, LocationScale)], ids=lambda f: f.name)
def test_standard_error_derivatives(family):
    z, step = np.linspace(-6, 3, 61), 1e-6
    error = family.error
    slope = (error.log_pdf(z + step) - error.log_pdf(z - step)) / (2 * step)
    np.testing.assert_allclose(error.score(z), slope, rtol=1e-5, atol=1e-8)
    bend = (error.score(z + step) - error.score(z - step)) / (2 * step)
    np.testing.assert_allclose(error.curvature(z), bend, rtol=1e-5, atol=1e-8)


def test_far_tails_keep_their_digits():
    """P(200 < T <= 205) with a median of 20 mA is about 1e-118: from scipy's log survival function."""
    data = IntervalData(np.array([200.0]), np.array([205.0]), np.ones((1, 1)), np.ones(1))
    value = row_terms(LOGNORMAL, data, np.array([np.log(20), np.log(0.1)])).value
    a, b = (np.log([200, 205]) - np.log(20)) / 0.1
    high, low = stats.norm.logsf(a), stats.norm.logsf(b)
    assert value[0] == pytest.approx(high + np.log1p(-np.exp(low - high)))
    # the same from the integral that the gamma families use, at Q = 0
    near = row_terms(GENERALISED_GAMMA, data, np.array([np.log(20), np.log(0.1), 0.0])).value
    assert near[0] == pytest.approx(value[0], rel=1e-12)


@pytest.mark.parametrize(("q", "other"), [(0.0, LOGNORMAL), (1.0, WEIBULL)])
def test_generalised_gamma_contains_the_others(q, other):
    """Lognormal at Q = 0 and Weibull at Q = 1, with first derivatives; gamma at Q = sigma."""
    a = np.array([-INF, -0.5, -0.1, 0.3, 0.2])
    b = np.array([-0.5, -0.1, 0.3, INF, 0.2])
    exact = np.array([False] * 4 + [True])
    tau = np.array([np.log(0.3)])
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        simple = other.terms(a, b, exact, tau)
        general = GENERALISED_GAMMA.terms(a, b, exact, np.array([np.log(0.3), q]))
    np.testing.assert_allclose(general.value, simple.value, rtol=1e-12)
    np.testing.assert_allclose(general.gradient[:, :2], simple.gradient, rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(general.hessian[:, :2, :2], simple.hessian, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("q", [1e-9, 1e-3, 0.05, -0.05, 0.199, 0.201, 0.7, -0.7, 1.5, -1.5, 3.0])
def test_log_gamma_law_for_every_shape(q):
    """Values that need the series near Q = 0, both sides of the seams, and strong skewness: scipy's incomplete gamma."""
    tau = np.array([np.log(0.26), q])
    edges = np.log(np.arange(30, 145, 5.0) / 75)
    a, b = np.append(-INF, edges), np.append(edges, INF)
    value = GENERALISED_GAMMA.terms(a, b, np.zeros(a.size, dtype=bool), tau).value
    np.testing.assert_allclose(np.cumsum(np.exp(value))[:-1], np.exp(GENERALISED_GAMMA.log_cdf(edges, tau)), atol=1e-12)
    for p in (0.01, 0.5, 0.99):
        r = GENERALISED_GAMMA.quantile(p, tau)[0]
        # near Q = 0 the quantile is an expansion whose error is of second order in Q
        assert np.exp(GENERALISED_GAMMA.log_cdf(np.array([r]), tau))[0] == pytest.approx(p, abs=1e-7)
