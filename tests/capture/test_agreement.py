"""Agreement: Fleiss, Cohen & Everitt's table (s17), R's jackknife (r09), Feinstein & Cicchetti's paradox."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.inter_rater import cohens_kappa

from capstat.attempts import study_from_frames
from capstat.capture.agreement import agreement_of_columns, assess_agreement, kappa_from_table
from capstat.results import NotEstimableError, UsageError


def steps_of(both, first, second, neither):
    counts = (both, first, second, neither)
    return np.repeat([1.0, 1, 0, 0], counts), np.repeat([1.0, 0, 1, 0], counts), np.arange(sum(counts))


@pytest.mark.reference
def test_pathologists(reference):
    case = reference("s17")
    table = case.data["rater_table"]
    kappa = kappa_from_table(table)
    case.check("kappa", kappa.value)
    case.check("kappa.ci95", (kappa.lower, kappa.upper))
    case.check("kappa.se", (kappa.upper - kappa.lower) / 2 / stats.norm.ppf(0.975))
    case.check("kappa.quadratic_weighted", cohens_kappa(np.array(table), wt="fc").kappa)
    # the null standard error of Fleiss, Cohen & Everitt (1969), written out from their formula, from memory
    p = np.array(table) / 118
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    chance = rows @ columns
    null = np.sqrt((chance + chance**2 - (rows * columns * (rows + columns)).sum()) / 118) / (1 - chance)
    assert kappa.p_value == pytest.approx(2 * stats.norm.sf(kappa.value / null), rel=1e-6)


def test_high_agreement_and_low_kappa():
    """Feinstein & Cicchetti's two tables (1990, from memory): observed agreement 0.85, kappa 0.70 and 0.32."""
    first = assess_agreement(*steps_of(40, 9, 6, 45))
    second = assess_agreement(*steps_of(80, 10, 5, 5))
    assert (first.observed.value, second.observed.value) == (0.85, 0.85)
    assert first.kappa.value == pytest.approx(0.70, abs=5e-3)
    assert second.kappa.value == pytest.approx(0.32, abs=5e-3)
    assert second.positive.value == pytest.approx(160 / 175)
    assert second.negative.value == pytest.approx(10 / 25)


@pytest.mark.reference
def test_jackknife_of_survey(reference):
    case = reference("r09")
    steps = {key: np.array(value, dtype=float) for key, value in case.data["steps"].items()}
    found = assess_agreement(steps["sign"], steps["reference"], steps["patient"].astype(int))
    case.check("kappa", found.kappa.value)
    case.check("kappa.jackknife_se", (found.kappa.upper - found.kappa.value) / stats.t.ppf(0.975, 11))
    assert found.kappa.p_value is None
    assert found.n_patients == found.kappa.n == 12


@given(st.lists(st.tuples(st.integers(0, 1), st.integers(0, 1), st.integers(0, 5)), min_size=1, max_size=30))
@settings(deadline=None, max_examples=80)
def test_any_small_study(rows):
    """Exchanging readers changes nothing but the discordant counts; exchanging yes and no swaps specific agreement."""
    first, second, patient = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    found = assess_agreement(first, second, patient)
    other = assess_agreement(second, first, patient)
    turned = assess_agreement(1 - first, 1 - second, patient)
    assert other.kappa.value == pytest.approx(found.kappa.value)
    assert (turned.negative.value, turned.negative.lower) == (found.positive.value, found.positive.lower)
    assert (found.kappa.value is None) == (found.observed.value == 1 and len(set(first)) == 1)
    for estimate in (found.kappa, found.observed, found.positive, found.negative):
        assert (estimate.value is None) == bool(estimate.reason)
        if None not in (estimate.value, estimate.lower):
            assert -1 <= estimate.lower <= estimate.value + 1e-12 <= estimate.upper + 2e-12


def test_perfect_and_undefined():
    alike = assess_agreement(*steps_of(10, 0, 0, 10))
    assert alike.kappa.value == 1
    # Wilson's lower limit of 20 in 20 is 0.8389; chance agreement is one half
    assert alike.kappa.lower == pytest.approx((0.838875 - 0.5) / 0.5, abs=1e-5)
    always = assess_agreement(*steps_of(12, 0, 0, 0))
    assert always.kappa.value is None
    assert "chance alone would be complete" in always.kappa.reason
    assert always.negative.reason == "neither reading said no at any step"
    one = assess_agreement(*steps_of(5, 1, 1, 5)[:2], np.zeros(12, dtype=int))
    assert one.kappa.value == pytest.approx(2 / 3)
    assert one.kappa.lower is None
    with pytest.raises(UsageError, match="square table"):
        kappa_from_table([[1, 2, 3], [4, 5, 6]])
    with pytest.raises(NotEstimableError, match="empty"):
        kappa_from_table([[0, 0], [0, 0]])


def test_columns_of_a_study():
    attempts = pd.DataFrame(
        {"attempt_id": ["a", "b"], "patient_id": ["P1", "P2"], "placement": ["AP", "AL"], "max_output_ma": [140] * 2,
         "lowest_capture_ma": [60, 60]}
    )  # fmt: skip
    steps = pd.DataFrame(
        {"attempt_id": ["a", "a", "a", "b", "b"], "current_ma": [40, 50, 60, 50, 60],
         "adjudicated_capture": ["no", "no", "yes", "no", "yes"],
         "second_review_capture": ["no", "yes", "yes", None, "yes"]}
    )  # fmt: skip
    study = study_from_frames(attempts, steps)
    found = agreement_of_columns(study)
    assert (found.both_yes, found.first_only, found.second_only, found.both_no) == (2, 0, 1, 1)
    assert (found.n_steps, found.n_patients) == (4, 2)
    with pytest.raises(UsageError, match="current_ma is not a yes/no column"):
        agreement_of_columns(study, "current_ma")
    with pytest.raises(UsageError, match="name two columns"):
        agreement_of_columns(study, "adjudicated_capture", "adjudicated_capture")
    with pytest.raises(NotEstimableError, match="read twice"):
        agreement_of_columns(study, "adjudicated_capture", "femoral_pulse")
    with pytest.raises(NotEstimableError, match="no steps table"):
        agreement_of_columns(study_from_frames(attempts))
