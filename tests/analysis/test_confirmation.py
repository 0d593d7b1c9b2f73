"""Confirmation from end to end: what is chosen, what cannot be had and says so, and what suppression takes away."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import special

from capstat import AnalysisOptions, analyse_study, study_from_frames
from capstat.analysis import ConfirmationQuestion, analyse_confirmation
from capstat.analysis.suppress_confirmation import suppress_confirmation
from capstat.capture import read_judged_ramps
from capstat.capture.corrected_parametric import fit_corrected_groups
from capstat.distributions import LOGNORMAL
from capstat.report.confirmation_sentences import confirmation_sentences, confirmation_summary
from capstat.report.confirmation_tables import confirmation_tables
from capstat.results import UsageError
from capstat.thresholds import ELECTRICAL_CAPTURE, MECHANICAL_CAPTURE

CURRENTS = np.arange(40, 141, 10)
QUICK = AnalysisOptions(replicates=100, confirmation=ConfirmationQuestion(replicates=100))


def invented(seed=1, n=80, specificity=0.95, reviewed=0.5, pads=("anterior-posterior", "anterior-lateral")):
    """Ramps to the first claim in patients whose thresholds are known to the test; a strip reviewed in some."""
    rng = np.random.default_rng(seed)
    true = np.exp(rng.normal(np.log(80), 0.25, n))
    attempts, steps = [], []
    for i in range(n):
        attempts.append(
            {"patient_id": f"P{i:03d}", "attempt_id": f"A{i:03d}", "placement": pads[i % len(pads)], "max_output_ma": 140,
             "study_month": 1 + i % 12}
        )  # fmt: skip
        look = rng.random() < reviewed
        for current in CURRENTS:
            captured = bool(current >= true[i])
            claimed = bool(rng.random() < (0.97 if captured else 1 - specificity))
            steps.append(
                {"patient_id": f"P{i:03d}", "attempt_id": f"A{i:03d}", "current_ma": current,
                 "electrical_capture": claimed, "adjudicated_capture": captured if look else None,
                 "femoral_pulse": bool(rng.random() < (0.9 if captured else 0.3))}
            )  # fmt: skip
            if claimed:
                break
    return pd.DataFrame(attempts), pd.DataFrame(steps)


def study_of(attempts, steps):
    return study_from_frames(attempts, steps)


@pytest.fixture(scope="module")
def study():
    return study_of(*invented())


@pytest.fixture(scope="module")
def found(study):
    return analyse_confirmation(study, QUICK)


def everything(found):
    words = confirmation_sentences(found)
    parts = (words.false_capture, words.signs, words.without_reference, words.corrected, words.consequences)
    return " ".join([*(s for part in parts for s in part), confirmation_summary(found)])


def test_the_strip_is_held_against_electrical_capture(found):
    assert (found.claim, found.reference) == ("electrical_capture", "adjudicated_capture")
    assert found.false_capture.audit.judged > 20
    assert [group.label for group in found.corrected.groups] == [
        "all placements", "anterior-posterior", "anterior-lateral",
    ]  # fmt: skip
    assert found.corrected.overall.result is not None


def test_counts_are_those_of_the_records(study, found):
    steps = study.steps
    first = steps[steps["electrical_capture"].fillna(value=False)].groupby("attempt_row").head(1)
    judged = first[first["adjudicated_capture"].notna()]
    audit = found.false_capture.audit
    assert (audit.judged, audit.false) == (len(judged), int((~judged["adjudicated_capture"].astype(bool)).sum()))


def test_a_study_without_steps_has_no_confirmation():
    attempts, _ = invented(n=6)
    attempts = attempts.drop(columns="attempt_id").assign(highest_no_capture_ma=60, lowest_capture_ma=70)
    analysis = analyse_study(study_from_frames(attempts), QUICK)
    assert analysis.confirmation is None


def test_no_reference_is_told_and_the_surface_stays():
    attempts, steps = invented()
    found = analyse_confirmation(study_of(attempts, steps.drop(columns="adjudicated_capture")), QUICK)
    assert found.reference == ""
    assert found.false_capture is None
    assert found.corrected.overall.result is None
    text = everything(found)
    assert "Nobody checked whether what was called electrical capture was capture" in text
    assert "If 4 of 100 settings without capture were read as capture" in text
    assert found.corrected.surface


def test_errors_known_from_elsewhere_need_no_reference():
    attempts, steps = invented()
    question = ConfirmationQuestion(sensitivity=0.97, specificity=0.95, replicates=100)
    options = replace(QUICK, confirmation=question)
    found = analyse_confirmation(study_of(attempts, steps.drop(columns="adjudicated_capture")), options)
    result = found.corrected.overall.result
    assert (result.errors.sensitivity, result.errors.specificity) == (0.97, 0.95)
    assert "97 % (given)" in everything(found)
    assert found.corrected.differential is not None


def test_a_given_rise_of_false_claims_with_the_current():
    """Reference: the logistic curve through the given specificity at 80 mA, written here."""
    attempts, steps = invented()
    question = ConfirmationQuestion(sensitivity=0.97, specificity=0.95, odds_ratio_per_10_ma=1.3, replicates=100)
    found = analyse_confirmation(study_of(attempts, steps), replace(QUICK, confirmation=question))
    for current, estimate in found.corrected.overall.result.specificities:
        expected = special.expit(special.logit(0.95) - np.log(1.3) * (current - 80) / 10)
        assert estimate.value == pytest.approx(expected)
        assert estimate.lower is None


def test_every_claim_upheld():
    attempts, steps = invented(specificity=1.0, reviewed=1.0)
    found = analyse_confirmation(study_of(attempts, steps), QUICK)
    assert found.false_capture.audit.false == 0
    text = everything(found)
    assert "upheld all" in text
    assert "false are compatible with that" in text


def test_one_setting_in_each_ramp():
    attempts, steps = invented(n=120)
    steps = steps.sample(frac=1, random_state=3).groupby("attempt_id").head(1).sort_values("attempt_id")
    found = analyse_confirmation(study_of(attempts, steps), QUICK)
    assert found.corrected.overall.n_ramps == 120
    assert everything(found)


def test_no_better_than_chance_is_refused(study):
    question = ConfirmationQuestion(sensitivity=0.5, specificity=0.5, replicates=100)
    with pytest.raises(UsageError, match="not above 1"):
        analyse_confirmation(study, replace(QUICK, confirmation=question))


def test_a_reference_that_is_none_is_refused(study):
    question = ConfirmationQuestion(reference="femoral_pulse")
    with pytest.raises(UsageError, match="'femoral_pulse' is not a reference"):
        analyse_confirmation(study, replace(QUICK, confirmation=question))


def test_mechanical_capture_against_ultrasound():
    attempts, steps = invented()
    steps = steps.rename(columns={"electrical_capture": "mechanical_capture", "adjudicated_capture": "ultrasound"})
    found = analyse_confirmation(study_of(attempts, steps), QUICK)
    assert (found.claim, found.reference) == ("mechanical_capture", "ultrasound")
    wanted = replace(QUICK, confirmation=ConfirmationQuestion(claim=ELECTRICAL_CAPTURE, replicates=100))
    with pytest.raises(UsageError, match="no step has a value in 'electrical_capture'"):
        analyse_confirmation(study_of(attempts, steps), wanted)
    wanted = replace(QUICK, confirmation=ConfirmationQuestion(reference="arterial_line"))
    with pytest.raises(UsageError, match="no step has a value in that column"):
        analyse_confirmation(study_of(attempts, steps), wanted)
    wanted = replace(QUICK, confirmation=ConfirmationQuestion(claim=MECHANICAL_CAPTURE, replicates=100))
    assert analyse_confirmation(study_of(attempts, steps), wanted).claim == "mechanical_capture"


def test_same_seed_same_result(study, found):
    again = analyse_confirmation(study, QUICK)
    for one, two in zip(confirmation_tables(found, 1), confirmation_tables(again, 1), strict=True):
        pd.testing.assert_frame_equal(one.frame, two.frame)
    assert everything(found) == everything(again)


@pytest.mark.parametrize("n", [1, 2, 6, 12])
@pytest.mark.parametrize("reviewed", [0.0, 0.5, 1.0])
def test_small_studies_say_what_they_cannot(n, reviewed):
    attempts, steps = invented(seed=n, n=n, reviewed=reviewed)
    found = analyse_confirmation(study_of(attempts, steps), QUICK)
    assert everything(found)
    for table in confirmation_tables(found, 1):
        assert all(len(row) == len(table.columns) for row in table.rows)
        assert "nan" not in " ".join(cell for row in table.rows for cell in row).split()


def test_suppression_leaves_no_small_count(found):
    hidden = suppress_confirmation(found, 10)
    for reference in hidden.signs.references:
        assert reference.continuous == ()
        for sign in reference.signs:
            t = sign.accuracy.table
            cells = (t.true_positive, t.true_negative, t.false_positive, t.false_negative)
            assert not any(0 < c < 10 for c in cells)
    # a grouping goes whole, because one hidden group follows from the others
    if hidden.false_capture is not None:
        for row in hidden.false_capture.audit.groups:
            assert not any(0 < c < 10 for c in (row.false, row.judged - row.false, row.claims - row.judged))
        assert hidden.false_capture.chart is None
    assert confirmation_sentences(hidden, 10)
    assert suppress_confirmation(found, 10_000).false_capture is None


def test_suppressed_placement_takes_the_whole_with_it(found):
    few = min(group.n_reviewed for group in found.corrected.groups[1:])
    hidden = suppress_confirmation(found, few + 1)
    assert len(hidden.corrected.groups) < 2
    assert hidden.corrected.overall is None
    assert hidden.corrected.surface == ()
    assert everything(hidden)


def test_a_reference_that_saw_no_first_claim_loses_the_audit_only():
    """Believed from 70 mA on, scanned at 90 mA and above: thresholds can still be corrected."""
    attempts, steps = [], []
    for i in range(20):
        attempts.append(
            {"patient_id": f"P{i}", "attempt_id": f"A{i}", "placement": "anterior-lateral", "max_output_ma": 140}
        )
        steps += [
            {"patient_id": f"P{i}", "attempt_id": f"A{i}", "current_ma": c + 5 * (i % 3), "mechanical_capture": c >= 70,
             "ultrasound": c >= 80 if c >= 90 else None}
            for c in (60, 70, 80, 90, 100)
        ]  # fmt: skip
    found = analyse_confirmation(study_of(pd.DataFrame(attempts), pd.DataFrame(steps)), QUICK)
    assert found.false_capture is None
    assert "No claimed capture was judged" in " ".join(found.reasons)
    assert found.corrected is not None


def test_ramps_that_step_down_keep_their_thresholds():
    """From 140 mA down to the first refusal, as crews do with the unconscious; the true median is 80 mA."""
    rng = np.random.default_rng(1)
    attempts, steps = [], []
    for i, true in enumerate(np.exp(rng.normal(np.log(80), 0.25, 60))):
        attempts.append(
            {"patient_id": f"P{i}", "attempt_id": f"A{i}", "placement": "anterior-lateral", "max_output_ma": 140}
        )
        for current in range(140, 39, -10):
            claimed = bool(rng.random() < (0.97 if current >= true else 0.05))
            steps.append(
                {"patient_id": f"P{i}", "attempt_id": f"A{i}", "current_ma": current, "electrical_capture": claimed,
                 "adjudicated_capture": bool(current >= true) if i % 2 else None}
            )  # fmt: skip
            if not claimed:
                break
    found = analyse_confirmation(study_of(pd.DataFrame(attempts), pd.DataFrame(steps)), QUICK)
    claimed, corrected = found.corrected.overall.result.as_claimed, found.corrected.overall.result.corrected
    assert claimed.capture_currents[0].value in (80.0, 90.0)
    assert corrected.capture_currents[0].value in (80.0, 90.0)


def test_review_that_hung_on_what_came_later_is_told():
    """Strips pulled because a later reading contradicted the claim."""
    attempts, steps = invented(n=120, reviewed=0.0)
    last = steps.groupby("attempt_id").tail(1)
    later = last[last["electrical_capture"]].assign(current_ma=lambda f: f["current_ma"] + 10)
    contradicted = np.arange(len(later)) % 3 == 0
    later = later.assign(electrical_capture=~contradicted)
    steps = pd.concat([steps, later]).sort_values(["attempt_id", "current_ma"], kind="stable")
    pulled = set(later.loc[contradicted, "attempt_id"])
    steps["adjudicated_capture"] = np.where(steps["attempt_id"].isin(pulled), steps["current_ma"] > 80, None)
    found = analyse_confirmation(study_of(attempts, steps), QUICK)
    assert (
        "Claims that a later reading contradicted were reviewed in 100 % of ramps, others in 0 %"
        in found.corrected.selected
    )
    assert "review hung on what came after the claim" in everything(found)


def test_few_false_claims_reviewed_are_a_warning():
    attempts, steps = invented(specificity=1.0, reviewed=0.2)
    text = everything(analyse_confirmation(study_of(attempts, steps), QUICK))
    assert "is hardly known, and the limits of the corrected currents may be too narrow" in text
    assert "hung on nothing but what was read up to the claim" in text


def test_no_first_attempt_with_a_judgement():
    attempts, steps = [], []
    for i in range(6):
        for k in (0, 1):
            attempts.append(
                {"patient_id": f"P{i}", "attempt_id": f"A{i}{k}", "placement": "anterior-lateral", "max_output_ma": 140,
                 "attempt_number": k + 1}
            )  # fmt: skip
            steps += [
                {"patient_id": f"P{i}", "attempt_id": f"A{i}{k}", "current_ma": c, "mechanical_capture": c >= 80,
                 "electrical_capture": c >= 80 if k else None, "adjudicated_capture": c >= 80 if k else None}
                for c in (60, 80, 100)
            ]  # fmt: skip
    found = analyse_confirmation(study_of(pd.DataFrame(attempts), pd.DataFrame(steps)), QUICK)
    assert found.corrected is None
    assert "No first attempt of a patient has a judgement" in " ".join(found.reasons)


def test_a_sign_written_down_only_when_seen_is_not_assessed():
    """Blank is no observation: neither sensitivity nor specificity can be had, and the text says so."""
    attempts, steps = invented(reviewed=1.0)
    steps["femoral_pulse"] = np.where(steps["femoral_pulse"], True, None)
    found = analyse_confirmation(study_of(attempts, steps), QUICK)
    assert all("femoral" not in sign.label for reference in found.signs.references for sign in reference.signs)
    text = everything(found)
    assert "Femoral pulse was never recorded as absent" in text
    assert "100 %" not in " ".join(confirmation_sentences(found).signs)


def test_suppressed_claims_are_not_called_unchecked(found):
    hidden = suppress_confirmation(found, found.false_capture.audit.false + 1)
    assert hidden.false_capture is None
    assert "Nobody checked" not in confirmation_summary(hidden)
    assert "too small to be shown" in confirmation_summary(hidden)


def test_each_placement_with_its_own_errors(study, found):
    """Reference: the same model fitted again here with the errors of each group."""
    own = found.corrected.own_errors
    ramps = read_judged_ramps(study, claim=ELECTRICAL_CAPTURE, reference="adjudicated_capture").without_reference()
    names = ("anterior-posterior", "anterior-lateral")
    parts = [ramps.subset(ramps.placement == name) for name in names]
    fit = fit_corrected_groups(
        parts, np.array([[1.0, 1.0], [1.0, 0.0]]), ("(intercept)", "first"), family=LOGNORMAL,
        errors=[group.result.errors for group in found.corrected.groups[1:]],
    )  # fmt: skip
    assert own.value == pytest.approx(np.exp(fit.regression.coefficients[1]))
    assert own.lower < own.value < own.upper
    assert "With the errors estimated for each placement the ratio is" in everything(found)
