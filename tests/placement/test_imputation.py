"""Imputed covariates: against closed forms, numerical integration, statsmodels' MICE and simulations."""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.imputation import mice

from capstat.distributions.covariates import covariate_table
from capstat.distributions.families import LOGNORMAL
from capstat.distributions.regression import fit_regression
from capstat.placement.imputation import _pooled, imputed_ratio
from capstat.placement.imputation_draws import Draws, cycles_needed, incomplete_covariates
from capstat.placement.unpaired import unpaired_ratio
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import CensoredThresholds

SLOPE, SIGMA, LOG_RATIO = 0.02, 0.25, -0.2


def patients(on_grid, *, n=400, seed=1, missing="at random", exact=False, **others):
    """Body mass index lognormal, higher with A; log ratio -0.2 at the same body mass index.  With its whole self."""
    rng = np.random.default_rng(seed)
    is_a = rng.random(n) < 0.5
    bmi = np.exp(np.log(28) + 0.1 * is_a + rng.normal(0, 0.2, n))
    true = np.exp(np.log(85) + LOG_RATIO * is_a + SLOPE * (bmi - 28) + rng.normal(0, SIGMA, n))
    share = np.where(true > 85, np.where(is_a, 0.8, 0.3), 0.1) if missing == "by outcome" else np.full(n, 0.3)
    absent = rng.random(n) < share
    names = np.where(is_a, "A", "B")
    found = []
    for values in (np.where(absent, np.nan, bmi), bmi):
        frame = pd.DataFrame({"body_mass_index": values, **{k: v(rng, n) for k, v in others.items()}})
        found.append(
            CensoredThresholds.from_bounds(true, true, placement=names, covariates=frame)
            if exact
            else on_grid(true, 40, 5, 140, placement=names, covariates=frame)
        )
    return found


def width(estimate):
    return np.log(estimate.upper / estimate.lower)


BMI = ["body_mass_index"]


def test_missing_at_random_agrees_with_complete_cases_and_is_surer(on_grid):
    thresholds, _ = patients(on_grid)
    found = imputed_ratio(thresholds, "A", "B", adjust_for=BMI, imputations=8, seed=1)
    assert found.ratio.value == pytest.approx(found.complete_case.value, rel=0.03)
    assert width(found.ratio) < width(found.complete_case)
    absent = int(thresholds.covariates["body_mass_index"].isna().sum())
    assert found.missing == (("body_mass_index", absent),)
    assert (found.n_complete, found.n_used, found.n_total) == (400 - absent, 400, 400)
    assert 0 < found.missing_information < 0.3
    assert found.ratio.n == 400


@pytest.mark.slow
def test_complete_cases_are_biased_where_imputation_is_not(on_grid):
    """Missing by outcome and placement, four studies of 1,500: truth -0.2, and what the whole data would have given."""
    imputed, complete, whole = [], [], []
    for seed in range(4):
        thresholds, everything = patients(on_grid, n=1500, seed=seed, missing="by outcome")
        found = imputed_ratio(thresholds, "A", "B", adjust_for=BMI, imputations=8, seed=seed)
        imputed.append(np.log(found.ratio.value))
        complete.append(np.log(found.complete_case.value))
        whole.append(np.log(unpaired_ratio(everything, "A", "B", adjust_for=BMI).ratio.value))
        assert found.ratio.lower < np.exp(LOG_RATIO) < found.ratio.upper
    error = 0.015 / 2  # of a mean of four; of its difference from the whole data 0.006 / 2, both measured on 30 others
    assert abs(np.mean(imputed) - LOG_RATIO) < 3 * error
    assert abs(np.mean(imputed) - np.mean(whole)) < 4 * 0.006 / 2
    assert np.mean(complete) < LOG_RATIO - 4 * error


def not_captured_with_b(on_grid, seed, n=300):
    """Body mass index missing in 90 % of those without capture with B, else in 10 %; log ratio -0.2."""
    rng = np.random.default_rng(seed)
    is_a = rng.random(n) < 0.5
    bmi = np.exp(np.log(28) + 0.1 * is_a + rng.normal(0, 0.2, n))
    true = np.exp(np.log(105) + LOG_RATIO * is_a + 0.03 * (bmi - 28) + rng.normal(0, SIGMA, n))
    absent = rng.random(n) < np.where((true > 140) & ~is_a, 0.9, 0.1)
    frame = pd.DataFrame({"body_mass_index": np.where(absent, np.nan, bmi)})
    return on_grid(true, 40, 5, 140, placement=np.where(is_a, "A", "B"), covariates=frame)


def log_ratios(thresholds, seed, imputations):
    """Estimate and limits with imputation (by the parts of ``imputed_ratio``, without tipping), then complete cases."""
    draws = draws_of(thresholds, seed)
    is_a = draws.is_first == 1
    pooled = _pooled(draws, draws.completed(imputations, cycles_needed(draws.incomplete, (is_a, ~is_a))))
    complete = thresholds.subset(~draws.incomplete[0].missing)
    bmi = complete.covariates["body_mass_index"].to_numpy() - 28
    design = np.column_stack((np.ones(len(complete)), complete.placement == "A", bmi))
    ratio = fit_regression(complete, design, ("1", "A", "bmi"), family=LOGNORMAL).ratio("A")
    return (pooled.estimate, *pooled.interval(0.95)), tuple(np.log([ratio.value, ratio.lower, ratio.upper]))


def bias_and_coverage(found):
    values, low, high = np.array(found).T
    return values.mean() - LOG_RATIO, ((low < LOG_RATIO) & (high > LOG_RATIO)).mean()


def test_missing_where_capture_failed_with_one_placement(on_grid):
    """20 studies; in 100 others the bias was -0.002 beside 0.065 of complete cases, the error of one study 0.035."""
    found = [log_ratios(not_captured_with_b(on_grid, seed, n=250), seed, 3) for seed in range(500, 520)]
    (bias, coverage), (complete_bias, complete_coverage) = map(bias_and_coverage, zip(*found, strict=True))
    assert abs(bias) < 4 * 0.04 / np.sqrt(20)
    assert complete_bias > 0.04
    assert coverage >= 0.8
    assert complete_coverage < 0.8


@pytest.mark.slow
def test_missing_where_capture_failed_with_one_placement_many(on_grid):
    """300 studies of 300: bias within 0.01, coverage within four binomial errors of 95 %, better than complete cases."""
    found = [log_ratios(not_captured_with_b(on_grid, seed), seed, 5) for seed in range(300)]
    (bias, coverage), (complete_bias, complete_coverage) = map(bias_and_coverage, zip(*found, strict=True))
    print(f"imputed: bias {bias:.4f}, coverage {coverage:.3f}; "  # noqa: T201
          f"complete cases: {complete_bias:.4f}, {complete_coverage:.3f}")  # fmt: skip
    assert abs(bias) < 0.01
    assert complete_bias > 0.05
    assert 0.90 <= coverage <= 0.995
    assert complete_coverage < 0.7


def test_missing_completely_at_random_narrows_intervals_on_average(on_grid):
    imputed, complete = zip(
        *(log_ratios(patients(on_grid, n=200, seed=seed)[0], seed, 5) for seed in range(8)), strict=True
    )
    widths = [np.mean([high - low for _, low, high in found]) for found in (imputed, complete)]
    assert widths[0] < widths[1]
    assert np.mean([a[0] - b[0] for a, b in zip(imputed, complete, strict=True)]) == pytest.approx(0, abs=0.03)


def test_most_missing_with_one_placement_is_not_drawn_towards_the_other(on_grid):
    """At random in 85 % of A, whose body mass index is a standard deviation higher: chains must forget their start."""
    errors = []
    for seed in range(3):
        rng = np.random.default_rng(seed)
        n = 800
        is_a = rng.random(n) < 0.5
        log_bmi = np.log(28) + 0.2 * is_a + rng.normal(0, 0.2, n)
        true = np.exp(np.log(85) + LOG_RATIO * is_a + SLOPE * (np.exp(log_bmi) - 28) + rng.normal(0, SIGMA, n))
        absent = is_a & (rng.random(n) < 0.85)
        frame = pd.DataFrame({"body_mass_index": np.where(absent, np.nan, np.exp(log_bmi))})
        draws = draws_of(on_grid(true, 40, 5, 140, placement=np.where(is_a, "A", "B"), covariates=frame), seed)
        cycles = cycles_needed(draws.incomplete, (is_a, ~is_a))
        assert cycles == int(np.ceil(np.log(0.02) / np.log(absent[is_a].mean()))) > 10
        drawn = [np.log(one.filled["body_mass_index"])[absent].mean() for one in draws.completed(4, cycles)]
        errors.append(np.mean(drawn) - log_bmi[absent].mean())
    # of each: the mean of about 60 recorded values, 0.2 / sqrt(60)
    assert abs(np.mean(errors)) < 3 * 0.2 / np.sqrt(60 * 3)


def test_scale_of_the_threshold_is_drawn_about_its_estimate():
    """Uncensored: least squares in closed form; the logarithm of the scale has standard error 1/sqrt(2n)."""
    rng = np.random.default_rng(1)
    n = 200
    x = rng.normal(0, 1, n)
    y = 4.4 + 0.1 * x + rng.normal(0, 0.3, n)
    placement = np.where(np.arange(n) % 2 == 0, "A", "B")
    frame = pd.DataFrame({"x": np.where(np.arange(n) < 5, np.nan, x)})
    thresholds = CensoredThresholds.from_bounds(np.exp(y), np.exp(y), placement=placement, covariates=frame)
    draws = draws_of(thresholds, 1, ["x"])
    ols = sm.OLS(y, np.column_stack((np.ones(n), placement == "A", x)).astype(float)).fit()
    found = [draws._outcome_draw({"x": x}) for _ in range(400)]
    log_scale = np.log([sigma for _, sigma in found])
    error = 1 / np.sqrt(2 * n)
    assert log_scale.mean() == pytest.approx(np.log(np.sqrt(ols.ssr / n)), abs=4 * error / np.sqrt(400))
    assert log_scale.std() == pytest.approx(error, rel=0.15)
    slope = np.array([coefficients[2] for coefficients, _ in found])
    assert slope.mean() == pytest.approx(ols.params[2], abs=4 * ols.bse[2] / np.sqrt(400))
    assert slope.std() == pytest.approx(ols.bse[2], rel=0.15)


def test_narrow_intervals_and_a_covariate_that_decides_the_threshold():
    """Intervals of 1 mA, 95 % of the variance explained: closed form, also where the threshold is outlying."""
    rng = np.random.default_rng(6)
    n, slope, sigma = 8000, 0.24, 0.055
    is_a = rng.random(n) < 0.5
    x = rng.normal(0, 1, n)
    log_t = 4.4 - 0.2 * is_a + slope * x + rng.normal(0, sigma, n)
    upper = np.ceil(np.exp(log_t))
    frame = pd.DataFrame({"x": np.where(rng.random(n) < 0.4, np.nan, x)})
    thresholds = CensoredThresholds.from_bounds(upper - 1, upper, placement=np.where(is_a, "A", "B"), covariates=frame)
    (one,) = draws_of(thresholds, 1, ["x"]).completed(1, 10)
    precision = 1 + slope**2 / sigma**2
    marginal = (log_t - 4.4 + 0.2 * is_a) / np.hypot(slope, sigma)
    mean = slope * (log_t - 4.4 + 0.2 * is_a) / sigma**2 / precision
    absent = frame["x"].isna().to_numpy()
    z = (one.filled["x"] - mean) * np.sqrt(precision)
    far = absent & (np.abs(marginal) > 2)
    # drawn parameters move everybody's together, by a little
    assert z[absent].std() == pytest.approx(1, abs=0.08)
    assert (z * np.sign(marginal))[far].mean() == pytest.approx(0, abs=4 / np.sqrt(far.sum()))
    assert z[far].std() == pytest.approx(1, abs=0.2)


@pytest.mark.parametrize("kind", ["decided by a number", "never below", "with one placement only"])
def test_a_number_or_placement_that_separates_yes_from_no(on_grid, kind):
    """The data allow no finite logistic regression: no warning, and hardly a yes where there is none."""
    rng = np.random.default_rng(2)
    n = 300
    is_a = rng.random(n) < 0.5
    bmi = rng.normal(28, 5, n)
    half = rng.random(n) < 0.5
    yes = {"decided by a number": bmi > 28, "never below": (bmi > 28) & half, "with one placement only": is_a & half}
    true = np.exp(np.log(85) + LOG_RATIO * is_a + rng.normal(0, SIGMA, n))
    absent = rng.random(n) < 0.3
    values = pd.Series(np.where(yes[kind], "yes", "no"), dtype=object).where(~absent, None)
    frame = pd.DataFrame({"conscious": values, "body_mass_index": bmi})
    thresholds = on_grid(true, 40, 5, 140, placement=np.where(is_a, "A", "B"), covariates=frame)
    never = absent & (~is_a if kind == "with one placement only" else bmi < 28 - 2.5)
    sets = draws_of(thresholds, 3, list(frame)).completed(8, 10)
    assert np.mean([one.filled["conscious"][never] for one in sets]) < 0.08
    above = is_a if kind == "with one placement only" else bmi > 28 + 2.5
    drawn = np.mean([one.filled["conscious"][absent & above] for one in sets])
    # a logistic line is no step, hence the wide margin
    assert drawn == pytest.approx(yes[kind][~absent & above].mean(), abs=0.25)
    found = imputed_ratio(thresholds, "A", "B", adjust_for=list(frame), imputations=3, seed=1)
    assert found.ratio.lower < np.exp(LOG_RATIO) < found.ratio.upper


def draws_of(thresholds, seed, names=BMI):
    keep, incomplete = incomplete_covariates(covariate_table(thresholds), names)
    assert keep.all()
    is_first = (thresholds.placement == "A").astype(float)
    return Draws(thresholds, is_first, incomplete, np.random.default_rng(seed))


def test_draws_are_the_conditional_normal_of_uncensored_normal_data():
    """X and log T normal: X given T and placement is normal in closed form."""
    rng = np.random.default_rng(3)
    n, tau, slope, sigma = 4000, 1.0, 0.3, 0.3
    is_a = rng.random(n) < 0.5
    x = 0.5 * is_a + rng.normal(0, tau, n)
    log_t = 4.4 - 0.2 * is_a + slope * x + rng.normal(0, sigma, n)
    absent = rng.random(n) < np.where(log_t > 4.4, 0.5, 0.1)
    thresholds = CensoredThresholds.from_bounds(
        np.exp(log_t),
        np.exp(log_t),
        placement=np.where(is_a, "A", "B"),
        covariates=pd.DataFrame({"x": np.where(absent, np.nan, x)}),
    )
    (one,) = draws_of(thresholds, 1, ["x"]).completed(1, 10)
    precision = 1 / tau**2 + slope**2 / sigma**2
    mean = (0.5 * is_a / tau**2 + slope * (log_t - 4.4 + 0.2 * is_a) / sigma**2) / precision
    z = (one.filled["x"] - mean)[absent] * np.sqrt(precision)
    # the parameters are drawn, not known: a little more spread than the standard normal
    assert abs(z.mean()) < 0.12
    assert z.std() == pytest.approx(1, abs=0.06)
    assert stats.kstest((z - z.mean()) / z.std(), "norm").pvalue > 0.01
    assert (one.filled["x"][~absent] == x[~absent]).all()


def test_draws_follow_the_interval(on_grid):
    """Given an interval, by numerical integration at the true parameters: probability transforms are uniform."""
    thresholds, _ = patients(on_grid, n=3000, seed=5, missing="by outcome")
    absent = thresholds.covariates["body_mass_index"].isna().to_numpy()
    (one,) = draws_of(thresholds, 2).completed(1, 10)
    is_a = thresholds.placement == "A"
    log_x = np.linspace(np.log(28) - 1.4, np.log(28) + 1.5, 3000)
    x = np.exp(log_x)
    transforms = []
    for i in np.flatnonzero(absent):
        prior = stats.norm.pdf(log_x, np.log(28) + 0.1 * is_a[i], 0.2)
        centre = np.log(85) + LOG_RATIO * is_a[i] + SLOPE * (x - 28)
        with np.errstate(divide="ignore"):
            low, high = np.log(thresholds.lower_ma[i]), np.log(thresholds.upper_ma[i])
        density = prior * (stats.norm.cdf(high, centre, SIGMA) - stats.norm.cdf(low, centre, SIGMA))
        cumulative = np.cumsum(density)
        transforms.append(np.interp(np.log(one.filled["body_mass_index"][i]), log_x, cumulative / cumulative[-1]))
    transforms = np.array(transforms)
    error = 1 / np.sqrt(12 * transforms.size)
    assert abs(transforms.mean() - 0.5) < 4 * error
    assert transforms.std() == pytest.approx(np.sqrt(1 / 12), rel=0.05)
    # not the marginal distribution: ignoring the outcome, the same values would be far off
    ignoring = stats.norm.cdf(np.log(one.filled["body_mass_index"][absent]), np.log(28) + 0.1 * is_a[absent], 0.2)
    assert abs(ignoring.mean() - 0.5) > 6 * error


def test_statsmodels_mice_agrees_on_uncensored_data(on_grid, monkeypatch):
    """Predictive mean matching with the outcome among the predictors (statsmodels), missing by outcome.

    Over seeds the two stay about 0.4 standard errors apart in this study: matching cannot go beyond recorded values.
    """
    thresholds, _ = patients(on_grid, n=500, seed=7, missing="by outcome", exact=True)
    log_bmi = np.log(thresholds.covariates["body_mass_index"])
    table = pd.DataFrame(
        {"y": np.log(thresholds.lower_ma), "a": (thresholds.placement == "A").astype(float), "x": log_bmi}
    )
    state = np.random.RandomState(1)
    for name in ("normal", "uniform", "randint", "permutation", "multivariate_normal"):
        monkeypatch.setattr(np.random, name, getattr(state, name))
    other = mice.MICE("y ~ a + x", sm.OLS, mice.MICEData(table)).fit(10, 20)
    own = imputed_ratio(
        CensoredThresholds.from_bounds(
            thresholds.lower_ma, thresholds.upper_ma, placement=thresholds.placement,
            covariates=pd.DataFrame({"log_bmi": log_bmi}),
        ),
        "A", "B", adjust_for=["log_bmi"], seed=1,
    )  # fmt: skip
    assert np.log(own.ratio.value) == pytest.approx(other.params[1], abs=0.8 * other.bse[1])
    assert width(own.ratio) / 2 / 1.965 == pytest.approx(other.bse[1], rel=0.15)


def test_yes_no_is_drawn_with_its_probability_given_the_interval(on_grid):
    """A strong yes/no covariate in closed form: Bayes' theorem at the true parameters."""
    rng = np.random.default_rng(9)
    n = 3000
    yes = rng.random(n) < 0.4
    true = np.exp(np.log(70) + 0.4 * yes + rng.normal(0, SIGMA, n))
    absent = rng.random(n) < np.where(true > 85, 0.6, 0.2)
    value = pd.Series(np.where(yes, "yes", "no"), dtype=object).where(~absent, None)
    names = np.where(rng.random(n) < 0.5, "A", "B")
    thresholds = on_grid(true, 40, 5, 140, placement=names, covariates=pd.DataFrame({"conscious": value}))
    (one,) = draws_of(thresholds, 4, ["conscious"]).completed(1, 10)
    with np.errstate(divide="ignore"):
        low, high = np.log(thresholds.lower_ma), np.log(thresholds.upper_ma)
    seen = [stats.norm.cdf(high, np.log(70) + 0.4 * k, SIGMA) - stats.norm.cdf(low, np.log(70) + 0.4 * k, SIGMA)
            for k in (0, 1)]  # fmt: skip
    probability = 0.4 * seen[1] / (0.6 * seen[0] + 0.4 * seen[1])
    drawn = one.filled["conscious"]
    assert set(drawn) == {0.0, 1.0}
    for group in (probability < 0.2, (probability >= 0.2) & (probability < 0.7), probability >= 0.7):
        rows = group & absent
        assert rows.sum() > 50
        assert drawn[rows].mean() == pytest.approx(probability[rows].mean(), abs=4 * 0.5 / np.sqrt(rows.sum()))


def test_two_levels_are_imputed_and_more_are_left_out(on_grid):
    def some(values, share):
        return lambda rng, n: np.where(rng.random(n) < share, None, rng.choice(values, n)).astype(object)

    thresholds, whole = patients(on_grid, sex=some(["female", "male"], 0.2), rhythm=some(["p", "q", "r"], 0.1))
    found = imputed_ratio(thresholds, "A", "B", adjust_for=["body_mass_index", "sex", "rhythm"], imputations=3, seed=1)
    missing = dict(found.missing)
    assert found.n_used == 400 - missing["rhythm"]
    assert found.n_complete < 400 - missing["rhythm"] - 20
    # neither sex nor rhythm matters for the threshold
    everything = unpaired_ratio(whole, "A", "B", adjust_for=BMI).ratio
    assert found.ratio.value == pytest.approx(everything.value, rel=0.04)


def test_tipping_point(on_grid):
    thresholds, _ = patients(on_grid, n=300, seed=3)
    found = imputed_ratio(thresholds, "A", "B", adjust_for=BMI, imputations=6, seed=2)
    first, (second, without) = found.tipping, found.further_tipping
    assert [one.shifted for one in (first, second, without)] == [
        "attempts with A placement", "attempts with B placement", "attempts without capture",
    ]  # fmt: skip
    absent = thresholds.covariates["body_mass_index"].isna().to_numpy()
    is_a = thresholds.placement == "A"
    assert first.n_shifted == int((absent & is_a).sum())
    assert without.n_shifted == int((absent & np.isinf(thresholds.upper_ma)).sum())
    for one in (first, second, without):
        assert dict(one.rows)[0.0] == found.ratio
    # who needs more current anyway: the heavier the unrecorded with A, the less is due to A
    ratios = np.array([ratio.value for _, ratio in first.rows])
    assert (np.diff(ratios[2:7]) < 0).all()
    assert (np.diff(np.array([ratio.value for _, ratio in second.rows])[2:7]) > 0).all()
    # a shift by hand: the same draws, moved, fitted one by one
    size, ratio = first.rows[6]
    estimates = []
    for one in draws_of(thresholds, 2).completed(6, 10):
        bmi = one.filled["body_mass_index"] + size * (absent & is_a)
        design = np.column_stack((np.ones(300), is_a, bmi))
        estimates.append(fit_regression(thresholds, design, ("1", "A", "bmi"), family=LOGNORMAL).coefficients[1])
    assert np.log(ratio.value) == pytest.approx(np.mean(estimates), abs=1e-6)


def test_tipping_has_the_sign_that_weakens_the_conclusion(on_grid):
    """Half of A's body mass indices missing: lighter than imputed, their low thresholds need no placement to explain.

    With a strong association and few missing, no shift matters.
    """

    def study(log_ratio, share):
        rng = np.random.default_rng(4)
        is_a = np.arange(400) % 2 == 0
        bmi = np.exp(np.log(28) + rng.normal(0, 0.2, 400))
        true = np.exp(np.log(85) + log_ratio * is_a + 0.03 * (bmi - 28) + rng.normal(0, 0.2, 400))
        values = np.where(is_a & (rng.random(400) < share), np.nan, bmi)
        return on_grid(
            true, 40, 5, 140, placement=np.where(is_a, "A", "B"), covariates=pd.DataFrame({"body_mass_index": values})
        )

    weak = imputed_ratio(study(-0.1, 0.5), "A", "B", adjust_for=BMI, imputations=4, seed=1)
    assert weak.ratio.upper < 1
    assert weak.tipping.tipping < 0
    assert next(ratio for size, ratio in weak.tipping.rows if size == weak.tipping.tipping).upper >= 1
    turned = imputed_ratio(study(-0.1, 0.5), "B", "A", adjust_for=BMI, imputations=4, seed=1)
    assert turned.tipping is None  # nothing is missing with B, which is now the first
    assert turned.further_tipping[0].placement == "A"
    assert turned.further_tipping[0].tipping < 0
    strong = imputed_ratio(study(-0.5, 0.1), "A", "B", adjust_for=BMI, imputations=4, seed=1)
    assert strong.ratio.upper < 1
    assert strong.tipping.tipping is None


def test_tipping_is_the_nearest_shift_that_changes_the_reading(on_grid):
    """Many body mass indices are missing; of these studies two have a limit near 1, where some shift matters."""
    changed = 0
    for seed in (1, 7, 12):
        thresholds, _ = patients(on_grid, n=120, seed=seed, missing="by outcome")
        found = imputed_ratio(thresholds, "A", "B", adjust_for=BMI, imputations=4, seed=1)
        for one in (found.tipping, *found.further_tipping):
            sides = {size: (ratio.lower > 1) - (ratio.upper < 1) for size, ratio in one.rows}
            other = [abs(size) for size, side in sides.items() if side != sides[0.0]]
            assert (one.tipping is None) == (not other)
            if one.tipping is not None:
                changed += 1
                assert abs(one.tipping) == min(other)
    assert changed > 1


def test_same_seed_same_result(on_grid):
    thresholds, _ = patients(on_grid, n=150)
    one, same, other = (
        imputed_ratio(thresholds, "A", "B", adjust_for=BMI, imputations=3, seed=seed) for seed in (1, 1, 2)
    )
    assert one == same
    assert one.ratio.value != other.ratio.value
    assert one.seed == 1


def test_what_cannot_be_imputed(on_grid):
    thresholds, whole = patients(on_grid, n=100)

    def refused(given, match, names=BMI, minus="B", error=NotEstimableError):
        with pytest.raises(error, match=match):
            imputed_ratio(given, "A", minus, adjust_for=names, imputations=3, seed=1)

    def remade(patient=None, weights=None, **columns):
        return CensoredThresholds.from_bounds(
            thresholds.lower_ma,
            thresholds.upper_ma,
            patient,
            thresholds.placement,
            weights,
            covariates=thresholds.covariates.assign(**columns),
        )

    refused(whole, "[Nn]othing is missing")
    refused(thresholds, "no attempt with C", minus="C")
    refused(remade(patient=np.arange(100) // 2), "some have several")
    refused(remade(weights=np.linspace(1, 2, 100)), "weighted")
    refused(remade(age_years=np.r_[np.full(95, np.nan), 1:6]), "too few attempts", names=["age_years"])
    only_a = np.where(thresholds.placement == "A", np.arange(100.0), np.nan)
    refused(remade(age_years=only_a), "in 0 of .* attempts with B placement", names=["age_years"])
    rhythm = np.where(np.arange(100) < 20, None, np.array(["p", "q", "r"])[np.arange(100) % 3])
    refused(remade(rhythm=rhythm), "more than two levels", names=["rhythm"])
    refused(thresholds, "named|follows from the others", names=["body_mass_index"] * 2)
    with pytest.raises(UsageError, match="at least 2"):
        imputed_ratio(thresholds, "A", "B", adjust_for=BMI, imputations=1, seed=1)
    refused(remade(pulse_width_ms=20.0), "before the pads", names=["pulse_width_ms"], error=UsageError)


@pytest.mark.slow
def test_intervals_cover(on_grid):
    """95 % intervals over 300 studies of 150 in which complete cases are biased: 95 % within 4 binomial errors."""
    inside = 0
    for seed in range(300):
        thresholds, _ = patients(on_grid, n=150, seed=seed, missing="by outcome")
        ratio = imputed_ratio(thresholds, "A", "B", adjust_for=BMI, imputations=5, seed=seed).ratio
        inside += ratio.lower < np.exp(LOG_RATIO) < ratio.upper
    assert 0.90 <= inside / 300 <= 0.995


@pytest.mark.benchmark
def test_speed_beside_mice(on_grid):
    """600 patients, 20 imputations of 10 cycles with tipping points, beside statsmodels' MICE without either."""
    thresholds, _ = patients(on_grid, n=600)
    start = time.perf_counter()
    imputed_ratio(thresholds, "A", "B", adjust_for=BMI, seed=1)
    own = time.perf_counter() - start
    table = pd.DataFrame(
        {
            "y": np.log(thresholds.lower_ma + 2.5),
            "a": (thresholds.placement == "A").astype(float),
            "x": thresholds.covariates["body_mass_index"],
        }
    )
    start = time.perf_counter()
    mice.MICE("y ~ a + x", sm.OLS, mice.MICEData(table)).fit(10, 20)
    print(f"imputation and 27 tipping points {own:.2f} s, MICE {time.perf_counter() - start:.2f} s")  # noqa: T201
