"""Adjusted comparison of an outcome: Lalonde's data (shared cases s22, s23), known truth, symmetries, reasons."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special
from statsmodels.discrete.discrete_model import Logit

from capstat.numerics.batch_logistic import batch_logistic
from capstat.numerics.firth import firth_logistic
from capstat.numerics.proportions import wilson
from capstat.numerics.two_groups import two_groups
from capstat.outcomes.outcome_adjusted import agreeing_intercept, standardise_model, standardised_risks
from capstat.outcomes.outcome_compare import compare_outcome
from capstat.outcomes.outcome_contrast import RiskPair, adjusted_contrast
from capstat.outcomes.outcome_data import CompleteOutcome, OutcomeData, complete_outcome
from capstat.outcomes.outcome_models import fit_outcome_model
from capstat.outcomes.outcome_weighted import balance_rows, fit_group_score, weighted_contrasts, weighted_risks
from capstat.placement.observational.evalue import e_value
from capstat.placement.observational.weighting import Weighting, effective_size, propensity_weights
from capstat.results import NotEstimableError, UsageError

LALONDE = Path(__file__).parents[1] / "reference" / "s22_lalonde.csv"
A, B = "first", "second"
COLUMNS = ("age", "educ", "black", "hispan", "married", "nodegree", "re74", "re75")
CONFOUNDERS = ("age_years", "arrest")


@pytest.fixture(scope="module")
def lalonde():
    return pd.read_csv(LALONDE)


def as_outcome(table):
    return OutcomeData(
        "zero78", (table["re78"] == 0).to_numpy(dtype=float), np.where(table["treat"] == 1, A, B).astype(object), A, B,
        np.arange(len(table)), table[list(COLUMNS)], False,
    )  # fmt: skip


def risk_model(first, age, arrest, base, log_odds_ratio):
    return special.expit(base + log_odds_ratio * first - 0.7 * (age - 70) / 12 - 1.0 * arrest)


def registry(n, seed, base=-1.5, log_odds_ratio=0.0):
    """Older patients and those not in arrest are put in the first group more often; both matter for the outcome."""
    rng = np.random.default_rng(seed)
    age, arrest = rng.normal(70, 12, n), rng.random(n) < 0.3
    first = rng.random(n) < special.expit(0.6 * (age - 70) / 12 - 0.5 * arrest)
    value = (rng.random(n) < risk_model(first, age, arrest, base, log_odds_ratio)).astype(float)
    table = pd.DataFrame({"age_years": age, "arrest": arrest})
    return OutcomeData("survived", value, np.where(first, A, B).astype(object), A, B, np.arange(n), table, False)


def true_risks(base, log_odds_ratio):
    """Of everybody in the first and in the second group, from a million patients."""
    rng = np.random.default_rng(7)
    age, arrest = rng.normal(70, 12, 1_000_000), rng.random(1_000_000) < 0.3
    return [risk_model(first, age, arrest, base, log_odds_ratio).mean() for first in (1, 0)]


@pytest.mark.reference
def test_standardised_risks_of_the_shared_case(reference, lalonde):
    """s23: R's glm and statsmodels; the maximum-likelihood fit is fed in, for all rows and for the treated."""
    case = reference("s23")
    design = np.column_stack((np.ones(len(lalonde)), lalonde["treat"], lalonde[list(COLUMNS)])).astype(float)
    scale = np.abs(design).max(axis=0)
    fit = Logit((lalonde["re78"] == 0).to_numpy(dtype=float), design / scale).fit(disp=0, maxiter=100)
    coefficients, covariance = fit.params / scale, fit.cov_params() / np.outer(scale, scale)
    one, two = design.copy(), design.copy()
    one[:, 1], two[:, 1] = 1, 0
    everybody = standardised_risks(coefficients, covariance, one, two)
    case.check("risk1_risk0", [everybody.first, everybody.second])
    case.check("ate_rd", everybody.first - everybody.second)
    case.check("ate_rr", everybody.first / everybody.second)
    contrast = np.array([1.0, -1.0])
    case.check("ate_rd_delta_se", np.sqrt(contrast @ everybody.of_coefficients @ contrast))
    treated = (lalonde["treat"] == 1).to_numpy()
    only = standardised_risks(coefficients, covariance, one[treated], two[treated])
    case.check("att_rd", only.first - only.second)


def test_penalty_and_intercept_change_little_in_600_patients(reference, lalonde):
    """s23 again, through Firth's fit: the whole way from the table agrees to 0.003."""
    data = as_outcome(lalonde)
    found = standardise_model(data, fit_outcome_model(data, complete_outcome(data, COLUMNS)))
    assert found.difference.value == pytest.approx(reference("s23").expected["ate_rd"]["value"], abs=0.003)
    assert found.difference.n == 614


@pytest.mark.reference
def test_score_and_weights_of_the_shared_case(reference, lalonde):
    """s22: differences of mean earnings, which are weighted as risks are, and the balance."""
    case = reference("s22")
    complete = CompleteOutcome(
        COLUMNS,
        lalonde["re78"].to_numpy(dtype=float),
        (lalonde["treat"] == 1).to_numpy(),
        lalonde[list(COLUMNS)],
        614,
        (),
    )
    score = fit_group_score(complete)
    slopes = score.coefficients[1:] / lalonde[list(COLUMNS)].std(ddof=0).to_numpy()
    intercept = score.coefficients[0] - slopes @ lalonde[list(COLUMNS)].mean().to_numpy()
    case.check("ps_logit_coef", [intercept, *slopes])
    for key, weighting in (("ate", Weighting.INVERSE_PROBABILITY), ("ato", Weighting.OVERLAP)):
        means = weighted_risks(score.score, np.ones(614), complete, weighting)
        case.check(f"{key}.diff", means[0] - means[1])
        weight = propensity_weights(score.score, complete.is_first, weighting)
        case.check(
            f"{key}.ess(treated,control)", [effective_size(weight[g]) for g in (complete.is_first, ~complete.is_first)]
        )
    rows = balance_rows(score, complete.is_first)
    case.check("smd_unweighted", [row.before for row in rows])
    case.check("ate.smd_weighted", [row.after_inverse_probability for row in rows])
    case.check("ato.smd_weighted", [row.after_overlap for row in rows])


def stacked_sandwich(complete, score):
    """Standard error of the inverse-probability difference with the score estimated.

    Estimating equations of score and both means stacked (Lunceford & Davidian 2004, from memory).
    """
    design, e, t, y = score.design, score.score, complete.is_first.astype(float), complete.value
    p1, p0 = (np.average(y, weights=w) for w in (t / e, (1 - t) / (1 - e)))
    one, two = t * (y - p1) / e, (1 - t) * (y - p0) / (1 - e)
    of_score = design * (t - e)[:, None]
    bread = design.T @ (design * (e * (1 - e))[:, None])
    drag = -(design * (one * (1 - e))[:, None]).sum(axis=0), (design * (two * e)[:, None]).sum(axis=0)
    influence = [
        (part + of_score @ np.linalg.solve(bread, pull)) / w
        for part, pull, w in ((one, drag[0], (t / e).sum()), (two, drag[1], ((1 - t) / (1 - e)).sum()))
    ]
    return float(np.sqrt(((influence[0] - influence[1]) ** 2).sum()))


def test_bootstrap_against_stacked_estimating_equations():
    data = registry(800, 5, base=-0.5)
    complete = complete_outcome(data, CONFOUNDERS)
    score = fit_group_score(complete)
    inverse, _ = weighted_contrasts(data, complete, score, level=0.95, replicates=1500, seed=3)
    half = (inverse.difference.upper - inverse.difference.lower) / 2 / 1.96
    assert half == pytest.approx(stacked_sandwich(complete, score), rel=0.06)


def test_delta_method_against_a_bootstrap():
    """Resampled patients, ordinary logistic regression refitted; a wide spread of predictions makes patients matter."""
    data = registry(800, 6, base=-0.5)
    table = data.covariates.assign(age_years=lambda t: 70 + 3 * (t["age_years"] - 70))
    risk = risk_model(0, table["age_years"], table["arrest"], 0.0, 0.0).to_numpy()
    value = (np.random.default_rng(6).random(800) < risk).astype(float)
    data = OutcomeData("survived", value, data.group, A, B, data.patient, table, False)
    model = fit_outcome_model(data, complete_outcome(data, CONFOUNDERS))
    found = standardise_model(data, model)
    scaled = model.design / np.array([1.0, 1.0, 36.0, 1.0])
    counts = np.random.default_rng(1).multinomial(800, np.full(800, 1 / 800), size=1200).astype(float)
    coefficients = batch_logistic(scaled, counts * value, counts, prior_sd=50.0)
    risks = []
    for group in (1.0, 0.0):
        rows = scaled.copy()
        rows[:, 1] = group
        risks.append((counts * special.expit(coefficients @ rows.T)).sum(axis=1) / 800)
    pairs = ((found.risks[0], risks[0]), (found.risks[1], risks[1]), (found.difference, risks[0] - risks[1]))
    for estimate, replicates in pairs:
        assert (estimate.upper - estimate.lower) / 2 / 1.96 == pytest.approx(replicates.std(), rel=0.07)


def test_known_truth_in_a_large_registry():
    """The crude difference misses the truth, all three adjusted ones hold it."""
    data = registry(20_000, 1, log_odds_ratio=0.5)
    one, two = true_risks(-1.5, 0.5)
    found = compare_outcome(data, confounders=CONFOUNDERS, declared=True, replicates=50, seed=1)
    assert not found.risks.difference.lower < one - two < found.risks.difference.upper
    for part in (found.standardised, found.inverse_probability, found.overlap):
        assert part.difference.lower < one - two < part.difference.upper
        assert part.ratio.lower < one / two < part.ratio.upper
        assert part.difference.upper - part.difference.lower < 0.03
    odds = found.firth[0]
    assert odds.lower < np.exp(0.5) < odds.upper
    assert odds.direction == "first over second"
    assert len(found.firth) == 3
    assert all(abs(row.before) > 0.1 for row in found.balance)
    assert all(abs(row.after_inverse_probability) < 0.02 for row in found.balance)
    assert all(abs(row.after_overlap) < 1e-9 for row in found.balance)
    expected = e_value(found.standardised.ratio.value, found.standardised.ratio.lower, found.standardised.ratio.upper)
    assert (found.e_value.point, found.e_value.limit) == (expected.point, expected.limit)
    assert "both the group and the outcome" in found.e_value.meaning


@given(st.integers(0, 2_000))
@settings(max_examples=8, deadline=None)
def test_symmetries(seed):
    """Swapping the groups, or event and non-event, turns differences round; predictions add up to what was seen."""
    data = registry(60, seed)
    try:
        complete = complete_outcome(data, CONFOUNDERS)
        model = fit_outcome_model(data, complete)
        fit_group_score(complete)
    except NotEstimableError:
        return
    ask = {"confounders": CONFOUNDERS, "declared": True, "replicates": 2, "seed": 1}
    moved = agreeing_intercept(model.design, model.fit.coefficients, complete.value.sum())
    assert special.expit(model.design @ moved).sum() == pytest.approx(complete.value.sum(), abs=1e-8)
    one = compare_outcome(data, **ask)
    rest = (data.patient, data.covariates, False)
    swapped = compare_outcome(OutcomeData("survived", data.value, data.group, B, A, *rest), **ask)
    died = compare_outcome(OutcomeData("died", 1 - data.value, data.group, A, B, *rest), **ask)
    for name in ("standardised", "inverse_probability", "overlap"):
        plain, other, inverse = (getattr(found, name) for found in (one, swapped, died))
        assert other.difference.value == pytest.approx(-plain.difference.value, abs=1e-6)
        assert inverse.difference.value == pytest.approx(-plain.difference.value, abs=1e-6)
        for risk in plain.risks:
            assert 0 <= risk.lower <= risk.value <= risk.upper <= 1
        assert plain.difference.lower <= plain.difference.value <= plain.difference.upper
    assert swapped.standardised.difference.lower == pytest.approx(-one.standardised.difference.upper, abs=1e-6)
    assert swapped.firth[0].lower == pytest.approx(1 / one.firth[0].upper, rel=1e-4)


def test_same_seed_same_bytes():
    data = registry(80, 3)
    ask = {"confounders": CONFOUNDERS, "declared": False, "replicates": 40}
    assert repr(compare_outcome(data, seed=5, **ask)) == repr(compare_outcome(data, seed=5, **ask))
    assert repr(compare_outcome(data, seed=5, **ask)) != repr(compare_outcome(data, seed=6, **ask))


def test_randomised_trial_without_confounders():
    """29 of 42 against 28 of 40 (PMID 17933452): Firth's odds ratio has 1/2 added to each cell."""
    value = np.r_[np.ones(29), np.zeros(13), np.ones(28), np.zeros(12)]
    group = np.array([A] * 42 + [B] * 40, dtype=object)
    data = OutcomeData("survived", value, group, A, B, np.arange(82), pd.DataFrame(index=range(82)), True)
    found = compare_outcome(data, declared=True, seed=1)
    assert found.firth[0].value == pytest.approx((29.5 / 13.5) / (28.5 / 12.5), rel=1e-7)
    assert (found.role, found.randomised, found.e_value, found.balance) == ("declared", True, None, ())
    for part in (found.standardised, found.inverse_probability, found.overlap):
        assert part.difference.value is part.ratio.value is part.risks[0].value is None
        assert part.difference.reason == "no confounders were declared"
    assert found.events_per_variable.value == 25  # 25 died
    assert found.notes == ()


def test_notes_of_an_exploratory_observational_outcome_with_gaps():
    data = registry(60, 4)
    data.covariates.loc[:6, "age_years"] = np.nan
    found = compare_outcome(data, confounders=CONFOUNDERS, declared=False, replicates=20, seed=1)
    assert found.role == "exploratory"
    assert found.missing == (("age_years", 7), ("arrest", 0))
    assert found.n_complete == 53
    text = " ".join(found.notes)
    for words in ("not drawn by lot", "not declared beforehand", "7 of 60 patients", "events for each column"):
        assert words in text
    assert found.risks.difference.n == 60
    assert found.standardised.difference.n == found.firth[0].n == 53


def everybody_in(group_value, n=30):
    rng = np.random.default_rng(2)
    return OutcomeData(
        "survived", np.tile([0.0, 1.0], n // 2), group_value, A, B, np.arange(n),
        pd.DataFrame({"age_years": rng.normal(70, 12, n), "arrest": rng.random(n) < 0.5}), False,
    )  # fmt: skip


def test_reasons():
    mixed = np.array([A, A, B] * 10, dtype=object)
    nobody = OutcomeData("survived", np.zeros(30), mixed, A, B, np.arange(30), everybody_in(mixed).covariates, False)
    found = compare_outcome(nobody, confounders=CONFOUNDERS, declared=True, replicates=20, seed=1)
    assert "Nobody with all confounders had the outcome 'survived'" in found.firth_reason
    assert found.standardised.ratio.reason == found.firth_reason == found.e_value.reason
    assert found.events_per_variable is None
    # nobody had the event, yet the weighted difference has limits
    assert found.overlap.difference.value == 0
    assert found.overlap.difference.lower < -0.1
    assert found.overlap.difference.upper > 0.1
    assert "nobody with the event was in the group second" in found.overlap.ratio.reason

    lonely = compare_outcome(
        everybody_in(np.array([A] * 30, dtype=object)), confounders=CONFOUNDERS, declared=True, seed=1
    )
    assert "in one group" in lonely.firth_reason
    assert "at least 5 patients" in lonely.overlap.difference.reason

    data = everybody_in(mixed)
    data.covariates["days"] = data.covariates["age_years"] * 365.25
    collinear = compare_outcome(data, confounders=("age_years", "days"), declared=True, seed=1)
    assert "The column 'days' follows from the other columns" in collinear.firth_reason
    assert collinear.overlap.difference.reason == collinear.firth_reason
    data.covariates["side"] = np.where(mixed == A, "left", "right")
    told = compare_outcome(data, confounders=("age_years", "side"), declared=True, seed=1)
    assert "column 'side: right' follows" in told.firth_reason
    assert "occurs in one of the groups only" in told.inverse_probability.ratio.reason
    data.covariates["site"] = "here"
    constant = compare_outcome(data, confounders=("site",), declared=True, seed=1)
    assert "'site' is 'here' in all" in constant.firth_reason

    with pytest.raises(UsageError, match="not known before the pads"):
        compare_outcome(data, confounders=("survived_30_days",), declared=True, seed=1)
    with pytest.raises(UsageError, match="2 replicates or more"):
        compare_outcome(data, declared=True, replicates=1, seed=1)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "base", "log_odds_ratio"), [(40, -2.0, 0.0), (40, -2.0, 1.0), (120, -2.5, 0.0), (120, -2.5, 1.0)]
)
def test_coverage_with_few_events(n, base, log_odds_ratio):
    """600 registries with 4 to 14 events on average: limits hold the truth, null differences are rarely claimed."""
    one, two = true_risks(base, log_odds_ratio)
    held = {name: [] for name in ("firth", "standardised", "inverse_probability", "overlap")}
    for seed in range(600):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            found = compare_outcome(
                registry(n, seed, base, log_odds_ratio),
                confounders=CONFOUNDERS,
                declared=True,
                replicates=200,
                seed=seed,
            )
        if found.firth:
            held["firth"].append(found.firth[0].lower <= np.exp(log_odds_ratio) <= found.firth[0].upper)
        for name in ("standardised", "inverse_probability", "overlap"):
            difference = getattr(found, name).difference
            if difference.lower is not None:
                held[name].append(difference.lower <= one - two <= difference.upper)
    for name, inside in held.items():
        assert len(inside) > 580, name
        # three standard errors of a simulation of 600 below 95 %
        assert np.mean(inside) > 0.923, (name, np.mean(inside))


@pytest.mark.slow
def test_type_one_error_of_firth_with_randomised_groups():
    """2,000 null trials of 40 with about 4 events: the penalised likelihood-ratio test claims at most 5 % or so."""
    rng = np.random.default_rng(11)
    design = np.column_stack((np.ones(40), np.repeat([0.0, 1.0], 20)))
    claimed = []
    for _ in range(2000):
        value = (rng.random(40) < 0.1).astype(float)
        if value.any():
            claimed.append(firth_logistic(design, value, ("intercept", "group")).p_value[1] < 0.05)
    assert np.mean(claimed) < 0.065


@given(st.integers(0, 12), st.integers(0, 15))
@settings(max_examples=20, deadline=None)
def test_limits_of_plain_shares_are_newcombes(x1, x2):
    """With the variances of plain shares nothing is left but Newcombe's method 10, at 0 and 100 % too."""
    n1, n2 = 12, 15
    one, two = x1 / n1, x2 / n2
    pair = RiskPair(one, two, np.diag([one * (1 - one) / n1, two * (1 - two) / n2]), (n1, n2), n1 + n2)
    found = adjusted_contrast(registry(5, 1), pair, "none", 0.9)
    plain = two_groups(x1, n1, x2, n2, 0.9)
    assert [found.difference.lower, found.difference.upper] == pytest.approx(
        [plain.difference.lower, plain.difference.upper]
    )
    assert [found.risks[0].lower, found.risks[0].upper] == pytest.approx([plain.risk_1.lower, plain.risk_1.upper])


def test_no_more_information_than_patients():
    """A variance smaller than that of all patients together counts as that."""
    pair = RiskPair(0.3, 0.4, np.diag([1e-9, 1e-9]), (10.0, 10.0), 40)
    found = adjusted_contrast(registry(5, 1), pair, "none", 0.95)
    assert (found.risks[0].lower, found.risks[0].upper) == pytest.approx(wilson(12, 40))
