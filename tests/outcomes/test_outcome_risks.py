"""Unadjusted risks of an outcome: published series, every possible value of the missing outcomes, reasons."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.numerics.two_groups import two_groups
from capstat.outcomes.outcome_data import OutcomeData, complete_outcome, group_counts
from capstat.outcomes.outcome_risks import events_per_variable, outcome_risks
from capstat.results import NotEstimableError, UsageError

PACED, DRUG = "paced", "dopamine"


def from_counts(events_1, known_1, missing_1, events_2, known_2, missing_2, **others):
    """Rows of two groups with so many events, known and missing outcomes."""
    value = np.concatenate([
        np.r_[np.ones(x), np.zeros(n - x), np.full(m, np.nan)]
        for x, n, m in ((events_1, known_1, missing_1), (events_2, known_2, missing_2))
    ])  # fmt: skip
    group = np.array([PACED] * (known_1 + missing_1) + [DRUG] * (known_2 + missing_2), dtype=object)
    rest = {
        "outcome": "survived_to_discharge",
        "randomised": False,
        "covariates": pd.DataFrame(index=range(value.size)),
    }
    return OutcomeData(
        value=value, group=group, first=PACED, minus=DRUG, patient=np.arange(value.size), **{**rest, **others}
    )


@pytest.mark.reference
def test_randomised_trial(reference):
    """r18: 29 of 42 paced against 28 of 40 with dopamine (PMID 17933452), limits from R."""
    case = reference("r18")
    found = outcome_risks(from_counts(29, 42, 0, 28, 40, 0, randomised=True))
    for key in ("difference", "ratio", "odds_ratio"):
        estimate = getattr(found, key)
        case.check(f"morrison.{key}", [estimate.value, estimate.lower, estimate.upper])
        assert estimate.n == 82
    assert found.difference.direction == "paced minus dopamine"
    assert found.ratio.direction == "paced over dopamine"
    assert found.odds_ratio.p_value == pytest.approx(1.0)
    assert found.number_needed is None
    assert found.missing_bounds == ()
    assert found.notes == ()
    assert [part.n for part in found.risks] == [42, 40]


def test_others_are_counted_and_left_out():
    data = from_counts(6, 8, 0, 5, 29, 0)
    group = np.r_[data.group, ["neither", None, np.nan]].astype(object)
    wider = OutcomeData(
        "survived", np.r_[data.value, 1, 1, 0], group, PACED, DRUG, np.arange(40), pd.DataFrame(index=range(40)), False
    )
    found = outcome_risks(wider)
    assert found.others == 3
    assert found.difference.value == pytest.approx(6 / 8 - 5 / 29)
    assert found.number_needed.value == pytest.approx(1 / found.difference.value)
    one, two = group_counts(wider)
    assert (one.n, one.events, two.n, two.events) == (8, 6, 29, 5)


@given(st.integers(0, 5), st.integers(0, 3), st.integers(0, 4), st.integers(0, 5), st.integers(0, 3), st.integers(0, 4))
@settings(max_examples=20, deadline=None)
def test_bounds_are_the_extremes_of_every_completion(x1, more1, m1, x2, more2, m2):
    """All values the missing outcomes could have had, one by one."""
    n1, n2 = x1 + more1 + m1, x2 + more2 + m2
    if not (n1 and n2) or x1 + more1 + x2 + more2 == 0:
        return
    found = outcome_risks(from_counts(x1, x1 + more1, m1, x2, x2 + more2, m2))
    shares = m1 / n1, m2 / n2
    warned = max(shares) > 0.2 or abs(shares[0] - shares[1]) > 0.1
    assert any("may depend on the outcome itself" in note for note in found.notes) == warned
    assert bool(found.missing_bounds) == (m1 + m2 > 0)
    if not m1 + m2:
        return
    every = [two_groups(x1 + a, n1, x2 + b, n2) for a, b in itertools.product(range(m1 + 1), range(m2 + 1))]
    difference, ratio = found.missing_bounds
    values = [one.difference.value for one in every]
    assert difference.value is None
    assert difference.identified == pytest.approx((min(values), max(values)))
    assert difference.lower == pytest.approx(min(one.difference.lower for one in every))
    assert difference.upper == pytest.approx(max(one.difference.upper for one in every))
    ratios = [one.ratio.value for one in every if one.ratio.value is not None]
    if len(ratios) == len(every):
        assert ratio.identified == pytest.approx((min(ratios), max(ratios)))
    else:
        assert np.isinf(ratio.identified[1])
    assert ratio.lower == pytest.approx(min(one.ratio.lower for one in every), rel=1e-6, abs=1e-12)


def test_missing_by_group_is_told():
    few = outcome_risks(from_counts(8, 19, 1, 9, 19, 1))
    assert few.missing_bounds
    assert few.notes == ("paced: outcome missing in 1 of 20.", "dopamine: outcome missing in 1 of 20.")
    unequal = outcome_risks(from_counts(8, 17, 3, 9, 20, 0))
    assert any("more often in one group than in the other" in note for note in unequal.notes)


def test_reasons_and_refusals():
    alone = outcome_risks(from_counts(3, 9, 0, 0, 0, 4))
    assert alone.risks[0].value == pytest.approx(1 / 3)
    assert "recorded for nobody in the group dopamine" in alone.risks[1].reason
    assert alone.difference.value is alone.ratio.value is alone.odds_ratio.value is None
    survived = outcome_risks(from_counts(9, 9, 0, 7, 7, 0))
    assert survived.difference.value == 0
    assert survived.ratio.lower < 1 < survived.ratio.upper
    assert "everybody had the event" in survived.odds_ratio.reason
    with pytest.raises(NotEstimableError, match="recorded for nobody in either group"):
        outcome_risks(from_counts(0, 0, 4, 0, 0, 3))
    good = from_counts(1, 2, 0, 1, 2, 0)
    rest = {"outcome": "o", "first": PACED, "minus": DRUG, "covariates": good.covariates, "randomised": False}
    with pytest.raises(UsageError, match="0, 1 or NaN"):
        OutcomeData(value=good.value * 2, group=good.group, patient=good.patient, **rest)
    with pytest.raises(UsageError, match="some have several"):
        OutcomeData(value=good.value, group=good.group, patient=np.zeros(4, dtype=int), **rest)
    with pytest.raises(UsageError, match="needs a value, group"):
        OutcomeData(value=good.value[1:], group=good.group, patient=good.patient, **rest)
    with pytest.raises(UsageError, match="not 'paced' twice"):
        OutcomeData(value=good.value, group=good.group, patient=good.patient, **{**rest, "minus": PACED})


def test_complete_cases_are_counted():
    covariates = pd.DataFrame(
        {"age_years": [60.0, None, 70, 80, 75], "arrest": pd.array([True, False, None, False, True], "boolean")}
    )
    data = OutcomeData(
        "o", np.array([1, 0, 1, np.nan, 0.0]), np.array([PACED, DRUG, PACED, DRUG, DRUG], dtype=object), PACED, DRUG,
        np.arange(5), covariates, False,
    )  # fmt: skip
    found = complete_outcome(data, ("age_years", "arrest"))
    assert found.value.tolist() == [1, 0]
    assert found.n_known == 4
    assert found.missing == (("age_years", 1), ("arrest", 1))
    with pytest.raises(UsageError, match="is the outcome"):
        complete_outcome(data, ("o",))
    with pytest.raises(UsageError, match="There is no covariate 'weight_kg'"):
        complete_outcome(data, ("weight_kg",))
    with pytest.raises(UsageError, match="'survived_to_admission' is not known before"):
        complete_outcome(data, ("survived_to_admission",))


def test_events_per_variable():
    few = events_per_variable(12, 80, 4)
    assert (few.events, few.value) == (12, 3.0)
    assert "3.0 events for each column of the model, fewer than 10 (rule of thumb)" in few.note
    assert events_per_variable(70, 80, 1).value == 10.0  # non-events are the rarer ones
    assert events_per_variable(70, 80, 1).note == ""
