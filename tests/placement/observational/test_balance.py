"""Weights, balance and overlap: R and statsmodels on Lalonde's data, exact balance of overlap weights, hand counts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from capstat.placement.observational import (
    Weighting,
    balance_table,
    effective_size,
    fit_propensity,
    propensity_weights,
    score_overlap,
)
from capstat.placement.observational.balance import standardised_mean_difference
from capstat.placement.observational.propensity import PropensityModel
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

NAMES = ("age", "educ", "black", "hispan", "married", "nodegree", "re74", "re75")
KINDS = {"ate": Weighting.INVERSE_PROBABILITY, "att": Weighting.FIRST, "ato": Weighting.OVERLAP}


@pytest.mark.reference
@pytest.mark.parametrize("kind", list(KINDS))
def test_lalonde(reference, lalonde, lalonde_thresholds, kind):
    """s22: R survey, statsmodels; standardised differences by own closed form."""
    case = reference("s22")
    model = fit_propensity(lalonde_thresholds, "treated", "control", NAMES)
    treated = model.is_first
    weight = propensity_weights(model.score, treated, KINDS[kind])
    outcome = lalonde["re78"].to_numpy()
    case.check(
        f"{kind}.diff",
        np.average(outcome[treated], weights=weight[treated]) - np.average(outcome[~treated], weights=weight[~treated]),
    )
    fit = sm.WLS(outcome, sm.add_constant(treated.astype(float)), weights=weight).fit(cov_type="HC0")
    case.check(f"{kind}.se_sandwich_HC0_weights_fixed", fit.bse[1])
    case.check(f"{kind}.ess(treated,control)", [effective_size(weight[treated]), effective_size(weight[~treated])])
    smd = [standardised_mean_difference(column, treated, weight) for column in model.design.T[1:]]
    case.check(f"{kind}.smd_weighted", smd)


@pytest.mark.reference
def test_balance_table_of_lalonde(reference, lalonde_thresholds):
    case = reference("s22")
    table = balance_table(fit_propensity(lalonde_thresholds, "treated", "control", NAMES))
    assert [row.name for row in table.rows] == list(NAMES)
    case.check("smd_unweighted", [row.before for row in table.rows])
    case.check("ate.smd_weighted", [row.after_inverse_probability for row in table.rows])
    case.check("ato.smd_weighted", [row.after_overlap for row in table.rows])
    # by the recorded values: all but hispan exceed 0.1
    assert table.notes[1] == (
        "Inverse-probability weights leave more than 0.1 in: age, educ, black, married, nodegree, re74, re75."
    )


@given(st.integers(0, 10**6), st.integers(20, 80))
@settings(max_examples=40, deadline=None)
def test_overlap_weights_balance_exactly(seed, n):
    """Li, Morgan & Zaslavsky 2018, theorem 3: with a logistic score and an intercept, means agree exactly."""
    rng = np.random.default_rng(seed)
    table = pd.DataFrame(
        {"x": rng.normal(5, 3, n), "place": rng.choice(["a", "b", "c"], n), "yes": rng.random(n) < 0.4}
    )
    first = rng.random(n) < 1 / (1 + np.exp(1 - 0.2 * table["x"]))
    thresholds = CensoredThresholds.from_bounds(
        [50] * n, [60] * n, placement=np.where(first, "one", "two"), covariates=table
    )
    try:
        model = fit_propensity(thresholds, "one", "two", tuple(table.columns))
    except NotEstimableError:
        assume(False)
    rows = balance_table(model).rows
    assert max(abs(row.after_overlap) for row in rows) < 1e-6
    # the other way round every difference changes its sign
    turned = balance_table(fit_propensity(thresholds, "two", "one", tuple(table.columns))).rows
    for row, other in zip(rows, turned, strict=True):
        assert other.before == pytest.approx(-row.before, abs=1e-9)
        assert other.after_inverse_probability == pytest.approx(-row.after_inverse_probability, abs=1e-5)


@given(st.lists(st.floats(0.01, 0.99), min_size=4, max_size=30))
def test_weights_have_mean_one(scores):
    score = np.array(scores)
    first = np.arange(score.size) % 2 == 0
    for kind in Weighting:
        weight = propensity_weights(score, first, kind)
        for group in (first, ~first):
            assert weight[group].mean() == pytest.approx(1)
            assert effective_size(weight[group]) <= group.sum() + 1e-9
        stacked = propensity_weights(np.array([score, score[::-1]]), first, kind)
        np.testing.assert_allclose(stacked[0], weight)


def model_with(scores_first, scores_minus):
    n_first, n_minus = len(scores_first), len(scores_minus)
    n = n_first + n_minus
    first = np.arange(n) < n_first
    thresholds = CensoredThresholds.from_bounds([50] * n, [60] * n, placement=np.where(first, "one", "two"))
    return PropensityModel(
        "one", "two", ("x",), ("intercept", "x"), np.zeros(2), np.eye(2), np.ones((n, 2)),
        np.array([*scores_first, *scores_minus]), first, thresholds, n, n, (("x", 0),), "by hand",
    )  # fmt: skip


def test_overlap_by_hand():
    """Scores of the first 0.2, 0.5, 0.8, 0.96; of the second 0.1, 0.3, 0.5, 0.7."""
    overlap = score_overlap(model_with([0.2, 0.5, 0.8, 0.96], [0.1, 0.3, 0.5, 0.7]))
    one, two = overlap.groups
    assert (one.smallest, one.largest, one.outside) == (0.2, 0.96, 0.5)  # 0.8 and 0.96 are above 0.7
    assert (two.smallest, two.largest, two.outside) == (0.1, 0.7, 0.25)  # 0.1 is below 0.2
    assert overlap.extreme == 1 / 8
    assert one.largest_weight_share == pytest.approx(5 / (5 + 2 + 1 / 0.8 + 1 / 0.96))
    weights = np.array([5, 2, 1 / 0.8, 1 / 0.96])
    assert one.effective_inverse_probability == pytest.approx(weights.sum() ** 2 / (weights**2).sum())
    assert two.effective_overlap == pytest.approx(1.6**2 / (0.01 + 0.09 + 0.25 + 0.49))
    assert one.counts.sum() == 4
    assert one.counts[np.searchsorted(overlap.edges, 0.96) - 1] == 1
    assert overlap.edges.shape == (21,)
    for words in (
        "12 % of the attempts have a propensity score below 0.05 or above 0.95",
        "50 % of the attempts with one placement have scores that do not occur",
        "A single attempt carries 54 % of the weight of the one group.",
    ):
        assert any(words in note for note in overlap.notes), overlap.notes


def test_good_overlap_needs_no_words():
    same = np.linspace(0.3, 0.7, 50)
    assert score_overlap(model_with(same, same)).notes == ()


def test_few_effective_attempts_are_told():
    overlap = score_overlap(model_with([0.004] + [0.6] * 30, [0.5] * 20 + [0.0039, 0.61]))
    assert any("the 31 attempts with one placement count as 1." in note for note in overlap.notes)
