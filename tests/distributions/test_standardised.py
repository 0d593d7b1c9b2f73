"""Standardised capture curves against logistic regression, Welch's standard error, resampling and a known truth."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import special, stats
from scipy.optimize import brentq

from capstat.distributions import LOGLOGISTIC, LOGNORMAL, WEIBULL, fit_parametric, fit_regression
from capstat.distributions.covariate_model import fit_covariate_model
from capstat.distributions.covariates import Covariates
from capstat.distributions.standardised import standardised_curves, standardised_difference
from capstat.results import UsageError
from capstat.thresholds import CensoredThresholds

CURRENTS = np.array([40.0, 60.0, 80.0, 100.0, 130.0])


def test_logistic_regression():
    """One shock per attempt: the log-logistic model is a logistic regression on log current.

    statsmodels Logit gives predictions, scores and information; the stacked influences are written out from them.
    """
    rng = np.random.default_rng(21)
    patient = np.repeat(np.arange(250), rng.integers(1, 4, 250))
    n = patient.size
    size = rng.normal(0, 1, 250)[patient].round(1)
    second = rng.random(n) < special.expit(0.6 * size)
    current = rng.choice([40.0, 60.0, 80.0, 100.0], n)
    captured = rng.random(n) < special.expit((np.log(current) - 4.2 - 0.15 * size - 0.2 * second) / 0.25)
    thresholds = CensoredThresholds.from_bounds(
        np.where(captured, 0, current), np.where(captured, current, np.inf), patient=patient,
        covariates=pd.DataFrame({"size": size, "second": second}),
    )  # fmt: skip
    model = fit_covariate_model(thresholds, Covariates(("second", "size")), family=LOGLOGISTIC)
    exog = np.column_stack((np.log(current), np.ones(n), second, size))
    logit = sm.Logit(captured.astype(float), exog)
    fit = logit.fit(disp=0, method="newton", tol=1e-12)
    scores = np.zeros((250, 4))
    np.add.at(scores, patient, logit.score_obs(fit.params))
    of_parameters = scores @ np.linalg.inv(-logit.hessian(fit.params))
    attempts = np.bincount(patient)
    means, influences = [], []
    for value in (1.0, 0.0):
        set_to = np.column_stack((np.full(n, np.log(70)), np.ones(n), np.full(n, value), size))
        p = fit.predict(set_to)
        own = np.bincount(patient, weights=p) / attempts
        slope = (p * (1 - p) / attempts[patient] / 250) @ set_to
        means.append(own.mean())
        influences.append((own - own.mean()) / 250 + of_parameters @ slope)
    error = np.sqrt(np.sum((influences[0] - influences[1]) ** 2) * 250 / 249)
    got = standardised_difference(model, "second", (True, False), 70)
    assert got.value == pytest.approx(means[0] - means[1], abs=1e-7)
    assert got.upper - got.value == pytest.approx(model.regression.multiplier(0.95) * error, rel=1e-5)
    assert got.direction == "second True minus second False"
    curves = standardised_curves(model, "second", (True, False), [70])
    for curve, mean, influence in zip(curves.curves, means, influences, strict=True):
        assert curve.lower[0] == pytest.approx(mean, abs=1e-7)
        error = np.sqrt(np.sum(influence**2) * 250 / 249) / stats.norm.pdf(stats.norm.ppf(mean))
        reach = stats.norm.ppf(curve.band_upper[0]) - stats.norm.ppf(mean)
        assert reach == pytest.approx(model.regression.multiplier(0.95) * error, rel=1e-5)


def two_groups(seed: int = 8) -> tuple[CensoredThresholds, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    first, second = np.exp(rng.normal(4.2, 0.2, 30)), np.exp(rng.normal(4.4, 0.3, 45))
    exact = np.r_[first, second]
    return CensoredThresholds.from_bounds(exact, exact, placement=["AP"] * 30 + ["AL"] * 45), first, second


def test_randomised_groups_without_other_covariates():
    """Location is saturated: each standardised median is its group's geometric mean, and the error of their log ratio
    is Welch's, with each group's maximum-likelihood variance (scipy.stats.ttest_ind, unequal variances)."""
    thresholds, first, second = two_groups()
    model = fit_covariate_model(thresholds, Covariates(("placement",)), family=LOGNORMAL)
    result = standardised_curves(model, "placement", ("AP", "AL"), CURRENTS)
    assert result.medians[0].value == pytest.approx(stats.gmean(first), rel=1e-9)
    assert result.medians[1].value == pytest.approx(stats.gmean(second), rel=1e-9)
    scaled = [
        np.log(group).mean() + np.sqrt((group.size - 1) / group.size) * (np.log(group) - np.log(group).mean())
        for group in (first, second)
    ]
    welch = stats.ttest_ind(*scaled, equal_var=False)
    error = (scaled[0].mean() - scaled[1].mean()) / welch.statistic * np.sqrt(75 / 74)
    half = np.log(result.median_ratio.upper / result.median_ratio.value)
    assert half == pytest.approx(model.regression.multiplier(0.95) * error, rel=1e-6)
    # the curve itself is the lognormal with the group's mean and the pooled spread
    sigma = np.sqrt((first.size * np.log(first).var() + second.size * np.log(second).var()) / 75)
    np.testing.assert_allclose(
        result.curves[0].lower, stats.norm.cdf(np.log(CURRENTS), np.log(first).mean(), sigma), rtol=1e-6
    )


def test_a_covariate_without_effect_leaves_the_plain_curve(on_grid):
    """Two identical groups: each curve is the plain parametric curve; at the median, where the spread does not enter,
    the sandwich of one group is close to the observed information of the plain fit to it."""
    true_ma = np.exp(np.random.default_rng(3).normal(4.3, 0.25, 200))
    one = on_grid(true_ma, 30, 5, 140)
    both = on_grid(np.tile(true_ma, 2), 30, 5, 140, covariates=pd.DataFrame({"copy": np.repeat([True, False], 200)}))
    model = fit_covariate_model(both, Covariates(("copy",)), family=LOGNORMAL)
    result = standardised_curves(model, "copy", (True, False), CURRENTS)
    plain = fit_parametric(one, family=LOGNORMAL)
    np.testing.assert_allclose(result.curves[0].lower, plain.capture_curve(CURRENTS).lower, rtol=1e-6)
    np.testing.assert_allclose(result.difference.lower, 0, atol=1e-9)
    median = plain.capture_current(0.5)
    got = result.medians[0]
    assert got.value == pytest.approx(median.value, rel=1e-6)
    assert np.log(got.upper / got.lower) == pytest.approx(np.log(median.upper / median.lower), rel=0.05)


def confounded(n: int, seed: int) -> CensoredThresholds:
    """Larger patients need more current and get AP more often; AP lowers the threshold by exp(-0.15).

    True BMI N(28, 5); log threshold 4.2 + 0.03 (BMI - 28) - 0.15 AP + N(0, 0.2), on a 5 mA grid.
    """
    rng = np.random.default_rng(seed)
    bmi = rng.normal(28, 5, n)
    ap = rng.random(n) < special.expit(0.3 * (bmi - 28))
    true_ma = np.exp(4.2 + 0.03 * (bmi - 28) - 0.15 * ap + 0.2 * rng.normal(size=n))
    upper = 5 * np.ceil(true_ma / 5)
    return CensoredThresholds.from_bounds(
        np.where(upper > 140, 140, upper - 5), np.where(upper > 140, np.inf, upper),
        placement=np.where(ap, "AP", "AL"), covariates=pd.DataFrame({"bmi": bmi}),
    )  # fmt: skip


def test_confounding_is_removed():
    """The truth in closed form: BMI is normal, so the marginal log threshold is."""
    thresholds = confounded(4000, 12)
    spread = np.hypot(0.2, 0.03 * 5)
    reference = (("placement", "AL"),)
    adjusted = fit_covariate_model(thresholds, Covariates(("placement", "bmi"), reference=reference), family=LOGNORMAL)
    crude = fit_covariate_model(thresholds, Covariates(("placement",)), family=LOGNORMAL)
    for current in (55.0, 70.0, 90.0):
        ap, al = (stats.norm.cdf(np.log(current), 4.2 + shift, spread) for shift in (-0.15, 0.0))
        got = standardised_difference(adjusted, "placement", ("AP", "AL"), current, level=0.999)
        assert got.lower < ap - al < got.upper
        wrong = standardised_difference(crude, "placement", ("AP", "AL"), current, level=0.999)
        assert not wrong.lower < ap - al < wrong.upper
    result = standardised_curves(adjusted, "placement", ("AP", "AL"), CURRENTS, level=0.999)
    truth = stats.norm.cdf(np.log(CURRENTS), 4.2 - 0.15, spread)
    assert np.all((result.curves[0].band_lower < truth) & (truth < result.curves[0].band_upper))
    assert result.medians[0].lower < np.exp(4.05) < result.medians[0].upper
    # one shift of log current for everybody: the marginal ratio is the conditional one
    ratio = adjusted.regression.ratio("placement: AP")
    np.testing.assert_allclose(result.median_ratio.value, ratio.value, rtol=1e-9)


def median_of(curve) -> float:
    """Log of the current at which a curve in log current reaches one half."""
    return brentq(lambda log_ma: curve(log_ma) - 0.5, 2.0, 8.0, xtol=1e-12)


def test_standard_error_agrees_with_the_bootstrap(on_grid):
    """120 patients with one or two attempts, 200 replicates: the bootstrap error has Monte Carlo error 5 %."""
    rng = np.random.default_rng(5)
    patient = np.repeat(np.arange(120), rng.integers(1, 3, 120))
    bmi = rng.normal(28, 5, 120)[patient]
    ap = rng.random(patient.size) < special.expit(0.2 * (bmi - 28))
    log_ma = (
        4.2
        + 0.03 * (bmi - 28)
        - 0.15 * ap
        + 0.15 * rng.normal(size=120)[patient]
        + 0.15 * rng.normal(size=patient.size)
    )
    thresholds = on_grid(
        np.exp(log_ma), 30, 5, 140, patient=patient, placement=np.where(ap, "AP", "AL"),
        covariates=pd.DataFrame({"bmi": bmi}),
    )  # fmt: skip
    model = fit_covariate_model(thresholds, Covariates(("placement", "bmi")), family=LOGNORMAL)
    result = standardised_curves(model, "placement", ("AP", "AL"), [70.0])
    design = np.column_stack((np.ones(patient.size), ap, bmi))

    def estimates(drawn):
        """The same by fit_regression and scipy; a patient drawn twice is two patients."""
        rows = [np.flatnonzero(patient == code) for code in drawn]
        take, within = np.concatenate(rows), np.concatenate([np.full(len(r), 1 / len(r)) for r in rows]) / drawn.size
        drawn_study = CensoredThresholds.from_bounds(thresholds.lower_ma[take], thresholds.upper_ma[take])
        b = fit_regression(drawn_study, design[take], ("1", "ap", "bmi"), family=LOGNORMAL)

        def curve(log_ma, value):
            centre = b.coefficients[0] + b.coefficients[1] * value + b.coefficients[2] * bmi[take]
            return within @ stats.norm.cdf(log_ma, centre, np.exp(b.log_sigma))

        first, second = curve(np.log(70), 1), curve(np.log(70), 0)
        return first - second, stats.norm.ppf(first), median_of(partial(curve, value=0))

    got = result.difference.lower[0], stats.norm.ppf(result.curves[0].lower[0]), np.log(result.medians[1].value)
    np.testing.assert_allclose(estimates(np.arange(120)), got, rtol=1e-6)
    replicates = np.array([estimates(rng.integers(0, 120, 120)) for _ in range(200)])
    reach = 2 * model.regression.multiplier(0.95)
    errors = np.array([
        result.difference.band_upper[0] - result.difference.band_lower[0],
        np.diff(stats.norm.ppf([result.curves[0].band_lower[0], result.curves[0].band_upper[0]]))[0],
        np.log(result.medians[1].upper / result.medians[1].lower),
    ]) / reach  # fmt: skip
    np.testing.assert_allclose(replicates.std(axis=0, ddof=1), errors, rtol=3 * 0.05)


def test_mixture_against_the_jackknife(on_grid):
    """A share never captured, with covariates on both parts: leaving out each patient in turn (Tukey's jackknife)."""
    rng = np.random.default_rng(14)
    n = 90
    table = pd.DataFrame({"arrest": rng.random(n) < 0.5, "bmi": rng.normal(28, 5, n).round()})
    never = rng.random(n) < special.expit(-2 + 1.2 * table["arrest"])
    true_ma = np.where(
        never, 1e6, np.exp(4.1 + 0.02 * (table["bmi"] - 28) + 0.1 * table["arrest"] + 0.2 * rng.normal(size=n))
    )
    thresholds = on_grid(true_ma, 30, 5, 160, covariates=table)

    model = fit_covariate_model(
        thresholds, Covariates(("arrest", "bmi")), family=LOGNORMAL, never_captured=Covariates(("arrest",))
    )
    result = standardised_curves(model, "arrest", ("yes", "no"), [70.0, 150.0])
    arrest, bmi = table["arrest"].to_numpy(dtype=float), table["bmi"].to_numpy()
    design = np.column_stack((np.ones(n), arrest, bmi))

    def estimates(keep):
        """The same by fit_regression and scipy."""
        q = fit_regression(
            thresholds.subset(keep), design[keep], ("1", "arrest", "bmi"), family=LOGNORMAL,
            capturable=design[keep, :2], capturable_names=("1", "arrest"),
        ).parameters  # fmt: skip

        def curve(log_ma, value):
            centre = q[0] + q[1] * value + q[2] * bmi[keep]
            return special.expit(q[4] + q[5] * value) * stats.norm.cdf(log_ma, centre, np.exp(q[3])).mean()

        differences = [curve(np.log(at), 1) - curve(np.log(at), 0) for at in (70.0, 150.0)]
        return [*differences, median_of(partial(curve, value=1)) - median_of(partial(curve, value=0))]

    np.testing.assert_allclose(
        estimates(np.ones(n, dtype=bool)), [*result.difference.lower, np.log(result.median_ratio.value)], rtol=1e-8
    )
    replicates = np.array([estimates(np.arange(n) != left_out) for left_out in range(n)])
    jackknife = np.sqrt((n - 1) / n * ((replicates - replicates.mean(axis=0)) ** 2).sum(axis=0))
    whole = [
        *(result.difference.band_upper - result.difference.band_lower),
        np.log(result.median_ratio.upper / result.median_ratio.lower),
    ]
    np.testing.assert_allclose(np.array(whole) / (2 * model.regression.multiplier(0.95)), jackknife, rtol=0.06)


def test_fewer_than_half_captured_has_no_median(on_grid):
    rng = np.random.default_rng(2)
    table = pd.DataFrame({"arrest": np.repeat([True, False], 150)})
    never = rng.random(300) < np.where(table["arrest"], 0.7, 0.1)
    thresholds = on_grid(np.where(never, 1e6, np.exp(4.1 + 0.2 * rng.normal(size=300))), 30, 5, 160, covariates=table)
    model = fit_covariate_model(thresholds, Covariates(()), family=WEIBULL, never_captured=Covariates(("arrest",)))
    result = standardised_curves(model, "arrest", (True, False), CURRENTS)
    assert result.medians[0].value is None
    assert "no more than 50 %" in result.medians[0].reason
    assert result.medians[1].value is not None
    assert result.median_ratio.value is None
    assert np.all(result.difference.lower <= 0)


def test_curves_far_outside_the_data():
    thresholds, *_ = two_groups()
    model = fit_covariate_model(thresholds, Covariates(("placement",)), family=WEIBULL)
    result = standardised_curves(model, "placement", ("AP", "AL"), [1e-6, 1.0, 1000.0, 1e7])
    for curve in (*result.curves, result.difference):
        assert np.isfinite(curve.lower).all()
        assert np.all((curve.band_lower <= curve.lower) & (curve.lower <= curve.band_upper))


@pytest.mark.parametrize(
    ("variable", "values", "current", "words"),
    [
        ("bmi", (30, 25), 70, "no covariate 'bmi'"),
        ("placement", ("AP", "back"), 70, "no level 'back' in this model; it has: AL, AP"),
        ("placement", ("AP", "AP"), 70, "Two different values of placement"),
        ("placement", ("AP", "AL"), 0, "above 0 mA"),
    ],
)
def test_errors_are_one_sentence(variable, values, current, words):
    thresholds, *_ = two_groups()
    model = fit_covariate_model(thresholds, Covariates(("placement",)), family=LOGNORMAL)
    for call in (standardised_curves, standardised_difference):
        with pytest.raises(UsageError, match=words) as caught:
            call(model, variable, values, current)
        assert str(caught.value).endswith(".")
