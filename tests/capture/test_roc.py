"""Signs that are numbers: pROC (r08), scipy's Mann-Whitney, brute-force cuts, and known optimism."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.capture.roc import assess_continuous_sign
from capstat.capture.signs import SignRecord
from capstat.results import NotEstimableError, UsageError


def record_of(value, positive, patient=None, **others):
    value = np.asarray(value, dtype=float)
    patient = np.arange(value.size) if patient is None else np.asarray(patient)
    record = {
        "name": "etco2_rise_mmhg", "label": "rise of end-tidal carbon dioxide", "parts": ("etco2_rise_mmhg",),
        "continuous": True, "unit": "mmHg", "reference_name": "ultrasound", "reference_label": "ultrasound",
        "value": value, "reference": np.asarray(positive, dtype=float), "patient": patient, "attempt": patient,
        "current_ma": np.full(value.size, 70.0),
    }  # fmt: skip
    return SignRecord(**{**record, **others})


@pytest.mark.reference
def test_area_and_best_cut_of_proc(reference):
    case = reference("r08")
    found = assess_continuous_sign(record_of(case.data["value"], case.data["positive"]), replicates=200)
    case.check("auc", found.area.value)
    case.check("logit_ci95", (found.area.lower, found.area.upper))
    case.check("youden_sensitivity", found.best.apparent_sensitivity.value)
    case.check("youden_specificity", found.best.apparent_specificity.value)
    # pROC cuts midway between neighbouring values; ours is the value that reaches it
    values = np.unique(case.data["value"])
    assert found.best.cut.value == values[values > case.expected["youden_midpoint"]["value"]].min()
    assert found.best.words == f"rise of end-tidal carbon dioxide of at least {found.best.cut.value:g} mmHg"


@given(
    st.lists(st.tuples(st.floats(-20, 20), st.booleans(), st.integers(0, 8)), min_size=2, max_size=30),
    st.integers(0, 3),
)
@settings(max_examples=60, deadline=None)
def test_cut_and_curve_by_brute_force(rows, seed):
    value, positive, patient = (np.array(column) for column in zip(*rows, strict=True))
    if positive.all() or not positive.any():
        with pytest.raises(NotEstimableError, match="both kinds"):
            assess_continuous_sign(record_of(value, positive, patient))
        return
    found = assess_continuous_sign(record_of(value, positive, patient), replicates=50, seed=seed)
    u = stats.mannwhitneyu(value[positive], value[~positive], method="asymptotic").statistic
    assert found.area.value == pytest.approx(u / (positive.sum() * (~positive).sum()), abs=1e-12)
    curve = found.curve
    for cut, sensitivity, specificity in zip(curve.cut, curve.sensitivity, curve.specificity, strict=True):
        assert sensitivity == pytest.approx((value[positive] >= cut).mean())
        assert specificity == pytest.approx((value[~positive] < cut).mean())
    trapezoid = np.trapezoid(curve.sensitivity, 1 - curve.specificity)
    assert trapezoid == pytest.approx(found.area.value, abs=1e-12)
    youden = {cut: (value[positive] >= cut).mean() + (value[~positive] < cut).mean() - 1 for cut in range(-20, 21)}
    best = max(youden.values())
    if found.best.cut.value is None:
        assert best <= 1e-9
        assert found.best.cut.reason == "no cut tells steps with capture from steps without"
    else:
        assert youden[found.best.cut.value] == pytest.approx(best)
        got = found.best.apparent_sensitivity.value + found.best.apparent_specificity.value - 1
        assert got == pytest.approx(best)
        for estimate in (found.best.cut, found.best.sensitivity, found.best.specificity):
            assert (estimate.value is None) == bool(estimate.reason)


def test_the_correction_removes_the_optimism():
    """Known truth: 400 small studies of one normal shift; new steps at each chosen cut tell its real performance."""
    rng = np.random.default_rng(4)
    apparent, corrected, real = [], [], []
    for _ in range(400):
        positive = np.arange(40) % 2 == 0
        value = rng.normal(0, 6, 40) + 5 * positive
        best = assess_continuous_sign(record_of(value, positive), replicates=60, seed=1).best
        apparent.append(best.apparent_sensitivity.value + best.apparent_specificity.value - 1)
        corrected.append(best.sensitivity.value + best.specificity.value - 1)
        cut = best.cut.value
        real.append(stats.norm.sf((cut - 5) / 6) - stats.norm.sf(cut / 6))
    optimism = np.mean(apparent) - np.mean(real)
    assert optimism > 0.08
    assert abs(np.mean(corrected) - np.mean(real)) < optimism / 3


def test_same_seed_same_result_and_limits_in_order():
    rng = np.random.default_rng(6)
    patient = np.arange(90) // 3
    positive = rng.random(90) < 0.5
    record = record_of(rng.normal(2, 4, 90) + 5 * positive, positive, patient)
    one, two = (assess_continuous_sign(record, replicates=300, seed=9) for _ in range(2))
    assert one.best == two.best
    assert one.best != assess_continuous_sign(record, replicates=300, seed=10).best
    for estimate in (one.best.cut, one.best.sensitivity, one.best.specificity):
        assert estimate.lower <= estimate.value <= estimate.upper
    assert "Obuchowski" in one.area.method
    assert one.area.n == one.n_patients == 30


def test_small_and_odd_studies():
    low = assess_continuous_sign(record_of([1, 2, 3], [1, 0, 0]))
    assert low.area.value == 0
    assert low.area.upper < 1
    assert "lower with capture" in low.area.notes[0]
    assert low.best.cut.value is None
    assert low.best.words == ""
    assert low.notes == ("only 3 patients: the limits are rough",)
    one = assess_continuous_sign(record_of([1, 8, 2, 9], [0, 1, 0, 1], [0] * 4))
    assert one.best.cut.value == 8
    assert one.best.cut.lower is None
    assert one.best.sensitivity.reason == "too few patients to tell how optimistic the cut is"
    with pytest.raises(NotEstimableError, match="ultrasound found capture at every step"):
        assess_continuous_sign(record_of([1, 2], [1, 1]))
    with pytest.raises(NotEstimableError, match="etco2_rise_mmhg was recorded at no step"):
        assess_continuous_sign(record_of([np.nan, np.nan], [1, 0]))
    with pytest.raises(UsageError, match="is yes or no"):
        assess_continuous_sign(record_of([1, 0], [1, 0], continuous=False))
