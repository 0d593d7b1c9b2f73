"""Partial verification: the liver scans, recorded maximum likelihood (r09), full verification, simulated truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.capture.signs import SignRecord
from capstat.capture.verification import correct_for_verification
from capstat.results import NotEstimableError

NAN = np.nan


def record_of(counts, patient=None):
    """Steps from (present: capture, none, unverified; absent: capture, none, unverified)."""
    sign = np.repeat([1.0, 1.0, 1.0, 0.0, 0.0, 0.0], counts)
    reference = np.repeat([1.0, 0.0, NAN] * 2, counts)
    patient = np.arange(sign.size) if patient is None else np.asarray(patient)
    return SignRecord(
        "femoral_pulse", "femoral pulse", ("femoral_pulse",), False, "", "ultrasound", "ultrasound", sign, reference,
        patient, patient, np.full(sign.size, 70.0),
    )  # fmt: skip


@pytest.mark.reference
def test_liver_scans(reference):
    """Drum & Christacopoulos as Begg & Greenes' example (0.836 and 0.738 from memory), and optimHess in R."""
    case = reference("r09")
    data = case.data["verification"]
    found = correct_for_verification(
        record_of([data["tp"], data["fp"], data["present"] - data["tp"] - data["fp"], data["fn"], data["tn"],
                   data["absent"] - data["fn"] - data["tn"]])
    )  # fmt: skip
    for name in ("sensitivity", "specificity"):
        estimate = getattr(found, name)
        case.check(f"verification.{name}", estimate.value)
        case.check(f"verification.{name}.logit_ci95", (estimate.lower, estimate.upper))
    assert (found.sensitivity.value, found.specificity.value) == pytest.approx((0.836, 0.738), abs=5e-4)
    assert found.uncorrected_sensitivity.value == 231 / 258
    assert found.verified_present.value == 263 / 429
    assert found.verified_absent.value == 81 / 221
    assert not any("detectably" in note for note in found.notes)


@given(st.tuples(*[st.integers(1, 30)] * 4))
@settings(max_examples=40, deadline=None)
def test_full_verification_is_the_plain_table(cells):
    """The corrected values are the uncorrected, and the variance of the logit is 1/a + 1/b as without correction."""
    tp, fp, fn, tn = cells
    found = correct_for_verification(record_of([tp, fp, 0, fn, tn, 0]))
    assert found.sensitivity.value == pytest.approx(tp / (tp + fn))
    assert found.specificity.value == pytest.approx(tn / (tn + fp))
    assert found.sensitivity.identified is None
    assert any("nothing to correct" in note for note in found.notes)
    odds = [value / (1 - value) for value in (found.sensitivity.lower, found.sensitivity.upper)]
    assert np.log(odds[1] / odds[0]) == pytest.approx(2 * 1.959964 * np.sqrt(1 / tp + 1 / fn), rel=1e-6)


@given(st.tuples(*[st.integers(0, 6)] * 6), st.integers(1, 4))
@settings(max_examples=80, deadline=None)
def test_bounds_hold_whatever_unverified_steps_were(counts, patients):
    """Every completion of the unverified steps lies in the identified range, and two completions reach its ends."""
    tp, fp, u1, fn, tn, u0 = counts
    if tp + fp + fn + tn == 0:
        with pytest.raises(NotEstimableError):
            correct_for_verification(record_of(counts))
        return
    n = sum(counts)
    found = correct_for_verification(record_of(counts, np.arange(n) % patients), replicates=20)
    for estimate in (found.sensitivity, found.specificity):
        assert (estimate.value is None) == bool(estimate.reason)
        assert (estimate.identified is None) == (u1 + u0 == 0)
        if estimate.value is not None and estimate.identified:
            assert estimate.identified[0] - 1e-9 <= estimate.value <= estimate.identified[1] + 1e-9
    completions = [(tp + a) / (tp + a + fn + b) for a in range(u1 + 1) for b in range(u0 + 1) if tp + a + fn + b > 0]
    if found.sensitivity.identified and tp + fn > 0:
        assert found.sensitivity.identified == pytest.approx((min(completions), max(completions)))


def test_an_empty_cell_of_verification_leaves_only_bounds():
    found = correct_for_verification(record_of([8, 2, 5, 0, 0, 7]))
    assert found.sensitivity.value is None
    assert found.sensitivity.reason == "the reference was recorded at no step without the sign"
    assert found.sensitivity.identified == (8 / 15, 1.0)
    assert found.specificity.identified == (0.0, 7 / 9)
    assert found.uncorrected_sensitivity.value == 1.0


def test_a_zero_cell_keeps_limits():
    found = correct_for_verification(record_of([9, 1, 10, 0, 8, 12]))
    assert found.sensitivity.value == 1.0
    assert 0.3 < found.sensitivity.lower < 0.9
    assert found.sensitivity.upper == 1.0
    assert "one half" in found.sensitivity.method
    fewer = correct_for_verification(record_of([9, 1, 10, 0, 8, 12], np.arange(40) % 8))
    assert fewer.sensitivity.lower < found.sensitivity.lower


def simulate(rng, patients, each):
    """Steps with sensitivity 0.8 and specificity 0.7; verified after the sign in 80 %, without it in 20 %."""
    patient = np.repeat(np.arange(patients), each)
    capture = rng.random(patient.size) < rng.beta(2, 2, patients)[patient]
    sign = rng.random(patient.size) < np.where(capture, 0.8, 0.3)
    verified = rng.random(patient.size) < np.where(sign, 0.8, 0.2)
    reference = np.where(verified, capture, NAN)
    return SignRecord(
        "femoral_pulse", "femoral pulse", ("femoral_pulse",), False, "", "ultrasound", "ultrasound",
        sign.astype(float), reference, patient, patient, np.full(patient.size, 70.0),
    )  # fmt: skip


def test_simulated_truth_is_recovered():
    """Known truth: corrected values are near 0.8 and 0.7, uncorrected ones are not."""
    found = correct_for_verification(simulate(np.random.default_rng(5), 4000, 4), replicates=200)
    assert found.sensitivity.value == pytest.approx(0.8, abs=0.02)
    assert found.specificity.value == pytest.approx(0.7, abs=0.02)
    assert found.uncorrected_sensitivity.value > 0.9
    assert found.uncorrected_specificity.value < 0.45
    assert "bootstrap" in found.sensitivity.method
    assert found.sensitivity.lower < found.sensitivity.value < found.sensitivity.upper


def test_bootstrap_agrees_with_the_closed_limits_where_both_apply():
    """Two steps of a patient that are independent: the bootstrap is near the delta method for single steps."""
    record = record_of([231, 32, 166, 27, 54, 140])
    order = np.random.default_rng(2).permutation(650)
    single = correct_for_verification(record).sensitivity
    paired = correct_for_verification(record_of([231, 32, 166, 27, 54, 140], order // 2), replicates=4000).sensitivity
    assert (paired.lower, paired.upper) == pytest.approx((single.lower, single.upper), abs=0.015)
    again = correct_for_verification(record_of([231, 32, 166, 27, 54, 140], order // 2), replicates=4000).sensitivity
    assert (again.lower, again.upper) == (paired.lower, paired.upper)


@pytest.mark.slow
@pytest.mark.parametrize(("patients", "each"), [(20, 8), (60, 4)])
def test_coverage_with_repeated_steps(patients, each):
    """300 studies: 95 % limits hold the truth in at least nine of ten."""
    rng = np.random.default_rng(11)
    held = np.zeros(2)
    for _ in range(300):
        found = correct_for_verification(simulate(rng, patients, each), replicates=400)
        held += [e.lower <= t <= e.upper for e, t in ((found.sensitivity, 0.8), (found.specificity, 0.7))]
    assert (held / 300 > 0.9).all(), held / 300
