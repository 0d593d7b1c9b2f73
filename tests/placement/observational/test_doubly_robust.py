"""Doubly robust curves: statsmodels, closed forms, the jackknife, and simulation with one model wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import special, stats
from statsmodels.treatment.treatment_effects import TreatmentEffect

from capstat.placement.observational import doubly_robust_capture, fit_propensity
from capstat.placement.observational.augmented import augmented_contributions, prepare, shares_at
from capstat.placement.observational.outcome_model import arm_with, fit_outcome_model, increment, predict_capture
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

AP, AL = "anterior-posterior", "anterior-lateral"
NAMES = ("body_mass_index", "arrest")
LALONDE = ("age", "educ", "black", "hispan", "married", "nodegree", "re74", "re75")


def robust(thresholds, names=NAMES, currents=(80.0,), level=0.95):
    model = fit_propensity(thresholds, AP, AL, names)
    return doubly_robust_capture(model, currents_ma=currents, level=level)


def test_the_average_is_that_of_statsmodels(lalonde, lalonde_thresholds):
    """statsmodels TreatmentEffect.aipw: linear outcome models in each group, logistic score."""
    model = fit_propensity(lalonde_thresholds, "treated", "control", LALONDE)
    outcome, design, treated = lalonde["re78"].to_numpy(), model.design, model.is_first
    predicted = [sm.OLS(outcome[own], design[own]).fit().predict(design) for own in (treated, ~treated)]
    ours = [
        augmented_contributions(outcome, predicted[0], model.score, treated).mean(),
        augmented_contributions(outcome, predicted[1], 1 - model.score, ~treated).mean(),
    ]
    effect = TreatmentEffect(
        sm.OLS(outcome, design), treated.astype(int), results_select=sm.Logit(treated.astype(int), design).fit(disp=0)
    ).aipw(return_results=False)
    assert ours[0] - ours[1] == pytest.approx(effect[0], rel=1e-6)


def test_without_confounders_it_is_the_plain_difference(chosen):
    """Randomised, nothing to adjust for: difference of shares, and its standard error by the binomial formula."""
    thresholds = chosen(200, 1)
    result = robust(thresholds, ())
    first = thresholds.placement == AP
    shares = [(thresholds.upper_ma[own] <= 80).mean() for own in (first, ~first)]
    np.testing.assert_allclose([share.value for share in result.shares[0]], shares, rtol=1e-9)
    difference = result.differences[0]
    assert difference.value == pytest.approx(shares[0] - shares[1])
    error = np.sqrt(sum(p * (1 - p) / own.sum() for p, own in zip(shares, (first, ~first), strict=True)))
    multiplier = result.outcome.regression.multiplier(0.95)
    assert (difference.upper - difference.lower) / 2 == pytest.approx(multiplier * error * np.sqrt(200 / 199), rel=1e-6)
    assert result.risk_ratios[0].value == pytest.approx(shares[0] / shares[1])
    log_error = np.sqrt(sum((1 - p) / (p * own.sum()) for p, own in zip(shares, (first, ~first), strict=True)))
    width = np.log(result.risk_ratios[0].upper / result.risk_ratios[0].lower) / 2
    assert width == pytest.approx(multiplier * log_error * np.sqrt(200 / 199), rel=1e-6)


def stopped_early(thresholds):
    """Some ramps end at 70 mA without capture, so that at 80 mA the model of the threshold stands in."""
    early = (np.random.default_rng(2).random(len(thresholds)) < 0.2) & (thresholds.upper_ma > 70)
    return replace(
        thresholds, lower_ma=np.where(early, 70.0, thresholds.lower_ma),
        upper_ma=np.where(early, np.inf, thresholds.upper_ma),
    )  # fmt: skip


def test_how_the_average_moves_with_the_models(chosen):
    """Central differences in every parameter of either model, where some attempts are not settled at 80 mA."""
    thresholds = stopped_early(chosen(100, 3))
    thresholds = replace(
        thresholds, lower_ma=np.where(thresholds.upper_ma == 85, 60.0, thresholds.lower_ma)
    )  # some between bounds
    score = fit_propensity(thresholds, AP, AL, NAMES)
    model = fit_outcome_model(thresholds, AL, NAMES)
    base = prepare(score, model)
    own = replace(base, of_outcome=np.zeros_like(base.of_outcome), of_score=np.zeros_like(base.of_score))
    plain = shares_at(own, 80.0).influence

    def slope(field, j):
        matrix = np.zeros_like(getattr(base, field))
        matrix[0, j] = 1.0
        return (shares_at(replace(own, **{field: matrix}), 80.0).influence - plain)[:, 0]

    for j in range(model.regression.coefficients.size):
        sides = []
        for step in (1e-5, -1e-5):
            moved = model.regression.coefficients.copy()
            moved[j] += step
            shifted = replace(model, regression=replace(model.regression, coefficients=moved))
            sides.append(shares_at(prepare(score, shifted), 80.0).share)
        np.testing.assert_allclose(slope("of_outcome", j), (sides[0] - sides[1]) / 2e-5, rtol=1e-5, atol=1e-7)
    for j in range(score.coefficients.size):
        sides = []
        for step in (1e-5, -1e-5):
            moved = score.coefficients.copy()
            moved[j] += step
            shifted = replace(score, coefficients=moved, score=special.expit(score.design @ moved))
            sides.append(shares_at(prepare(shifted, model), 80.0).share)
        np.testing.assert_allclose(slope("of_score", j), (sides[0] - sides[1]) / 2e-5, rtol=1e-5, atol=1e-7)


def test_digits_in_both_tails(chosen):
    """scipy: log of the chance between two currents that hardly anybody, or nearly everybody, needs."""
    model = fit_outcome_model(chosen(100, 4), AL, ())
    arm, fit = arm_with(model, AL), model.regression
    for low, high in ((2.0, 3.0), (2000.0, 2100.0)):
        got = increment(*(predict_capture(model, arm, np.full(100, current)) for current in (low, high)))
        z = (np.log([low, high]) - fit.coefficients[0]) / np.exp(fit.log_sigma)
        tails = stats.norm.logcdf(z) if low < 10 else stats.norm.logsf(z)[::-1]
        exact = tails[1] + np.log1p(-np.exp(tails[0] - tails[1]))
        np.testing.assert_allclose(np.log(got), exact, rtol=1e-7)


def test_standard_error_as_by_the_jackknife(chosen):
    """Leaving out one patient at a time and refitting both models; patients have one or two attempts."""
    thresholds = stopped_early(chosen(120, 2))
    thresholds = replace(thresholds, patient=np.repeat(np.arange(80), [1, 2] * 40))
    result = robust(thresholds)
    assert result.settled[np.searchsorted(result.difference.x, 80.0)] < 0.95
    left_out = np.array([
        [point.share[0], point.share[1]]
        for point in (
            shares_at(prepare(score, fit_outcome_model(score.thresholds, AL, NAMES)), 80.0)
            for score in (
                fit_propensity(thresholds.subset(thresholds.patient != g), AP, AL, NAMES) for g in range(80)
            )
        )
    ])  # fmt: skip
    score = fit_propensity(thresholds, AP, AL, NAMES)
    influence = shares_at(prepare(score, fit_outcome_model(score.thresholds, AL, NAMES)), 80.0).influence
    jackknife = -(left_out - left_out.mean(axis=0)).T
    for ours, theirs in zip(
        (*influence, influence[0] - influence[1]), (*jackknife, jackknife[0] - jackknife[1]), strict=True
    ):
        assert np.corrcoef(ours, theirs)[0, 1] > 0.98
        assert np.sqrt((ours**2).sum()) == pytest.approx(np.sqrt((theirs**2).sum()), rel=0.12)


def test_expectation_within_an_interval():
    """scipy: chance that a lognormal threshold known to lie in (60, 100] is at or below 80 mA."""
    rng = np.random.default_rng(6)
    n = 60
    lower = rng.integers(8, 20, n) * 5.0
    upper = lower + 5
    lower[0], upper[0] = 60, 100
    lower[1], upper[1] = 70, np.inf
    thresholds = CensoredThresholds.from_bounds(lower, upper, placement=[AP, AL] * 30)
    score = fit_propensity(thresholds, AP, AL, ())
    model = fit_outcome_model(thresholds, AL, ())
    at = shares_at(prepare(score, model), 80.0).share
    fit = model.regression
    law = {
        side: stats.lognorm(np.exp(fit.log_sigma), scale=np.exp(fit.coefficients[0] + side * fit.coefficients[1]))
        for side in (0, 1)
    }
    known = (upper <= 80).astype(float)
    known[0] = (law[1].cdf(80) - law[1].cdf(60)) / (law[1].cdf(100) - law[1].cdf(60))
    known[1] = (law[0].cdf(80) - law[0].cdf(70)) / law[0].sf(70)
    np.testing.assert_allclose(at, [known[::2].mean(), known[1::2].mean()], rtol=1e-9)


def test_gradient_of_the_prediction(chosen):
    """Central differences, with a share never captured."""
    thresholds = chosen(150, 9)
    never = np.random.default_rng(1).random(150) < 0.2
    thresholds = replace(
        thresholds, lower_ma=np.where(never, 400.0, thresholds.lower_ma),
        upper_ma=np.where(never, np.inf, thresholds.upper_ma),
    )  # fmt: skip
    model = fit_outcome_model(thresholds, AL, NAMES)
    assert model.capturable_design is not None
    arm, fit = arm_with(model, AP), model.regression
    current = np.concatenate(([0.0, np.inf], np.linspace(30, 150, 148)))
    got = predict_capture(model, arm, current)
    assert (got.share[:2].tolist(), got.rest[:2].tolist()) == ([0, 1], [1, 0])
    np.testing.assert_allclose(got.share + got.rest, 1)
    blocks = [fit.coefficients, fit.ancillary, fit.capturable_coefficients]
    fields = ["coefficients", "ancillary", "capturable_coefficients"]
    column = 0
    for field, block in zip(fields, blocks, strict=True):
        for j in range(block.size):
            sides = []
            for step in (1e-5, -1e-5):
                moved = block.copy()
                moved[j] += step
                shifted = replace(model, regression=replace(fit, **{field: moved}))
                sides.append(predict_capture(shifted, arm, current).share)
            np.testing.assert_allclose(got.gradient[:, column], (sides[0] - sides[1]) / 2e-5, atol=1e-5 * 30)
            column += 1


@pytest.mark.parametrize(("bent", "bent_choice"), [(True, False), (False, True)], ids=["outcome", "score"])
def test_one_model_may_be_wrong(chosen, true_difference, bent, bent_choice):
    """Mean over 12 studies of 1,500; its own Monte Carlo error is about 0.008."""
    truth = true_difference(80.0, bent=bent)
    plain, ours = [], []
    for seed in range(12):
        thresholds = chosen(1500, seed, bent=bent, bent_choice=bent_choice)
        first, captured = thresholds.placement == AP, thresholds.upper_ma <= 80
        plain.append(captured[first].mean() - captured[~first].mean())
        ours.append(robust(thresholds).differences[0].value)
    assert abs(np.mean(plain) - truth) > 0.08
    assert np.mean(ours) == pytest.approx(truth, abs=0.025)


def test_both_may_not(chosen, true_difference):
    """Otherwise the test before would show nothing."""
    ours = [robust(chosen(1500, seed, bent=True, bent_choice=True)).differences[0].value for seed in range(3)]
    assert abs(np.mean(ours) - true_difference(80.0, bent=True)) > 0.08


def test_the_other_way_round(chosen):
    """Exchanging the placements changes the sign of the difference and inverts the ratio."""
    thresholds = chosen(200, 4)
    one = robust(thresholds)
    model = fit_propensity(thresholds, AL, AP, NAMES)
    two = doubly_robust_capture(model, currents_ma=(80.0,), level=0.95)
    assert two.differences[0].value == pytest.approx(-one.differences[0].value, abs=1e-7)
    assert two.differences[0].lower == pytest.approx(-one.differences[0].upper, abs=1e-6)
    assert two.risk_ratios[0].value == pytest.approx(1 / one.risk_ratios[0].value, rel=1e-6)
    np.testing.assert_allclose(one.curves[0].lower, two.curves[1].lower, atol=1e-6)


def test_a_record_entered_twice_is_no_news(chosen):
    """The same attempts twice in the same patients: same estimate, same limits."""
    thresholds = chosen(150, 5)
    twice = thresholds.subset(np.ones(150, dtype=bool))
    rows = np.repeat(np.arange(150), 2)
    twice = CensoredThresholds.from_bounds(
        thresholds.lower_ma[rows], thresholds.upper_ma[rows], thresholds.patient[rows], thresholds.placement[rows],
        covariates=thresholds.covariates.iloc[rows],
    )  # fmt: skip
    one, two = robust(thresholds).differences[0], robust(twice).differences[0]
    np.testing.assert_allclose([one.value, one.lower, one.upper], [two.value, two.lower, two.upper], atol=1e-7)
    assert one.n == two.n == 150


def test_curves_stay_shares(chosen):
    result = robust(chosen(120, 6))
    for curve in result.curves:
        assert ((curve.band_lower >= 0) & (curve.band_upper <= 1)).all()
        assert ((curve.band_lower <= curve.lower + 1e-12) & (curve.lower <= curve.band_upper + 1e-12)).all()
    gap = result.curves[0].lower - result.curves[1].lower
    np.testing.assert_allclose(result.difference.lower, gap)
    assert result.difference.x.size <= 60


def test_no_capture_at_all():
    n = 20
    thresholds = CensoredThresholds.from_bounds(
        [100] * n, [np.inf] * n, placement=[AP, AL] * 10, covariates=pd.DataFrame({"age": np.arange(n) // 2})
    )
    with pytest.raises(NotEstimableError, match="No attempt captured"):
        robust(thresholds, ("age",))


@pytest.mark.slow
@pytest.mark.parametrize(("bent", "bent_choice"), [(False, False), (True, False), (False, True)])
def test_coverage(chosen, true_difference, bent, bent_choice):
    """200 studies of 500 patients: nominal 95 %, binomial limits 0.90 to 0.985."""
    truth = true_difference(80.0, bent=bent)
    held = 0
    for seed in range(200):
        found = robust(chosen(500, 1000 + seed, bent=bent, bent_choice=bent_choice)).differences[0]
        held += found.lower <= truth <= found.upper
    assert 0.90 <= held / 200 <= 0.985
