"""Errors of judgement: statsmodels' logistic inverse link, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.genmod.families.links import Logit

from capstat.capture.judgement_errors import JudgementErrors
from capstat.results import UsageError

PERFECT_JUDGEMENT = JudgementErrors(1.0, 1.0)


def test_false_claims_follow_a_logistic_regression_on_the_current():
    """Reference: statsmodels' logit link; by hand, 0.96 at 80 mA is odds of 1/24, of 1.2/24 at 90 mA."""
    errors = JudgementErrors(0.95, 0.96, 1.2)
    current = np.array([40.0, 80.0, 90.0, 140.0])
    line = np.log(1 / 24) + np.log(1.2) * (current - 80) / 10
    np.testing.assert_allclose(errors.false_claim_probability(current), Logit().inverse(line), rtol=1e-12)
    assert errors.false_claim_probability(np.array([90.0]))[0] == pytest.approx(1.2 / 25.2, rel=1e-12)


@given(st.floats(0.5, 0.999), st.floats(1.01, 3.0))
def test_specificity_falls_where_the_artefact_grows(specificity, odds_ratio):
    rates = JudgementErrors(1.0, specificity, odds_ratio).false_claim_probability(np.linspace(40, 140, 11))
    assert np.all(np.diff(rates) > 0)
    assert rates[4] == pytest.approx(1 - specificity)
    same = JudgementErrors(1.0, specificity).false_claim_probability(np.array([40.0, 140.0]))
    np.testing.assert_allclose(same, 1 - specificity)


def test_a_perfect_judgement_never_claims_falsely():
    assert PERFECT_JUDGEMENT.false_claim_probability(np.array([30.0, 200.0])).tolist() == [0, 0]


@pytest.mark.parametrize(("sensitivity", "specificity"), [(0.5, 0.5), (0.2, 0.8), (0.0, 1.0), (1.0, 0.0)])
def test_judgements_no_better_than_chance_are_refused(sensitivity, specificity):
    with pytest.raises(UsageError, match="no better than chance"):
        JudgementErrors(sensitivity, specificity)
    JudgementErrors(min(sensitivity + 0.01, 1.0), min(specificity + 0.01, 1.0))


@pytest.mark.parametrize("wrong", [(1.2, 0.9), (0.9, -0.1), (np.nan, 0.9)])
def test_a_probability_outside_its_range_is_refused(wrong):
    with pytest.raises(UsageError, match="between 0 and 1"):
        JudgementErrors(*wrong)


@pytest.mark.parametrize("odds_ratio", [0.0, -1.0, np.inf, np.nan])
def test_an_odds_ratio_that_is_not_positive_is_refused(odds_ratio):
    with pytest.raises(UsageError, match="odds ratio"):
        JudgementErrors(0.9, 0.9, odds_ratio)


def test_the_lowest_useless_current_is_named():
    """By hand: odds 1/9 at 80 mA, times 3 each 10 mA; 0.1, 0.25, 0.5, 0.75 at 80, 90, 100, 110 mA."""
    errors = JudgementErrors(0.7, 0.9, 3.0)
    errors.require_information(np.array([80.0, 90.0, 100.0]))
    with pytest.raises(UsageError, match="At 110 mA"):
        errors.require_information(np.array([80.0, 120.0, 110.0]))
