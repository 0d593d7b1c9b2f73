"""Partial verification by several signs: Begg & Greenes as a special case, and simulations with known truth."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from capstat.capture.signs import SignRecord, combine_signs
from capstat.capture.verification import correct_for_verification
from capstat.capture.verification_by_signs import correct_for_verification_by_signs
from capstat.results import NotEstimableError, UsageError

NAN = np.nan
TRUTH = {"femoral_pulse": (0.93, 0.70), "oximetry_waveform": (0.85, 0.92)}


def record_of(name, value, reference, patient):
    return SignRecord(
        name, name.replace("_", " "), (name,), False, "", "ultrasound", "ultrasound", value, reference, patient, patient,
        np.full(value.size, 70.0),
    )  # fmt: skip


def simulated(seed, patients=300, steps=3):
    """Steps of patients; scanned where no femoral pulse was felt (45 %), seldom elsewhere (12 %)."""
    rng = np.random.default_rng(seed)
    patient = np.repeat(np.arange(patients), steps)
    # patients differ in how often they are captured
    captured = rng.random(patient.size) < np.repeat(rng.beta(2, 2, patients), steps)
    signs = {}
    for name, (se, sp) in TRUTH.items():
        yes = rng.random(patient.size) < np.where(captured, se, 1 - sp)
        signs[name] = np.where(rng.random(patient.size) < 0.8, yes.astype(float), NAN)
    seldom = np.where(signs["femoral_pulse"] == 0, 0.45, 0.12)
    reference = np.where(rng.random(patient.size) < seldom, captured.astype(float), NAN)
    records = [record_of(name, value, reference, patient) for name, value in signs.items()]
    return records, np.stack(list(signs.values()), axis=1)


def test_one_sign_alone_is_begg_and_greenes():
    """Saturated in the sign, the imputation is theirs; the only difference is the wide prior."""
    (femoral, _), _ = simulated(1)
    alone = correct_for_verification(femoral)
    (found,) = correct_for_verification_by_signs([femoral], femoral.value[:, None])
    for name in ("sensitivity", "specificity"):
        one, two = getattr(alone, name), getattr(found, name)
        assert two.value == pytest.approx(one.value, abs=5e-3)
        assert (two.lower, two.upper) == pytest.approx((one.lower, one.upper), abs=0.04)


def test_a_sign_that_did_not_decide_on_the_scan_is_mended_too():
    """The truth is known; corrected by itself alone, the waveform looks more sensitive than it is."""
    records, predictors = simulated(2, patients=30_000, steps=2)
    waveform = records[1]
    alone = correct_for_verification(waveform, replicates=20)
    found = correct_for_verification_by_signs(records, predictors, replicates=20)
    for result, (se, sp) in zip(found, TRUTH.values(), strict=True):
        assert result.sensitivity.value == pytest.approx(se, abs=0.012)
        assert result.specificity.value == pytest.approx(sp, abs=0.012)
    assert alone.sensitivity.value > TRUTH["oximetry_waveform"][0] + 0.03


@pytest.mark.slow
def test_coverage():
    """250 studies of 300 patients with 3 settings each; recorded in DEVELOPERS.md."""
    inside = {(name, k): [] for name in TRUTH for k in (0, 1)}
    alone = []
    for seed in range(250):
        records, predictors = simulated(1000 + seed)
        found = correct_for_verification_by_signs(records, predictors, replicates=300)
        for (name, truth), result in zip(TRUTH.items(), found, strict=True):
            for k, estimate in enumerate((result.sensitivity, result.specificity)):
                inside[name, k].append(estimate.lower <= truth[k] <= estimate.upper)
        e = correct_for_verification(records[1], replicates=300).sensitivity
        alone.append(e.lower <= TRUTH["oximetry_waveform"][0] <= e.upper)
    shares = {key: np.mean(value) for key, value in inside.items()}
    assert all(0.91 <= share <= 0.98 for share in shares.values()), shares
    assert np.mean(alone) < 0.6, np.mean(alone)


def test_same_seed_and_rules():
    records, predictors = simulated(3)
    rule = combine_signs(records)
    one, two = (correct_for_verification_by_signs([rule], predictors, replicates=100, seed=4) for _ in range(2))
    assert one[0].sensitivity == two[0].sensitivity
    assert one[0].specificity.lower < one[0].specificity.value < one[0].specificity.upper
    assert one[0].sensitivity.identified is not None


def test_everything_verified_is_the_plain_share():
    records, predictors = simulated(4)
    full = np.random.default_rng(1).integers(0, 2, records[0].value.size).astype(float)
    known = record_of("femoral_pulse", records[0].value, full, records[0].patient)
    (found,) = correct_for_verification_by_signs([known], predictors, replicates=100)
    assert found.sensitivity.value == pytest.approx(found.uncorrected_sensitivity.value, abs=1e-12)


def test_an_empty_cell_widens_its_own_side_only():
    """Never false where verified: limits count the verified patients; the sensitivity stays the imputed one."""
    records, predictors = simulated(5)
    verified = ~np.isnan(records[1].reference)
    value = np.where(records[1].reference == 0, 0.0, records[1].value)
    waveform = record_of("oximetry_waveform", value, records[1].reference, records[1].patient)
    with_it = np.column_stack([predictors[:, 0], value])
    (found,) = correct_for_verification_by_signs([waveform], with_it, replicates=100)
    absent = np.unique(waveform.patient[verified & (waveform.reference == 0) & ~np.isnan(value)]).size
    assert found.specificity.value > 0.97
    width = found.specificity.upper - found.specificity.lower
    assert width >= np.diff(proportion_confint(absent, absent, method="wilson"))[0] * 0.9
    assert abs(found.sensitivity.value - 0.85) < abs(correct_for_verification(waveform).sensitivity.value - 0.85)


def test_refused():
    records, predictors = simulated(6)
    few = record_of("femoral_pulse", records[0].value, np.full(records[0].value.size, NAN), records[0].patient)
    with pytest.raises(NotEstimableError, match="fewer than 10 steps"):
        correct_for_verification_by_signs([few], predictors)
    with pytest.raises(UsageError, match="same steps"):
        correct_for_verification_by_signs([records[0]], predictors[:-1])
