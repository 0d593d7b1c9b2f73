"""Drift of thresholds from repeated checks, against exact Gaussian likelihoods, closed forms and known truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from capstat.attempts import read_study
from capstat.numerics.binormal import rectangle
from capstat.protocol.drift import fit_drift
from capstat.protocol.drift_law import DriftLaw, DriftModel, checks_covariance, elapsed_factor, percent_change
from capstat.protocol.drift_likelihood import DriftLikelihood
from capstat.protocol.drift_variance import change_by_elapsed
from capstat.protocol.loss import MaximumRise
from capstat.protocol.margins import margin_needed
from capstat.protocol.repeated_checks import RepeatedChecks, repeated_checks
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import MECHANICAL_CAPTURE

WALK, REVERTING = DriftModel.RANDOM_WALK, DriftModel.MEAN_REVERTING
TIMES = (0.0, 10.0, 20.0, 30.0, 45.0, 60.0)


def log_thresholds(rng, n, times=TIMES, *, sd=0.08, between=0.25, reversion=0.0, median=90.0):
    """Log thresholds (n, d) with a standard deviation of change of ``sd`` over 30 minutes."""
    u = np.array(times)
    if reversion == 0:
        covariance = sd**2 / 30 * np.minimum.outer(u, u)
    else:
        stationary = sd**2 / 2 / (1 - np.exp(-30 * reversion))
        covariance = stationary * np.exp(-reversion * np.abs(np.subtract.outer(u, u)))
    own = rng.multivariate_normal(np.zeros(u.size), covariance + 1e-15 * np.eye(u.size), n)
    return np.log(median) + rng.normal(0, between, (n, 1)) + own


def on_steps(log_t, step, times=TIMES, start=30.0, top=400.0):
    """Checks by a rising ramp."""
    n, d = log_t.shape
    ma = np.exp(log_t).ravel()
    upper = np.maximum(start + np.ceil((ma - start) / step) * step, start)
    lower = np.where(upper <= start, 0.0, upper - step)
    highest = start + np.floor((top - start) / step) * step
    beyond = upper > highest
    lower, upper = np.where(beyond, highest, lower), np.where(beyond, np.inf, upper)
    return RepeatedChecks.from_arrays(np.repeat(np.arange(n), d), np.tile(times, n), lower, upper)


def nearly_exact(log_t, times=TIMES):
    n, d = log_t.shape
    ma = np.exp(log_t).ravel()
    return RepeatedChecks.from_arrays(np.repeat(np.arange(n), d), np.tile(times, n), ma, ma)


def test_narrow_cells_are_the_gaussian_likelihood():
    """scipy's multivariate normal density times the widths of the cells, for both models and unequal numbers of checks."""
    log_t = log_thresholds(np.random.default_rng(1), 8)
    keep = np.random.default_rng(2).random(log_t.shape) < 0.7
    keep[:, :2] = True
    patient, column = np.nonzero(keep)
    checks = RepeatedChecks.from_arrays(patient, np.array(TIMES)[column], np.exp(log_t[keep]), np.exp(log_t[keep]))
    likelihood = DriftLikelihood.of(checks)
    for reversion in (0.0, 0.05):
        expected = len(checks) * np.log(np.log(1.0001 / 0.9999))
        for i in range(8):
            u = np.array(TIMES)[keep[i]]
            if reversion:
                own = 2e-4 / (2 * reversion) * np.exp(-reversion * np.abs(np.subtract.outer(u, u)))
            else:
                own = 2e-4 * np.minimum.outer(u, u)
            expected += stats.multivariate_normal.logpdf(log_t[i, keep[i]], np.full(u.size, 4.4), 0.3**2 + own)
        assert likelihood.value(4.4, 0.3, 2e-4, reversion) == pytest.approx(expected, abs=1e-3)


def test_walk_of_known_thresholds_in_closed_form():
    """Increments over elapsed time: the rate is their mean square, log SD has standard error 1 / sqrt(2 N)."""
    log_t = log_thresholds(np.random.default_rng(3), 40)
    fit = fit_drift(nearly_exact(log_t), WALK)
    increments = np.diff(log_t, axis=1) / np.sqrt(np.diff(TIMES))
    sd = np.sqrt(30 * np.mean(increments**2))
    found = fit.change_sd_over(30)
    assert found.value == pytest.approx(sd, rel=1e-3)
    assert np.log(found.upper / found.value) == pytest.approx(1.96 / np.sqrt(2 * increments.size), rel=0.01)
    assert fit.change_sd_over(60).value == pytest.approx(np.sqrt(2) * sd, rel=1e-3)
    assert fit.typical_change(30).value == pytest.approx(100 * (np.exp(sd) - 1), rel=1e-3)
    assert (fit.typical_change(30).unit, found.n, fit.n_checks) == ("%", 40, 240)
    assert fit.median_ma.value == pytest.approx(np.exp(log_t[:, 0].mean()), rel=1e-3)
    assert fit.between_sd.value == pytest.approx(log_t[:, 0].std(), rel=2e-3)
    assert fit.aic == pytest.approx(6 - 2 * fit.log_likelihood)
    assert fit.half_life_minutes is None


def test_reversion_of_known_thresholds():
    """Maximum of the exact likelihood written with scipy's density in (mean, between, stationary SD, reversion)."""
    log_t = log_thresholds(np.random.default_rng(4), 40, (0.0, 5.0, 15.0, 40.0), reversion=0.1)
    u = np.array((0.0, 5.0, 15.0, 40.0))

    def minus(x):
        covariance = np.exp(2 * x[1]) + np.exp(2 * x[2] - np.exp(x[3]) * np.abs(np.subtract.outer(u, u)))
        return -stats.multivariate_normal.logpdf(log_t, np.full(4, x[0]), covariance).sum()

    exact = optimize.minimize(
        minus, [4.4, -1.5, -2.5, -2.0], method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9, "maxiter": 4000}
    )
    mean, between, stationary, reversion = exact.x
    fit = fit_drift(nearly_exact(log_t, tuple(u)), REVERTING)
    assert fit.median_ma.value == pytest.approx(np.exp(mean), rel=1e-3)
    assert fit.between_sd.value == pytest.approx(np.exp(between), rel=3e-3)
    assert fit.half_life_minutes.value == pytest.approx(np.log(2) / np.exp(reversion), rel=0.01)
    variance = 2 * np.exp(2 * stationary) * (1 - np.exp(-20 * np.exp(reversion)))
    assert fit.change_sd_over(20).value == pytest.approx(np.sqrt(variance), rel=3e-3)
    assert fit.log_likelihood - 160 * np.log(np.log(1.0001 / 0.9999)) == pytest.approx(-exact.fun, abs=0.01)
    assert fit.aic < fit_drift(nearly_exact(log_t, tuple(u)), WALK).aic


def test_walk_is_the_limit_without_reversion():
    assert elapsed_factor([0.0, 7.0], 0.0).tolist() == [0, 7]
    np.testing.assert_allclose(elapsed_factor([1.0, 7.0, 60.0], 1e-9), [1, 7, 60], rtol=1e-7)
    u = np.array([0.0, 10.0, 25.0])
    change = np.array([[-1.0, 1, 0], [0, -1, 1]])
    walk = change @ checks_covariance(u, 0.3, 2e-4, 0.0) @ change.T
    slow = change @ checks_covariance(u, 0.3, 2e-4, 1e-6) @ change.T
    np.testing.assert_allclose(slow, walk, rtol=1e-3, atol=1e-7)
    # where the spread between patients says nothing, the likelihoods of two rates differ by the same amount
    likelihood = DriftLikelihood.of(on_steps(log_thresholds(np.random.default_rng(5), 10), 5))
    steps = [likelihood.value(4.5, 50.0, 4e-4, k) - likelihood.value(4.5, 50.0, 2e-4, k) for k in (0.0, 1e-5)]
    assert steps[1] == pytest.approx(steps[0], abs=0.02)


def test_width_of_the_cells_is_not_taken_for_drift():
    """200 patients, steps of 20 mA: middles of cells give twice the true variance, the likelihood the truth."""
    log_t = log_thresholds(np.random.default_rng(6), 200, (0.0, 30.0))
    checks = on_steps(log_t, 20, (0.0, 30.0))
    middle = np.log((checks.lower_ma + checks.upper_ma) / 2).reshape(-1, 2)
    naive = np.mean((middle[:, 1] - middle[:, 0]) ** 2)
    assert naive > 1.8 * 0.08**2
    found = fit_drift(checks, WALK).change_sd_over(30)
    assert found.lower < 0.08 < found.upper
    assert found.value == pytest.approx(0.08, rel=0.15)
    assert found.upper < np.sqrt(naive)


def test_shipped_study_finds_its_truth(shipped):
    checks = repeated_checks(read_study(shipped / "repeated_checks"), MECHANICAL_CAPTURE)
    fit = fit_drift(checks, WALK)
    found = fit.change_sd_over(30)
    assert found.lower < 0.08 < found.upper
    assert fit.between_sd.lower < 0.25 < fit.between_sd.upper
    assert fit.median_ma.lower < 85 < fit.median_ma.upper


def test_no_drift_has_an_upper_limit():
    """All checks of each patient in one cell: 0 with a profile limit, which patients with more checks bring down."""
    log_t = np.repeat(np.log(np.linspace(62, 118, 12))[:, None], 6, axis=1)
    few = fit_drift(on_steps(log_t[:, :2], 10, TIMES[:2]), WALK)
    many = fit_drift(on_steps(log_t[:, :4], 10, TIMES[:4]), WALK)
    for fit in (few, many):
        found = fit.change_sd_over(30)
        assert fit.no_drift
        assert (found.value, found.lower) == (0, 0)
        assert 0.005 < found.upper < 0.2
        assert fit.typical_change(30).upper == pytest.approx(percent_change(found.upper))
        assert "No drift at all" in fit.notes[0]
    assert many.upper_sd < few.upper_sd
    law = many.law(draws=400, seed=1)
    assert law.rate[0] == 0
    # half-normal draws: 95 % below the limit that is 1.96 of their standard deviations away
    assert np.mean(np.sqrt(30 * law.rate[1:]) < many.upper_sd) == pytest.approx(0.95, abs=0.015)
    with pytest.raises(NotEstimableError, match="No drift is visible"):
        fit_drift(on_steps(log_t[:, :3], 10, TIMES[:3]), REVERTING)


def test_what_cannot_be_estimated_says_why():
    rng = np.random.default_rng(7)
    log_t = log_thresholds(rng, 20, TIMES[:2])
    with pytest.raises(NotEstimableError, match=r"at least 5 patients .* there are 4"):
        fit_drift(on_steps(log_t[:4], 5, TIMES[:2]), WALK)
    with pytest.raises(NotEstimableError, match="three checks of a patient"):
        fit_drift(on_steps(log_t, 5, TIMES[:2]), REVERTING)
    same = np.full((8, 2), np.log(72.0))
    with pytest.raises(NotEstimableError, match="same cell"):
        fit_drift(on_steps(same, 5, TIMES[:2]), WALK)
    patient, minutes = np.repeat(np.arange(8), 2), np.tile([0, 10], 8)
    for lower, upper, words in (
        (np.tile([100, 120, 140, 90], 4), np.full(16, np.inf), "one and the same threshold"),
        (np.repeat([0, 140], 8), np.repeat([140, np.inf], 8), "where the patients' thresholds lie"),
        (np.tile([0, 140], 8), np.tile([140, np.inf], 8), "no upper limit on the drift"),
        (np.r_[np.full(14, 80), 40, 40], np.r_[np.full(14, np.inf), 80, 80], "factor of 50"),
    ):
        with pytest.raises(NotEstimableError, match=words):
            fit_drift(RepeatedChecks.from_arrays(patient, minutes, lower, upper), WALK)


def test_a_walk_fitted_as_reverting():
    """Truth a random walk: one parameter more gains no likelihood worth it, and the change is the same."""
    checks = nearly_exact(log_thresholds(np.random.default_rng(8), 20, TIMES[:4]), TIMES[:4])
    walk, reverting = fit_drift(checks, WALK), fit_drift(checks, REVERTING)
    assert reverting.aic > walk.aic - 2
    assert reverting.change_sd_over(30).value == pytest.approx(walk.change_sd_over(30).value, rel=0.1)
    assert "held at 0" in reverting.notes[0]
    assert reverting.between_sd.lower is None


def test_checks_unrelated_but_for_the_patients_mean():
    """Truth: every check anew about the patient's mean.  The reversion is held at the fastest, and a note says so."""
    rng = np.random.default_rng(12)
    log_t = np.log(90) + rng.normal(0, 0.25, (25, 1)) + rng.normal(0, 0.08, (25, 3))
    fit = fit_drift(nearly_exact(log_t, TIMES[:3]), REVERTING)
    assert "as if each were new" in fit.notes[0]
    within = log_t - log_t.mean(axis=1, keepdims=True)
    # the variance of change is twice that within patients; closed form of one-way random effects
    assert fit.change_sd_over(60).value == pytest.approx(np.sqrt(2 * np.sum(within**2) / 50), rel=0.01)


def test_draws_carry_the_limits_and_repeat():
    fit = fit_drift(on_steps(log_thresholds(np.random.default_rng(9), 30), 5), WALK)
    law = fit.law(draws=400, seed=2)
    found = fit.change_sd_over(30)
    sds = np.sqrt(30 * law.rate)
    assert sds[0] == pytest.approx(found.value)
    assert np.quantile(sds[1:], [0.025, 0.975]) == pytest.approx([found.lower, found.upper], rel=0.02)
    np.testing.assert_array_equal(law.rate, fit.law(draws=400, seed=2).rate)
    assert fit.law(draws=0, seed=1).rate.size == 1


def test_laws_refuse_what_is_no_drift():
    one = np.ones(1)
    for rate, reversion, words in (
        (one, np.ones(2), "one rate"),
        (-one, one, "negative"),
        (one * np.nan, one, "finite"),
    ):
        with pytest.raises(ValueError, match=words):
            DriftLaw(rate, reversion, None, None, 0, "")


def test_change_by_elapsed_of_known_thresholds():
    """Mean squared change, and limits where the likelihood of a normal variance has fallen by 1.92."""
    log_t = log_thresholds(np.random.default_rng(10), 40)
    squares = np.square(log_t[:, 1:] - log_t[:, :1])
    found = change_by_elapsed(nearly_exact(log_t))
    assert [bin_.minutes for bin_ in found] == [None, 10, 20, 30, 45, 60, None]
    assert "Fewer than 5" in found[0].sd.reason
    assert found[0].percent.reason
    drop = stats.chi2.ppf(0.95, 1) / 2
    for bin_, column in zip(found[1:6], squares.T, strict=True):
        v = column.mean()
        low, high = (
            optimize.brentq(lambda w, v=v: 20 * (np.log(w / v) + v / w - 1) - drop, *bracket)
            for bracket in ((v / 9, v), (v, 9 * v))
        )
        np.testing.assert_allclose([bin_.sd.lower, bin_.sd.value, bin_.sd.upper], np.sqrt([low, v, high]), rtol=2e-3)
        assert bin_.percent.value == pytest.approx(percent_change(np.sqrt(v)), rel=2e-3)


def test_change_by_elapsed_on_coarse_steps_against_the_full_likelihood():
    """The full profile of the pairs (mean, spread and change together) by the quadrature of `rectangle`."""
    log_t = log_thresholds(np.random.default_rng(11), 60, (0.0, 30.0))
    checks = on_steps(log_t, 10, (0.0, 30.0))
    (found,) = change_by_elapsed(checks, (20.0, 40.0))
    low, high = (np.log(side.reshape(-1, 2)) for side in (checks.lower_ma, checks.upper_ma))

    def minus(x, log_sd):
        later = np.hypot(np.exp(x[1]), np.exp(log_sd))
        rho = np.full(60, np.exp(x[1]) / later)
        scale = np.array([np.exp(x[1]), later])
        a, b = (low - x[0]) / scale, (high - x[0]) / scale
        return -np.log(rectangle(a[:, 0], b[:, 0], a[:, 1], b[:, 1], rho)).sum()

    def profile(log_sd):
        return -optimize.minimize(minus, [4.5, -1.4], args=(log_sd,), method="Nelder-Mead").fun

    best = optimize.minimize_scalar(lambda x: -profile(x), bounds=(-4, -1), method="bounded")
    drop = stats.chi2.ppf(0.95, 1) / 2
    upper = optimize.brentq(lambda x: profile(x) + best.fun + drop, best.x, best.x + 1, xtol=1e-4)
    lower = optimize.brentq(lambda x: profile(x) + best.fun + drop, best.x - 1, best.x, xtol=1e-4)
    expected = np.exp([lower, best.x, upper])
    np.testing.assert_allclose([found.sd.lower, found.sd.value, found.sd.upper], expected, rtol=0.02)


def test_change_by_elapsed_without_change_and_refusals():
    log_t = np.repeat(np.log(np.linspace(62, 118, 12))[:, None], 3, axis=1)
    checks = on_steps(log_t, 10, TIMES[:3])
    one, two = change_by_elapsed(checks, (5, 15, 25))
    assert (one.sd.value, one.sd.lower, two.sd.value) == (0, 0, 0)
    assert 0.01 < one.sd.upper < 0.2
    with pytest.raises(UsageError, match="that rise"):
        change_by_elapsed(checks, (10, 5))
    with pytest.raises(NotEstimableError, match="at least 5 patients"):
        change_by_elapsed(on_steps(log_t[:3], 10, TIMES[:3]))


@pytest.mark.slow
@pytest.mark.parametrize(("n", "step", "studies"), [(60, 5, 150), (15, 5, 150), (60, 20, 100)])
def test_limits_hold_the_truth_in_95_of_100_studies(n, step, studies):
    """Known truth, SD 0.08 over 30 minutes: coverage within its binomial range, no bias beyond 3 %, margins alike."""
    held, margins_held, values = 0, 0, []
    margin = 100 * np.expm1(0.08 * stats.norm.isf(0.025))
    for i in range(studies):
        log_t = log_thresholds(np.random.default_rng([7, i]), n)
        fit = fit_drift(on_steps(log_t, step, top=160.0), WALK)
        found, needed = fit.change_sd_over(30), margin_needed(MaximumRise(fit.law(draws=200, seed=1)))
        margins_held += needed.lower < margin < needed.upper
        held += found.lower < 0.08 < found.upper
        values.append(found.value)
    assert stats.binom.cdf(held, studies, 0.95) > 0.005
    assert stats.binom.cdf(margins_held, studies, 0.95) > 0.005
    assert np.mean(values) == pytest.approx(0.08, rel=0.03)
