"""Parametric fits against recorded survreg values, lifelines, and what cannot be estimated."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullAFTFitter
from scipy import stats
from scipy.optimize import minimize

from capstat.distributions import (
    FAMILIES,
    GAMMA,
    GENERALISED_GAMMA,
    LOGLOGISTIC,
    LOGNORMAL,
    WEIBULL,
    fit_parametric,
    fit_regression,
)
from capstat.distributions.likelihood import IntervalData, total_terms
from capstat.distributions.regression import profile_coefficient
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

INF = np.inf
BY_NAME = {"weibull": WEIBULL, "lognormal": LOGNORMAL, "loglogistic": LOGLOGISTIC}


@pytest.mark.reference
@pytest.mark.parametrize("name", list(BY_NAME))
def test_breast_cosmesis_regression(reference, name):
    case = reference("s03")
    fit = cosmesis_regression(case, BY_NAME[name])
    case.check(f"aft.{name}.intercept", fit.coefficients[0])
    case.check(f"aft.{name}.coef_chemo", fit.coefficients[1])
    case.check(f"aft.{name}.se_chemo", fit.standard_error("chemo"))
    case.check(f"aft.{name}.scale", np.exp(fit.log_sigma))
    case.check(f"aft.{name}.loglik", fit.log_likelihood)


@pytest.mark.reference
def test_breast_cosmesis_gamma(reference):
    """One arm in s03 by R and scipy; both arms with the arm as covariate in r01, standard errors included."""
    case = reference("s03")
    rows = case.intervals("radiation_chemo")
    fit = fit_parametric(CensoredThresholds.from_bounds(rows[:, 0], rows[:, 1]), family=GAMMA)
    case.check("gamma.chemo_only.shape", fit.sigma**-2)
    case.check("gamma.chemo_only.scale", np.exp(fit.mu) * fit.sigma**2)
    case.check("gamma.chemo_only.loglik", fit.log_likelihood)
    case = reference("r01")
    fit = cosmesis_regression(case, GAMMA)
    shape = np.exp(-2 * fit.log_sigma)
    # the recorded intercept is the logarithm of the gamma scale, ours that of the mean: shape times scale
    case.check("intercept", fit.coefficients[0] - np.log(shape))
    case.check("coef_chemo", fit.coefficients[1])
    case.check("shape", shape)
    case.check("loglik", fit.log_likelihood)
    case.check("se_chemo", fit.standard_error("chemo"))
    case.check("se_log_shape", 2 * np.sqrt(fit.covariance[2, 2]))


@pytest.mark.reference
def test_breast_cosmesis_generalised_gamma(reference):
    """Maxima and their errors, and the likelihood at fixed points, by R and scipy.  In the radiation arm Q is flat."""
    case = reference("r02")
    rows = case.intervals("radiation_chemo")
    fit = fit_parametric(CensoredThresholds.from_bounds(rows[:, 0], rows[:, 1]), family=GENERALISED_GAMMA)
    case.check("radiation_chemo.mu", fit.mu)
    case.check("radiation_chemo.sigma", fit.sigma)
    case.check("radiation_chemo.q", fit.model.ancillary[1])
    case.check("radiation_chemo.loglik", fit.log_likelihood)
    case.check("radiation_chemo.se_q", np.sqrt(fit.model.covariance[2, 2]))
    rows = case.intervals("radiation")
    fit = fit_parametric(CensoredThresholds.from_bounds(rows[:, 0], rows[:, 1]), family=GENERALISED_GAMMA)
    case.check("radiation.loglik", fit.log_likelihood)
    both = cosmesis_regression(case, GENERALISED_GAMMA)
    case.check("both.coef_chemo", both.coefficients[1])
    case.check("both.q", both.ancillary[1])
    case.check("both.loglik", both.log_likelihood)
    case.check("both.se_chemo", both.standard_error("chemo"))
    radiation, chemo = case.intervals("radiation"), case.intervals("radiation_chemo")
    rows = np.vstack((radiation, chemo))
    design = np.column_stack((np.ones(len(rows)), np.r_[np.zeros(len(radiation)), np.ones(len(chemo))]))
    data = IntervalData(rows[:, 0], rows[:, 1], design, np.ones(len(rows)))
    for q in ("-0.5", "1e-06", "0", "0.3", "1", "2"):
        at = np.array([3.7, 3.2 - 3.7, np.log(0.8), float(q)])
        case.check(f"fixed.both.q={q}", total_terms(GENERALISED_GAMMA, data, at)[0])


def cosmesis_regression(case, family):
    radiation, chemo = case.intervals("radiation"), case.intervals("radiation_chemo")
    rows = np.vstack((radiation, chemo))
    design = np.column_stack((np.ones(len(rows)), np.r_[np.zeros(len(radiation)), np.ones(len(chemo))]))
    thresholds = CensoredThresholds.from_bounds(rows[:, 0], rows[:, 1])
    return fit_regression(thresholds, design, ("intercept", "chemo"), family=family)


@pytest.mark.reference
def test_ovarian_weibull_with_exact_times(reference):
    case = reference("s05")
    rows = np.array(case.data["rows"], dtype=float)
    thresholds = CensoredThresholds.from_bounds(rows[:, 0], np.where(rows[:, 1] == 1, rows[:, 0], INF))
    design = np.column_stack((np.ones(len(rows)), rows[:, 2:]))
    fit = fit_regression(thresholds, design, ("intercept", "ecog", "rx"), family=WEIBULL)
    case.check("weibull.coef", fit.coefficients)
    case.check("weibull.scale", np.exp(fit.log_sigma))
    case.check("weibull.loglik", fit.log_likelihood)


@pytest.mark.reference
def test_tobit_by_the_lognormal_model(reference):
    """A left-censored normal outcome y is a left-censored lognormal one exp(y); densities differ by sum(y)."""
    case = reference("s04")
    rows = np.array(case.data["rows"], dtype=float)
    durable, design = rows[:, 0], np.column_stack((np.ones(len(rows)), rows[:, 1:]))
    upper = np.exp(durable)
    thresholds = CensoredThresholds.from_bounds(np.where(durable > 0, upper, 0.0), upper)
    fit = fit_regression(thresholds, design, ("intercept", "age", "quant"), family=LOGNORMAL)
    case.check("intercept", fit.coefficients[0])
    case.check("age", fit.coefficients[1])
    case.check("quant", fit.coefficients[2])
    case.check("sigma", np.exp(fit.log_sigma))
    case.check("loglik", fit.log_likelihood + durable[durable > 0].sum())
    case.check("se", np.sqrt(np.diag(fit.covariance)))


def test_lifelines_weibull_interval_regression(on_grid):
    """lifelines 0.30: WeibullAFTFitter.fit_interval_censoring; it needs a positive lower bound."""
    rng = np.random.default_rng(11)
    size = rng.normal(0, 1, 300)
    thresholds = on_grid(np.exp(4.3 + 0.1 * size + 0.25 * np.log(rng.exponential(size=300))), 30, 10, 140)
    design = np.column_stack((np.ones(300), size))
    fit = fit_regression(thresholds, design, ("intercept", "size"), family=WEIBULL)
    frame = pd.DataFrame({"low": np.maximum(thresholds.lower_ma, 1e-6), "high": thresholds.upper_ma, "size": size})
    theirs = WeibullAFTFitter().fit_interval_censoring(frame, "low", "high")
    assert fit.coefficients[1] == pytest.approx(theirs.params_["lambda_", "size"], abs=2e-4)
    assert fit.log_likelihood >= theirs.log_likelihood_ - 1e-6


def test_exact_fit_of_a_lognormal_sample():
    """Exact thresholds: maximum likelihood is the mean and (n-denominator) SD of the logarithms."""
    rng = np.random.default_rng(5)
    t = np.exp(rng.normal(4.3, 0.3, 50))
    fit = fit_parametric(CensoredThresholds.from_bounds(t, t), family=LOGNORMAL)
    assert fit.mu == pytest.approx(np.log(t).mean())
    assert fit.sigma == pytest.approx(np.log(t).std())
    assert fit.log_likelihood == pytest.approx(stats.lognorm(fit.sigma, scale=np.exp(fit.mu)).logpdf(t).sum())
    half = fit.capture_current(0.5)
    # the interval of the median is Student's interval of the mean logarithm
    low, high = np.exp(stats.ttest_1samp(np.log(t), 0).confidence_interval(0.95))
    assert (half.lower, half.upper) == pytest.approx((low, high))
    assert fit.capture_probability(half.value).value == pytest.approx(0.5)


def test_what_cannot_be_estimated_says_why():
    cases = {
        "No attempt captured": ([140, 120], [INF, INF]),
        "first setting": ([0, 0], [40, 50]),
        "one single value between 60 and 65 mA": ([60, 50], [65, 80]),
        "no attempts": ([], []),
        "no finite estimate": ([0, 100], [40, INF]),
    }
    for words, (lower, upper) in cases.items():
        with pytest.raises(NotEstimableError, match=words):
            fit_parametric(CensoredThresholds.from_bounds(lower, upper), family=LOGNORMAL)
    constant = CensoredThresholds.from_bounds([40, 60, 80], [50, 70, 90])
    with pytest.raises(NotEstimableError, match="do not vary"):
        fit_regression(constant, np.ones((3, 2)), ("intercept", "size"), family=LOGNORMAL)
    with pytest.raises(ValueError, match="strictly between 0 and 1"):
        fit_parametric(constant, family=LOGNORMAL).capture_current(0.0)


def test_one_sided_limit_when_a_group_never_captured():
    """Only a lower bound for the ratio; at it the profile has fallen by the given 1.9 below its supremum."""
    lower, upper = [140, 140, 140, 60, 70, 80, 40], [INF, INF, INF, 65, 75, 85, 45]
    thresholds = CensoredThresholds.from_bounds(lower, upper)
    design = np.column_stack((np.ones(7), [1, 1, 1, 0, 0, 0, 0]))
    low, high = profile_coefficient(thresholds, design, 1, family=LOGNORMAL, drop=1.9)
    assert high == INF
    known = fit_parametric(thresholds.subset(np.arange(7) >= 3), family=LOGNORMAL).log_likelihood
    shifted = CensoredThresholds.from_bounds(
        np.array(lower) * np.exp(-low * design[:, 1]), np.array(upper) * np.exp(-low * design[:, 1])
    )
    at_limit = fit_parametric(shifted, family=LOGNORMAL).log_likelihood
    assert known - at_limit == pytest.approx(1.9, abs=1e-3)


def test_clustered_errors_are_wider_when_attempts_of_a_patient_agree(on_grid):
    rng = np.random.default_rng(8)
    true = np.exp(rng.normal(4.3, 0.3, 60))
    once = on_grid(true, 30, 5, 140)
    twice = on_grid(np.tile(true, 2), 30, 5, 140, patient=np.tile(np.arange(60), 2))
    one = fit_parametric(once, family=LOGNORMAL)
    two = fit_parametric(twice, family=LOGNORMAL)
    assert two.mu == pytest.approx(one.mu)
    assert "clustered by patient" in two.model.covariance_method
    # repeating every attempt adds no information; information-based errors would shrink by sqrt(2)
    assert np.sqrt(two.model.covariance[0, 0]) == pytest.approx(np.sqrt(one.model.covariance[0, 0]), rel=0.1)


def test_sandwich_of_exact_data_by_hand():
    """Mean of exact logarithms: the sandwich is G/(G-1) times the sum of squared patient totals over n squared."""
    log_t = np.log([50.0, 60, 70, 80, 55, 90])
    patient = np.array([0, 0, 1, 1, 2, 2])
    fit = fit_parametric(CensoredThresholds.from_bounds(np.exp(log_t), np.exp(log_t), patient), family=LOGNORMAL)
    totals = np.bincount(patient, weights=log_t - log_t.mean())
    assert fit.model.covariance[0, 0] == pytest.approx(3 / 2 * (totals**2).sum() / 36)


def test_exact_two_groups_are_students_t_test():
    """Exact thresholds in two groups: ratio, limits and p-value of scipy's t test on the logarithms."""
    rng = np.random.default_rng(8)
    one, two = np.exp(rng.normal(4.2, 0.3, 6)), np.exp(rng.normal(4.5, 0.3, 5))
    t = np.r_[one, two]
    design = np.column_stack((np.ones(11), np.r_[np.ones(6), np.zeros(5)]))
    ratio = fit_regression(CensoredThresholds.from_bounds(t, t), design, ("i", "first"), family=LOGNORMAL).ratio(
        "first"
    )
    test = stats.ttest_ind(np.log(one), np.log(two))
    assert ratio.p_value == pytest.approx(test.pvalue)
    assert (ratio.lower, ratio.upper) == pytest.approx(tuple(np.exp(test.confidence_interval(0.95))))


def test_too_few_captured_patients_give_no_limits():
    thresholds = CensoredThresholds.from_bounds([60, 80], [70, 90])
    design = np.column_stack((np.ones(2), [0.0, 1.0]))
    two = CensoredThresholds.from_bounds([60, 80, 140], [70, 90, INF])
    assert fit_parametric(two, family=LOGNORMAL).capture_current(0.5).lower > 0
    with pytest.raises(NotEstimableError):
        fit_regression(thresholds, design, ("i", "x"), family=LOGNORMAL)
    lone = CensoredThresholds.from_bounds([60, 100, 120], [70, INF, INF])
    limits = fit_parametric(lone, family=LOGNORMAL).capture_current(0.5)
    assert (limits.lower, limits.upper) == (0, INF)


def test_every_small_data_set_gives_an_estimate_or_a_reason():
    """300 random sets of 1 to 12 intervals, exact values among them: no other outcome, and scipy finds nothing better."""
    rng = np.random.default_rng(3)
    estimated = 0
    for _ in range(300):
        n = int(rng.integers(1, 13))
        lower = rng.integers(0, 14, n) * 10.0
        upper = np.maximum(lower + rng.integers(0, 5, n) * 10.0, 10.0)
        upper = np.where(rng.random(n) < 0.3, INF, upper)
        thresholds = CensoredThresholds.from_bounds(lower, upper)
        design = np.column_stack((np.ones(n), rng.random(n) < 0.5)).astype(float)
        family = FAMILIES[int(rng.integers(0, 3))]
        try:
            fit = fit_regression(thresholds, design, ("i", "x"), family=family)
        except NotEstimableError:
            continue
        estimated += 1
        data = IntervalData(lower, upper, design, np.ones(n))

        def loss(x, data=data, family=family):
            value = total_terms(family, data, x)[0]
            return -value if np.isfinite(value) else 1e10

        better = minimize(loss, fit.parameters + 0.07, method="Nelder-Mead")
        assert fit.log_likelihood >= -better.fun - 1e-6
    assert estimated > 100
