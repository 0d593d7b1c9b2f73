"""Regressions on named covariates against R, statsmodels' least squares and a brute-force likelihood."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import special, stats
from scipy.optimize import minimize

from capstat.distributions import LOGLOGISTIC, LOGNORMAL, WEIBULL, fit_regression
from capstat.distributions.covariate_model import fit_covariate_model
from capstat.distributions.covariates import Covariates, Spline
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

BY_NAME = {"weibull": WEIBULL, "lognormal": LOGNORMAL, "loglogistic": LOGLOGISTIC}


@pytest.mark.reference
@pytest.mark.parametrize("name", list(BY_NAME))
def test_cluster_robust_regression(reference, name):
    """R survival 3.5-3 with numDeriv scores; R has no factor G/(G-1)."""
    case = reference("r05")
    rows = np.array([[float(value) for value in row] for row in case.data["rows"]])
    thresholds = CensoredThresholds.from_bounds(
        rows[:, 3], rows[:, 4], patient=rows[:, 0], covariates=pd.DataFrame(rows[:, 1:3], columns=["x", "y"])
    )
    model = fit_covariate_model(thresholds, Covariates(("x", "y")), family=BY_NAME[name])
    fit = model.regression
    groups = fit.n_patients
    plain = fit.covariance * (groups - 1) / groups
    case.check(f"{name}.coef", fit.coefficients)
    case.check(f"{name}.scale", np.exp(fit.log_sigma))
    case.check(f"{name}.loglik", fit.log_likelihood)
    case.check(f"{name}.se_robust", np.sqrt(np.diag(plain)))
    case.check(f"{name}.cov_robust_x_y", plain[1, 2])
    np.testing.assert_allclose([ratio.value for ratio in model.ratios()], np.exp(fit.coefficients[1:]), rtol=1e-14)


@pytest.mark.reference
def test_natural_spline(reference):
    """R survival 3.5-3 with splines::ns."""
    case = reference("r06")
    rows = np.array([[float(value) for value in row] for row in case.data["rows"]])
    thresholds = CensoredThresholds.from_bounds(rows[:, 1], rows[:, 2], covariates=pd.DataFrame({"bmi": rows[:, 0]}))
    spline = Spline("bmi", knots=(25.0, 30.0), boundary=(18.0, 42.0))
    model = fit_covariate_model(thresholds, Covariates(("bmi",), (spline,)), family=LOGNORMAL)
    straight = fit_covariate_model(thresholds, Covariates(("bmi",)), family=LOGNORMAL).regression
    fit = model.regression
    case.check("loglik", fit.log_likelihood)
    case.check("scale", np.exp(fit.log_sigma))
    case.check("aic", fit.aic)
    case.check("n_parameters", fit.parameters.size)
    new = model.design.matrix(pd.DataFrame({"bmi": case.data["at_bmi"]}))
    case.check("fitted_log_ma", new @ fit.coefficients)
    covariance = fit.covariance[:-1, :-1]
    case.check("se_fitted", np.sqrt(np.einsum("mi,ij,mj->m", new, covariance, new)))
    case.check("straight.loglik", straight.log_likelihood)
    case.check("straight.aic", straight.aic)
    case.check("lr_nonlinear", 2 * (fit.log_likelihood - straight.log_likelihood))
    # Wald and likelihood-ratio tests of the same two degrees of freedom agree to leading order only
    bent = next(test for test in model.tests() if test.hypothesis == "a straight line")
    assert bent.df == 2
    assert bent.p_value == pytest.approx(stats.chi2.sf(case.expected["lr_nonlinear"]["value"], 2), rel=0.5)


def exact_study(seed: int = 4, n: int = 60) -> CensoredThresholds:
    rng = np.random.default_rng(seed)
    table = pd.DataFrame(
        {"bmi": rng.normal(28, 5, n), "arrest": rng.random(n) < 0.4, "mode": rng.choice(["a", "b", "c"], n)}
    )
    log_ma = 4.2 + 0.01 * (table["bmi"] - 28) + 0.002 * (table["bmi"] - 28) ** 2 + 0.1 * table["arrest"]
    exact = np.exp(log_ma + 0.2 * rng.normal(size=n))
    return CensoredThresholds.from_bounds(exact, exact, covariates=table)


def test_uncensored_is_least_squares():
    """statsmodels OLS on log thresholds, its natural splines by truncated powers (Hastie, Tibshirani & Friedman 5.2.1,
    from memory): ratios, t intervals, F tests of a term and of a straight line are the same numbers."""
    thresholds = exact_study()
    spline = Spline("bmi", knots=(25.0, 30.0), boundary=(18.0, 40.0))
    covariates = Covariates(("arrest", "mode", "bmi"), (spline,), (("mode", "b"),))
    model = fit_covariate_model(thresholds, covariates, family=LOGNORMAL)
    table = thresholds.covariates

    def powers(x):
        knots = np.array([18.0, 25.0, 30.0, 40.0])
        cubes = np.maximum(np.asarray(x)[:, None] - knots, 0) ** 3
        d = (cubes[:, :3] - cubes[:, [3]]) / (40.0 - knots[:3])
        return np.column_stack((x, d[:, 0] - d[:, 2], d[:, 1] - d[:, 2]))

    basis = powers(table["bmi"])
    scale = basis.std(axis=0)
    matrix = np.column_stack(
        (np.ones(len(table)), table["arrest"], table["mode"] == "a", table["mode"] == "c", basis / scale)
    )
    ols = sm.OLS(np.log(thresholds.lower_ma), matrix.astype(float)).fit()
    ratios = model.ratios()
    for ratio, j in zip(ratios[:3], (1, 2, 3), strict=True):
        np.testing.assert_allclose([ratio.lower, ratio.upper], np.exp(ols.conf_int()[j]), rtol=1e-6)
        assert ratio.p_value == pytest.approx(ols.pvalues[j], rel=1e-5)
    assert [ratio.direction for ratio in ratios[:3]] == ["yes relative to no", "a relative to b", "c relative to b"]
    low, high = np.quantile(table["bmi"], [0.25, 0.75])
    contrast = np.r_[0, 0, 0, 0, np.diff(powers([low, high]), axis=0)[0] / scale]
    theirs = ols.t_test(contrast)
    np.testing.assert_allclose([ratios[3].lower, ratios[3].upper], np.exp(theirs.conf_int()[0]), rtol=1e-6)
    tests = {(test.name, test.hypothesis): test for test in model.tests()}
    rows = np.eye(7)
    for key, chosen in {
        ("arrest", "no effect"): rows[[1]], ("mode", "no effect"): rows[2:4],
        ("bmi", "no effect"): rows[4:], ("bmi", "a straight line"): rows[5:],
    }.items():  # fmt: skip
        theirs = ols.f_test(chosen)
        got = tests[key]
        assert got.statistic == pytest.approx(float(theirs.fvalue), rel=1e-6)
        assert got.p_value == pytest.approx(float(theirs.pvalue), rel=1e-5)
        assert (got.df, got.df_error) == (theirs.df_num, theirs.df_denom)


def test_covariates_of_the_share_never_captured(on_grid):
    """Brute force: the mixture likelihood written out with scipy and maximised by Nelder-Mead."""
    rng = np.random.default_rng(9)
    n = 400
    table = pd.DataFrame({"arrest": rng.random(n) < 0.5})
    never = rng.random(n) < special.expit(-2 + 1.5 * table["arrest"].to_numpy())
    true_ma = np.where(never, 1e6, np.exp(4.1 + 0.1 * table["arrest"] + 0.2 * rng.normal(size=n)))
    thresholds = on_grid(true_ma, 30, 10, 140, covariates=table)
    model = fit_covariate_model(
        thresholds, Covariates(("arrest",)), family=LOGNORMAL, never_captured=Covariates(("arrest",))
    )
    x = table["arrest"].to_numpy(dtype=float)
    with np.errstate(divide="ignore"):
        low, high = np.log(thresholds.lower_ma), np.log(thresholds.upper_ma)

    def minus(q):
        centre, scale, share = q[0] + q[1] * x, np.exp(q[2]), special.expit(q[3] + q[4] * x)
        cell = share * (stats.norm.cdf(high, centre, scale) - stats.norm.cdf(low, centre, scale))
        return -np.log(cell + np.where(np.isinf(high), 1 - share, 0)).sum()

    best = minimize(
        minus,
        [4.1, 0, -1.5, 2, -1],
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 9000, "maxfev": 9000},
    )
    np.testing.assert_allclose(model.regression.parameters, best.x, atol=2e-5)
    (odds,) = model.capturable_odds_ratios()
    assert odds.value == pytest.approx(np.exp(best.x[4]), rel=1e-4)
    assert odds.lower < np.exp(-1.5) < odds.upper
    assert odds.quantity == "odds ratio of being capturable, arrest: yes relative to no"


def test_incomplete_attempts_are_left_out_and_counted():
    thresholds = exact_study()
    table = thresholds.covariates.copy()
    table.loc[:4, "bmi"] = np.nan
    table.loc[3:9, "mode"] = None
    lacking = CensoredThresholds.from_bounds(thresholds.lower_ma, thresholds.upper_ma, covariates=table)
    model = fit_covariate_model(lacking, Covariates(("bmi", "mode", "arrest")), family=WEIBULL)
    assert (model.n_complete, model.n_total) == (50, 60)
    assert model.missing == (("bmi", 5), ("mode", 7), ("arrest", 0))
    kept = thresholds.subset(np.arange(60) >= 10)
    assert (
        model.regression.log_likelihood
        == fit_covariate_model(kept, Covariates(("bmi", "mode", "arrest")), family=WEIBULL).regression.log_likelihood
    )
    with pytest.raises(NotEstimableError, match="No attempt has all of nothing"):
        fit_covariate_model(
            CensoredThresholds.from_bounds([50], [60], covariates=pd.DataFrame({"nothing": [np.nan]})),
            Covariates(("nothing",)), family=LOGNORMAL,
        )  # fmt: skip


def test_without_covariates_it_is_the_plain_fit():
    thresholds = exact_study()
    model = fit_covariate_model(thresholds, Covariates(()), family=LOGLOGISTIC)
    plain = fit_regression(thresholds, np.ones((60, 1)), ("intercept",), family=LOGLOGISTIC)
    assert model.regression.log_likelihood == plain.log_likelihood
    assert model.ratios() == model.tests() == model.capturable_odds_ratios() == ()


def test_a_covariate_that_does_not_vary():
    thresholds = exact_study()
    constant = CensoredThresholds.from_bounds(
        thresholds.lower_ma, thresholds.upper_ma, covariates=pd.DataFrame({"rate": [70.0] * 60})
    )
    with pytest.raises(NotEstimableError, match="do not vary"):
        fit_covariate_model(constant, Covariates(("rate",)), family=LOGNORMAL)
