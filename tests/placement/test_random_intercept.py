"""The random-intercept model: recorded reference, exact rectangles, and the ordinary mixed model."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from scipy.optimize import approx_fprime
from scipy.special import ndtr

from capstat.numerics.quadrature import log_concave_nodes
from capstat.placement import fit_random_intercept
from capstat.placement.random_intercept import RandomInterceptLikelihood
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

INF = np.inf


def crossover(case) -> tuple[CensoredThresholds, np.ndarray]:
    rows = case.intervals("rows")
    n = len(rows)
    thresholds = CensoredThresholds.from_bounds(
        np.r_[rows[:, 0], rows[:, 2]], np.r_[rows[:, 1], rows[:, 3]], np.tile(np.arange(n), 2)
    )
    return thresholds, np.column_stack((np.ones(2 * n), np.repeat([0.0, 1.0], n)))


@pytest.mark.reference
def test_recorded_crossover(reference):
    case = reference("s08")
    thresholds, design = crossover(case)
    fit = fit_random_intercept(thresholds, design, ("intercept", "B"))
    case.check("b0", fit.coefficients[0])
    case.check("b1", fit.coefficients[1])
    case.check("su", fit.between_sd)
    case.check("s", fit.within_sd)
    case.check("loglik", fit.log_likelihood)
    case.check("se_b1", np.sqrt(fit.covariance[1, 1]))
    case.check("ratio_B_over_A", np.exp(fit.coefficients[1]))
    assert fit.correlation == pytest.approx(fit.between_sd**2 / (fit.between_sd**2 + fit.within_sd**2))


@pytest.mark.parametrize(("s", "su"), [(0.17, 0.29), (0.5, 0.05), (0.06, 0.5), (0.15, 0.15)])
def test_pairs_are_bivariate_normal_rectangles(reference, s, su):
    """Two attempts of a patient: scipy's bivariate normal distribution function is the exact answer."""
    thresholds, design = crossover(reference("s08"))
    likelihood = RandomInterceptLikelihood.from_thresholds(thresholds, design)
    beta = np.array([4.1, -0.2])
    got, _ = likelihood.value_and_gradient(np.r_[beta, np.log(s), np.log(su)])
    covariance = [[su**2 + s**2, su**2], [su**2, su**2 + s**2]]
    normal = stats.multivariate_normal([0, 0], covariance)
    total = 0.0
    for low, high, x, count in zip(
        likelihood.log_lower, likelihood.log_upper, likelihood.design, likelihood.count, strict=True
    ):
        a, b = np.clip(low - x @ beta, -9, 9), np.clip(high - x @ beta, -9, 9)
        rectangle = normal.cdf(b) - normal.cdf([a[0], b[1]]) - normal.cdf([b[0], a[1]]) + normal.cdf(a)
        total += count * np.log(rectangle)
    # scipy's rectangle loses digits by subtraction where it is small
    assert got == pytest.approx(total, abs=2e-4)


@pytest.mark.parametrize("s", [0.004, 0.02, 0.3])
def test_quadrature_against_a_dense_grid(s):
    """Sharp edges (a spread within patients far below the step) against 400,001 points of a trapezoid."""
    thresholds = CensoredThresholds.from_bounds(
        [60, 65, 140, 140, 0, 60], [65, 70, INF, INF, 40, 65], [0, 0, 1, 1, 2, 3]
    )
    likelihood = RandomInterceptLikelihood.from_thresholds(thresholds, np.ones((6, 1)))
    centre, su = np.log(73.0), 0.35
    got, _ = likelihood.value_and_gradient(np.array([centre, np.log(s), np.log(su)]))
    u = np.linspace(-9 * su, 9 * su, 400_001)
    total = 0.0
    for low, high, count in zip(likelihood.log_lower, likelihood.log_upper, likelihood.count, strict=True):
        density = stats.norm.pdf(u, scale=su)
        for a, b in zip(low, high, strict=True):
            za, zb = (a - centre - u) / s, (b - centre - u) / s
            density = density * np.where(za > 0, ndtr(-za) - ndtr(-zb), ndtr(zb) - ndtr(za))
        total += count * np.log(np.trapezoid(density, u))
    assert got == pytest.approx(total, rel=1e-8)


def test_gradient_is_the_derivative(reference):
    thresholds, design = crossover(reference("s08"))
    likelihood = RandomInterceptLikelihood.from_thresholds(thresholds, design)
    at = np.array([4.0, -0.1, np.log(0.2), np.log(0.3)])
    numeric = approx_fprime(at, lambda x: likelihood.value_and_gradient(x)[0], 1e-7)
    np.testing.assert_allclose(likelihood.value_and_gradient(at)[1], numeric, rtol=1e-4, atol=1e-4)


def test_exact_thresholds_are_an_ordinary_mixed_model():
    """Every interval a point: statsmodels MixedLM (maximum likelihood) on log thresholds."""
    rng = np.random.default_rng(3)
    n = 40
    patient = np.tile(np.arange(n), 2)
    x = np.repeat([0.0, 1.0], n)
    y = 4.3 - 0.2 * x + rng.normal(0, 0.3, n)[patient] + rng.normal(0, 0.15, 2 * n)
    # a relative width of 1e-6 stands for a point: the model is for intervals
    thresholds = CensoredThresholds.from_bounds(np.exp(y) * (1 - 5e-7), np.exp(y) * (1 + 5e-7), patient)
    fit = fit_random_intercept(thresholds, np.column_stack((np.ones(2 * n), x)), ("intercept", "x"))
    frame = pd.DataFrame({"y": y, "x": x, "patient": patient})
    theirs = smf.mixedlm("y ~ x", frame, groups="patient").fit(reml=False)
    assert fit.coefficients == pytest.approx(theirs.fe_params.to_numpy(), abs=1e-4)
    assert fit.between_sd**2 == pytest.approx(float(theirs.cov_re.iloc[0, 0]), rel=1e-3)
    assert fit.within_sd**2 == pytest.approx(theirs.scale, rel=1e-3)
    assert np.sqrt(fit.covariance[1, 1]) == pytest.approx(theirs.bse_fe["x"], rel=1e-2)


def test_neither_placement_captures_still_informs(on_grid):
    """Leaving out patients captured by neither moves the estimate: they are not ignorable."""
    rng = np.random.default_rng(6)
    n = 60
    patient = np.tile(np.arange(n), 2)
    x = np.repeat([0.0, 1.0], n)
    true = np.exp(np.log(130) - 0.25 * x + rng.normal(0, 0.3, n)[patient] + rng.normal(0, 0.14, 2 * n))
    thresholds = on_grid(true, 40, 5, 140, patient=patient)
    design = np.column_stack((np.ones(2 * n), x))
    whole = fit_random_intercept(thresholds, design, ("intercept", "x"))
    neither = np.isinf(thresholds.upper_ma[:n]) & np.isinf(thresholds.upper_ma[n:])
    keep = ~np.tile(neither, 2)
    dropped = fit_random_intercept(thresholds.subset(keep), design[keep], ("intercept", "x"))
    assert neither.sum() >= 5
    assert whole.coefficients[0] > dropped.coefficients[0] + 0.05


def test_what_cannot_be_fitted():
    with pytest.raises(NotEstimableError, match="more than one attempt"):
        fit_random_intercept(CensoredThresholds.from_bounds([60, 70], [65, 75]), np.ones((2, 1)), ("i",))
    weighted = CensoredThresholds.from_bounds([60, 70], [65, 75], [0, 0], weights=[1, 2])
    with pytest.raises(ValueError, match="no weights"):
        fit_random_intercept(weighted, np.ones((2, 1)), ("i",))


def test_equal_pairs_put_the_spread_within_patients_on_its_floor():
    lower = np.array([50.0, 60, 70, 80, 90, 100, 60, 70])
    thresholds = CensoredThresholds.from_bounds(np.tile(lower, 2), np.tile(lower + 10, 2), np.tile(np.arange(8), 2))
    fit = fit_random_intercept(thresholds, np.ones((16, 1)), ("intercept",))
    assert "within patients was estimated as zero" in fit.boundary
    assert fit.correlation > 0.99


def test_quadrature_of_known_integrals():
    """The normal density integrates to one whatever its place and width."""
    centre, width = np.array([[-5.0], [0.0], [12.0]]), np.array([[0.05], [1.0], [3.0]])

    def log_f(v):
        return -0.5 * ((v - centre) / width) ** 2 - np.log(width) - 0.5 * np.log(2 * np.pi)

    nodes, weights = log_concave_nodes(log_f, lambda v: -(v - centre) / width**2, 1 / 0.05**2, 3)
    np.testing.assert_allclose((weights * np.exp(log_f(nodes))).sum(axis=1), 1.0, atol=1e-12)


@pytest.mark.reference
def test_recorded_mixed_model_with_ten_observations_in_a_subject(reference):
    """lme4 and statsmodels (recorded): with every interval a point the model is the ordinary random intercept."""
    case = reference("s07")
    frame = pd.read_csv(Path(__file__).parents[1] / "reference" / "s07_sleepstudy.csv")
    # reaction times stand for log thresholds, in units of 100 ms so that their exponentials are ordinary numbers
    y = frame["Reaction"].to_numpy() / 100
    thresholds = CensoredThresholds.from_bounds(np.exp(y) * (1 - 5e-6), np.exp(y) * (1 + 5e-6), frame["Subject"])
    design = np.column_stack((np.ones(len(y)), frame["Days"]))
    fit = fit_random_intercept(thresholds, design, ("intercept", "days"))
    case.check("ml.fixef", 100 * fit.coefficients)
    case.check("ml.se_fixef", 100 * np.sqrt(np.diag(fit.covariance)))
    case.check("ml.sd_subject", 100 * fit.between_sd)
    case.check("ml.sd_residual", 100 * fit.within_sd)
    # each interval contributes the log of its width, and the scale its own
    constant = len(y) * (np.log(1e-5) + np.log(100))
    case.check("ml.loglik", fit.log_likelihood - constant)
