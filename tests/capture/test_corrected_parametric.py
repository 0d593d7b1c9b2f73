"""Families fitted to misjudged ramps: the ordinary fit at perfect judgement, brute force with scipy's laws, known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, special, stats
from statsmodels.tools.numdiff import approx_fprime, approx_hess3

from capstat.capture.corrected_parametric import fit_corrected, fit_corrected_groups
from capstat.capture.estimated_errors import ErrorModel
from capstat.capture.judged_ramps import JudgedRamps, join_ramps
from capstat.capture.judgement_errors import JudgementErrors
from capstat.distributions import FAMILIES, LOGLOGISTIC, LOGNORMAL, WEIBULL, fit_parametric
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import CensoredThresholds

PERFECT_JUDGEMENT = JudgementErrors(1.0, 1.0)

CURRENTS = np.arange(40.0, 141.0, 10.0)
ERRORS = JudgementErrors(0.9, 0.95, 1.15)
# scipy's laws of log T less its location, for a scale: families as capstat parametrises them
LAWS = {LOGNORMAL: stats.norm.cdf, LOGLOGISTIC: stats.logistic.cdf, WEIBULL: stats.gumbel_l.cdf}


def simulated(n, seed, errors=ERRORS, *, reviewed=0.0, never=0.0, median=80.0, patients=None, placement=None):
    rng = np.random.default_rng(seed)
    threshold = np.where(rng.random(n) < never, np.inf, np.exp(rng.normal(np.log(median), 0.25, n)))
    captured = threshold[:, None] <= CURRENTS
    claimed = rng.random(captured.shape) < np.where(
        captured, errors.sensitivity, errors.false_claim_probability(CURRENTS)
    )
    tested = np.cumsum(claimed, axis=1) - claimed == 0
    truth = np.where((rng.random(n) < reviewed)[:, None], captured, -1)
    row, column = np.nonzero(tested)
    return JudgedRamps.from_arrays(row, CURRENTS[column], claimed[tested], truth[tested], patients, placement)


def ramp_likelihoods(ramps, family, location, scale, share, errors):
    """Likelihood of each ramp: sum over cells of a product over judgements, with the law of scipy.

    ``errors`` is (sensitivity, specificity at 80 mA, odds ratio per 10 mA); ``share`` can be captured at all.
    """
    sensitivity, specificity, ratio = errors
    edges = np.unique(ramps.current_ma)
    with np.errstate(divide="ignore"):
        below = share * LAWS[family]((np.log(np.append(0.0, edges)) - location) / scale)
    mass = np.diff(np.append(below, 1.0))
    upper, lower = np.append(edges, np.inf), np.append(0.0, edges)
    likelihood = np.where((ramps.lower_ma[:, None] < upper) & (lower < ramps.upper_ma[:, None]), mass, 0.0)
    odds = (1 - specificity) / specificity * ratio ** ((ramps.current_ma - 80) / 10)
    alarm = (odds / (1 + odds))[:, None]
    captured = upper <= ramps.current_ma[:, None]
    captured = np.where(ramps.truth[:, None] >= 0, ramps.truth[:, None] == 1, captured)
    yes = np.where(captured, sensitivity, alarm)
    np.multiply.at(likelihood, ramps.ramp, np.where(ramps.claimed[:, None], yes, 1 - yes))
    return likelihood.sum(axis=1)


def given(errors):
    return errors.sensitivity, errors.specificity, errors.odds_ratio_per_10_ma


def log_likelihoods(ramps, family, errors, x):
    """Of each ramp, at (location, log scale[, logit of the share that can be captured])."""
    share = special.expit(x[2]) if len(x) > 2 else 1.0
    return np.log(ramp_likelihoods(ramps, family, x[0], np.exp(x[1]), share, given(errors)))


@pytest.mark.parametrize("never_captured", [False, True])
@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_perfect_judgement_is_the_ordinary_fit(family, never_captured):
    """Reference: the ordinary fit, itself checked against lifelines and R; its Hessian is exact."""
    # 8 % that are never captured, and a spread small enough for the top of the ramp to show it
    ramps = simulated(250, 2, PERFECT_JUDGEMENT, never=0.08, median=70)
    got = fit_corrected(ramps, family=family, errors=PERFECT_JUDGEMENT, never_captured=never_captured)
    wanted = fit_parametric(ramps.as_claimed(), family=family, never_captured=never_captured)
    error = np.sqrt(np.diag(wanted.model.covariance))
    assert np.all(np.abs(got.regression.parameters - wanted.model.parameters) < 1e-4 * error)
    assert got.log_likelihood == pytest.approx(wanted.log_likelihood, abs=1e-7)
    np.testing.assert_allclose(
        got.regression.covariance / np.outer(error, error), wanted.model.covariance / np.outer(error, error), atol=1e-3
    )
    assert (got.regression.n, got.regression.n_patients) == (wanted.model.n, wanted.model.n_patients)
    assert got.regression.n_captured == wanted.model.n_captured
    assert got.fit.capture_current(0.5).value == pytest.approx(wanted.capture_current(0.5).value, rel=1e-5)
    assert got.errors == (PERFECT_JUDGEMENT,)


@pytest.mark.parametrize("never_captured", [False, True])
@pytest.mark.parametrize("family", LAWS, ids=lambda family: family.name)
def test_given_errors_against_a_direct_maximisation(family, never_captured):
    """Reference: the product likelihood above, scipy's Nelder-Mead, statsmodels' numerical Hessian."""
    ramps = simulated(300, 3, reviewed=0.2, never=0.1, median=70)
    got = fit_corrected(ramps, family=family, errors=ERRORS, never_captured=never_captured)

    def minus(x):
        return -float(log_likelihoods(ramps, family, ERRORS, x).sum())

    start = np.array([4.4, -1.0, 2.0][: 3 if never_captured else 2])
    options = {"xatol": 1e-9, "fatol": 1e-10, "maxiter": 4000, "maxfev": 4000}
    best = optimize.minimize(minus, start, method="Nelder-Mead", options=options)
    assert got.log_likelihood == pytest.approx(-best.fun, abs=1e-6)
    covariance = np.linalg.inv(approx_hess3(best.x, minus))
    error = np.sqrt(np.diag(covariance))
    assert np.all(np.abs(got.regression.parameters - best.x) < 1e-3 * error)
    np.testing.assert_allclose(np.sqrt(np.diag(got.regression.covariance)), error, rtol=2e-3)
    np.testing.assert_allclose(got.regression.covariance, covariance, atol=2e-3 * np.outer(error, error).max())


@pytest.mark.parametrize(
    ("model", "free"),
    [(ErrorModel(), (0, 1)), (ErrorModel(sensitivity=0.9), (1,)), (ErrorModel(varies_with_current=True), (0, 1, 2))],
)
def test_estimated_errors_against_a_direct_maximisation(model, free):
    """Reference: the same, over errors and thresholds at once: the covariance carries that errors are estimated."""
    ramps = simulated(400, 4, reviewed=0.4)
    got = fit_corrected(ramps, family=LOGNORMAL, errors=model)

    def errors_at(x):
        own = np.array([special.logit(0.1), 0.0, 0.0])
        own[list(free)] = x[2:]
        return special.expit(-own[0]), special.expit(-own[1]), np.exp(own[2])

    def minus(x):
        return -float(np.log(ramp_likelihoods(ramps, LOGNORMAL, x[0], np.exp(x[1]), 1.0, errors_at(x))).sum())

    start = np.array([4.4, -1.3, *np.array([-2.0, -3.0, 0.1])[list(free)]])
    options = {"xatol": 1e-8, "fatol": 1e-9, "maxiter": 4000, "maxfev": 4000}
    found = optimize.minimize(minus, start, method="Nelder-Mead", options=options)
    found = optimize.minimize(minus, found.x, method="Nelder-Mead", options=options)
    assert got.log_likelihood == pytest.approx(-found.fun, abs=1e-5)
    error = np.sqrt(np.diag(np.linalg.inv(approx_hess3(found.x, minus))))
    assert np.all(np.abs(got.regression.parameters - found.x[:2]) < 5e-3 * error[:2])
    np.testing.assert_allclose(np.sqrt(np.diag(got.regression.covariance)), error[:2], rtol=5e-3)
    assert given(got.errors[0]) == pytest.approx(errors_at(found.x), abs=1e-3)
    known = fit_corrected(ramps, family=LOGNORMAL, errors=got.errors[0])
    assert np.all(np.diag(known.regression.covariance) < np.diag(got.regression.covariance))


def test_two_groups_with_errors_of_their_own_against_a_direct_maximisation():
    """Reference: scipy on the sum of both product likelihoods; the groups differ in grid, errors and location."""
    others = JudgementErrors(0.97, 0.9)
    first, second = simulated(200, 5, median=70), simulated(150, 6, others, median=90)
    # the second group was tested at every other setting only, and by other patients
    kept = second.subset(np.isin(np.arange(150), second.ramp[np.isin(second.current_ma, CURRENTS[::2])]))
    every_other = np.isin(kept.current_ma, CURRENTS[::2])
    second = JudgedRamps.from_arrays(
        kept.ramp[every_other], kept.current_ma[every_other], kept.claimed[every_other], patient=np.arange(len(kept))
    )
    second = replace(second, patient=second.patient + 200)
    got = fit_corrected_groups(
        [first, second], np.array([[1.0, 1.0], [1.0, 0.0]]), ("(intercept)", "first"), family=LOGNORMAL,
        errors=(ERRORS, others),
    )  # fmt: skip

    def minus(x):
        return -float(
            log_likelihoods(first, LOGNORMAL, ERRORS, (x[0] + x[1], x[2])).sum()
            + log_likelihoods(second, LOGNORMAL, others, (x[0], x[2])).sum()
        )

    found = optimize.minimize(minus, [4.4, 0.0, -1.0], method="Nelder-Mead",
                              options={"xatol": 1e-9, "fatol": 1e-10, "maxiter": 4000})  # fmt: skip
    error = np.sqrt(np.diag(np.linalg.inv(approx_hess3(found.x, minus))))
    assert got.log_likelihood == pytest.approx(-found.fun, abs=1e-6)
    assert np.all(np.abs(got.regression.parameters - found.x) < 1e-3 * error)
    assert got.regression.standard_error("first") == pytest.approx(error[1], rel=2e-3)
    assert got.errors == (ERRORS, others)
    assert (got.regression.n, got.regression.n_patients) == (200 + len(second), 200 + len(second))


def test_clustered_covariance_by_numerical_scores():
    """Reference: bread from statsmodels' Hessian, meat from numerical scores summed in patients, G / (G - 1)."""
    patients = np.repeat(np.arange(60), 3)
    ramps = simulated(180, 7, patients=patients)
    got = fit_corrected(ramps, family=LOGNORMAL, errors=ERRORS).regression

    def minus(x):
        return -float(log_likelihoods(ramps, LOGNORMAL, ERRORS, x).sum())

    bread = np.linalg.inv(approx_hess3(got.parameters, minus))
    scores = approx_fprime(
        got.parameters, lambda x: log_likelihoods(ramps, LOGNORMAL, ERRORS, x), centered=True
    )  # shape (ramps, 2)
    summed = scores.reshape(60, 3, 2).sum(axis=1)
    np.testing.assert_allclose(got.covariance, bread @ summed.T @ summed @ bread * 60 / 59, rtol=2e-3)
    assert got.covariance_method.startswith("sandwich clustered by patient")
    assert (got.n, got.n_patients) == (180, 60)


def test_a_ramp_repeated_in_its_patient_tells_nothing_new():
    """Twice the same ramps as twice the patients: standard errors sqrt(2) smaller; in the same patients: not at all."""
    once = simulated(80, 8)
    one = fit_corrected(once, family=LOGNORMAL, errors=ERRORS).regression
    doubled = join_ramps([once, once])
    same = fit_corrected(doubled, family=LOGNORMAL, errors=ERRORS).regression
    new = JudgedRamps.from_arrays(doubled.ramp, doubled.current_ma, doubled.claimed)
    independent = fit_corrected(new, family=LOGNORMAL, errors=ERRORS).regression
    np.testing.assert_allclose(independent.covariance, one.covariance / 2, rtol=1e-4)
    np.testing.assert_allclose(same.parameters, one.parameters, atol=1e-6)
    # sandwich and information agree in expectation only
    np.testing.assert_allclose(np.sqrt(np.diag(same.covariance) / np.diag(one.covariance)), 1, atol=0.25)
    assert same.covariance[0, 0] > 1.4 * independent.covariance[0, 0]


@pytest.mark.parametrize("never", [0.0, 0.06])
def test_truth_is_recovered(never):
    """20,000 ramps, thresholds and errors known; four standard errors or so of each."""
    ramps = simulated(20_000, 9, reviewed=0.25, never=never)
    got = fit_corrected(
        ramps, family=LOGNORMAL, errors=ErrorModel(varies_with_current=True), never_captured=never > 0
    )  # fmt: skip
    truth = np.array([np.log(80), np.log(0.25), *([special.logit(1 - never)] if never else [])])
    error = np.sqrt(np.diag(got.regression.covariance))
    assert np.all(np.abs(got.regression.parameters - truth) < 4 * error)
    assert np.all(error[:2] < 0.02)
    assert given(got.errors[0]) == pytest.approx(given(ERRORS), abs=0.02)
    # believed as they stand the same ramps are far off
    claimed = fit_parametric(ramps.as_claimed(), family=LOGNORMAL)
    assert claimed.mu + 10 * claimed.model.standard_error("intercept") < np.log(80)


def test_a_reference_that_says_everything_leaves_the_ordinary_fit():
    """All reviewed: errors are plain shares of judgements, thresholds the ordinary fit of the reference's intervals."""
    ramps = simulated(300, 10, JudgementErrors(0.9, 0.95), reviewed=1.0)
    got = fit_corrected(ramps, family=LOGNORMAL, errors=ErrorModel())
    wanted = fit_parametric(CensoredThresholds.from_bounds(ramps.lower_ma, ramps.upper_ma), family=LOGNORMAL)
    np.testing.assert_allclose(got.regression.parameters, wanted.model.parameters, atol=1e-5)
    np.testing.assert_allclose(got.regression.covariance, wanted.model.covariance, rtol=1e-3, atol=1e-8)
    captured = ramps.truth == 1
    assert got.errors[0].sensitivity == pytest.approx(ramps.claimed[captured].mean(), abs=1e-5)
    assert got.errors[0].specificity == pytest.approx(1 - ramps.claimed[~captured].mean(), abs=1e-5)


def test_no_false_capture_seen_is_none():
    """Every claim upheld: half a false one is added, so that the thresholds do not take it for impossible."""
    ramps = simulated(200, 11, JudgementErrors(0.9, 1.0), reviewed=0.5)
    got = fit_corrected(ramps, family=LOGNORMAL, errors=ErrorModel(varies_with_current=True))
    assert 0.99 < got.errors[0].specificity < 1
    assert got.errors[0].odds_ratio_per_10_ma == 1
    assert np.all(np.isfinite(got.regression.covariance))
    impossible = fit_corrected(ramps, family=LOGNORMAL, errors=JudgementErrors(got.errors[0].sensitivity, 1.0))
    assert got.regression.covariance[0, 0] > impossible.regression.covariance[0, 0]


def rows(*steps):
    return JudgedRamps.from_arrays(*zip(*steps, strict=True))


def test_what_has_no_fit_is_refused():
    def refused(ramps, words, error=NotEstimableError, errors=ERRORS, **more):
        with pytest.raises(error, match=words):
            fit_corrected(ramps, family=LOGNORMAL, errors=errors, **more)

    refused(rows(*((i, c, False) for i in range(6) for c in (60.0, 80.0))), "No attempt captured")
    refused(rows(*((i, 60.0, True) for i in range(6))), "first setting")
    refused(rows((0, 60.0, False), (0, 80.0, True)), "one single value")
    refused(simulated(60, 12), "sensitivity", errors=ErrorModel())
    refused(simulated(60, 12), "At 90 mA", UsageError, errors=JudgementErrors(0.3, 0.75, 1.5))
    # a step down, and judgements that are never wrong
    refused(rows((0, 80.0, False), (0, 60.0, True), (1, 60.0, False), (1, 80.0, True)), "contradict", UsageError,
            errors=PERFECT_JUDGEMENT)  # fmt: skip


@pytest.mark.parametrize("seed", range(1, 9))
def test_a_share_never_captured_is_fitted_where_the_likelihood_rises_with_it(seed):
    """Reference: slope of the product likelihood in that share, at none; concave in it, so its sign decides."""
    ramps = simulated(150, seed, median=75)
    without = fit_corrected(ramps, family=LOGNORMAL, errors=ERRORS)
    location, log_scale = without.regression.parameters

    def at(share):
        found = ramp_likelihoods(ramps, LOGNORMAL, location, np.exp(log_scale), 1 - share, given(ERRORS))
        return float(np.log(found).sum())

    if at(1e-6) < at(0):
        with pytest.raises(NotEstimableError, match="has no share that is never captured"):
            fit_corrected(ramps, family=LOGNORMAL, errors=ERRORS, never_captured=True)
    else:
        mixture = fit_corrected(ramps, family=LOGNORMAL, errors=ERRORS, never_captured=True)
        assert mixture.log_likelihood > without.log_likelihood
        assert mixture.fit.share_capturable < 1
