"""Accuracy of signs: Altman & Bland's table (s17), R's survey (r09), brute-force score limits, and identities."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from capstat.capture.accuracy import assess_sign, two_by_two
from capstat.capture.signs import SignRecord
from capstat.capture.two_by_two import RATIOS, SHARES, TwoByTwo, accuracy_from_counts, score_limits_of_ratio
from capstat.results import NotEstimableError, UsageError

NAMES = [*SHARES, *RATIOS]


def record_of(sign, reference, patient=None, reference_name="adjudicated_capture", name="qrs_with_t_wave", **others):
    sign = np.asarray(sign, dtype=float)
    patient = np.arange(sign.size) if patient is None else np.asarray(patient)
    record = {
        "name": name, "label": name, "parts": (name,), "continuous": False, "unit": "",
        "reference_name": reference_name, "reference_label": reference_name, "value": sign,
        "reference": np.asarray(reference, dtype=float), "patient": patient, "attempt": patient,
        "current_ma": np.full(sign.size, 70.0),
    }  # fmt: skip
    return SignRecord(**{**record, **others})


def steps_of(table):
    return np.repeat([1, 1, 0, 0], table.cells), np.repeat([1, 0, 1, 0], table.cells)


@pytest.mark.reference
def test_liver_scans(reference):
    case = reference("s17")
    table = TwoByTwo(case.data["TP"], case.data["FP"], case.data["FN"], case.data["TN"])
    short = {"sensitivity": "sensitivity", "specificity": "specificity",
             "positive_predictive_value": "ppv", "negative_predictive_value": "npv"}  # fmt: skip
    for interval, word in (("wilson", "wilson"), ("clopper-pearson", "clopper_pearson")):
        found = accuracy_from_counts(table, interval=interval)
        for name, key in short.items():
            estimate = getattr(found, name)
            case.check(key, estimate.value)
            case.check(f"{key}.{word}_ci95", (estimate.lower, estimate.upper))
    case.check("LR+", found.positive_likelihood_ratio.value)
    case.check("LR-", found.negative_likelihood_ratio.value)
    case.check("LR+.log_ci95", (found.positive_likelihood_ratio.lower, found.positive_likelihood_ratio.upper))
    assert found.prevalence.value == 258 / 344
    with pytest.raises(UsageError, match="accepted are wilson, clopper-pearson"):
        accuracy_from_counts(table, interval="wald")


def brute_score_statistic(x1, n1, x2, n2, ratio):
    """Miettinen and Nurminen's statistic with the constrained likelihood maximised numerically."""

    def loss(p2):
        p1 = min(ratio * p2, 1.0)
        return -sum(stats.binom.logpmf(x, n, p) for x, n, p in ((x1, n1, p1), (x2, n2, p2)))

    p2 = optimize.minimize_scalar(loss, bounds=(1e-12, min(1, 1 / ratio) - 1e-12), method="bounded",
                                  options={"xatol": 1e-13}).x  # fmt: skip
    p1 = ratio * p2
    n = n1 + n2
    variance = (p1 * (1 - p1) / n1 + ratio**2 * p2 * (1 - p2) / n2) * n / (n - 1)
    return (x1 / n1 - ratio * x2 / n2) / np.sqrt(variance)


@pytest.mark.parametrize(
    "counts", [(10, 12, 0, 9), (12, 12, 3, 9), (0, 12, 4, 9), (12, 12, 9, 9), (0, 12, 9, 9), (1, 1, 0, 1)]
)
def test_score_limits_are_where_the_score_test_rejects(counts):
    lower, upper = score_limits_of_ratio(*counts, 0.95)
    z = stats.norm.ppf(0.975)
    if lower > 0:
        assert abs(brute_score_statistic(*counts, lower)) == pytest.approx(z, abs=2e-3)
    if np.isfinite(upper):
        assert abs(brute_score_statistic(*counts, upper)) == pytest.approx(z, abs=2e-3)
    assert (lower == 0) == (counts[0] == 0)
    assert np.isinf(upper) == (counts[2] == 0)


@given(st.tuples(*[st.integers(0, 9)] * 4).filter(any))
@settings(max_examples=150, deadline=None)
def test_counts_without_steps_have_no_value(cells):
    table = TwoByTwo(*cells)
    tp, fp, fn, tn = cells
    found = accuracy_from_counts(table)
    nobs = {"sensitivity": tp + fn, "specificity": tn + fp, "positive_predictive_value": tp + fp,
            "negative_predictive_value": fn + tn, "prevalence": sum(cells)}  # fmt: skip
    for name, denominator in nobs.items():
        estimate = getattr(found, name)
        assert (estimate.value is None) == (denominator == 0)
        assert bool(estimate.reason) == (denominator == 0)
    plus = found.positive_likelihood_ratio
    assert (plus.value is None) == (tp + fn == 0 or fp == 0)
    for name in RATIOS:
        estimate = getattr(found, name)
        if estimate.value is not None and estimate.lower is not None:
            assert estimate.lower <= estimate.value <= estimate.upper
        assert ("score" in estimate.method) == (min(cells) == 0 and tp + fn > 0 and tn + fp > 0)
    if plus.value is None and tp > 0 and fp == 0 and tn > 0:
        assert plus.lower > 0
        assert np.isinf(plus.upper)


def test_one_step_from_each_patient_is_the_plain_table():
    table = TwoByTwo(20, 3, 4, 11)
    found = assess_sign(record_of(*steps_of(table)))
    assert found.accuracy == accuracy_from_counts(table)
    assert found.n_patients == found.n_steps == 38


@pytest.mark.reference
def test_clustered_likelihood_ratios_of_survey(reference):
    """svycontrast of the logarithm of a ratio of domain means; the covariance of both proportions is in it."""
    case = reference("r09")
    steps = case.data["steps"]
    found = assess_sign(record_of(steps["sign"], steps["reference"], steps["patient"]))
    t = stats.t.ppf(0.975, 11)
    for name, key in (("positive", "lr_positive.log_se"), ("negative", "lr_negative.log_se")):
        estimate = getattr(found.accuracy, f"{name}_likelihood_ratio")
        case.check(key, np.log(estimate.upper / estimate.value) / t)
        case.check(key, np.log(estimate.value / estimate.lower) / t)
        assert estimate.n == 12


def test_zero_cells_with_repeats_are_wider_than_without():
    table = TwoByTwo(12, 0, 6, 10)
    sign, reference = steps_of(table)
    plain = assess_sign(record_of(sign, reference)).accuracy.positive_likelihood_ratio
    repeated = assess_sign(record_of(sign, reference, np.arange(28) // 2)).accuracy.positive_likelihood_ratio
    assert plain.value is None
    assert repeated.value is None
    assert 0 < repeated.lower < plain.lower
    assert np.isinf(repeated.upper)
    assert "effective" in repeated.method


@given(st.lists(st.tuples(st.booleans(), st.booleans(), st.integers(0, 6)), min_size=1, max_size=40))
@settings(deadline=None)
def test_any_small_study_gives_numbers_or_reasons(rows):
    """Turning sign and reference over exchanges sensitivity with specificity and both predictive values."""
    sign, reference, patient = (np.array(column) for column in zip(*rows, strict=True))
    found = assess_sign(record_of(sign, reference, patient)).accuracy
    turned = assess_sign(record_of(~sign, ~reference, patient)).accuracy
    for one, two in (("sensitivity", "specificity"), ("positive_predictive_value", "negative_predictive_value")):
        a, b = getattr(found, one), getattr(turned, two)
        assert (a.value, a.lower, a.upper, a.n) == (b.value, b.lower, b.upper, b.n)
    for field in fields(found):
        if field.name in NAMES:
            estimate = getattr(found, field.name)
            assert (estimate.value is None) == bool(estimate.reason)
            if None not in (estimate.value, estimate.lower):
                assert estimate.lower <= estimate.value + 1e-12
                assert estimate.value <= estimate.upper + 1e-12


def test_what_a_reader_is_told():
    sign = np.tile([1, 0], 10)
    found = assess_sign(record_of(sign, sign))
    assert any("no error seen in 20 steps" in note for note in found.notes)
    assert not assess_sign(record_of(sign[:18], sign[:18])).notes
    few = assess_sign(record_of([1, 0, 1], [1, 0, 0], reference_name="mechanical_capture", name="femoral_pulse"))
    assert few.notes[0] == "only 3 patients: the limits are rough"
    assert "incorporation" in few.notes[1]
    assert any("counts as false" in note for note in assess_sign(record_of(sign, 1 - sign, None, "ultrasound")).notes)
    pulse = assess_sign(record_of(sign, 1 - sign, name="femoral_pulse"))
    assert any("counts as missed" in note for note in pulse.notes)
    assert "how often capture was present" in pulse.accuracy.positive_predictive_value.notes[0]


def test_missing_steps_do_not_count_and_nothing_is_not_estimable():
    nan = np.nan
    record = record_of([1, 0, nan, 1, 0], [1, nan, 0, 0, 0], [0, 0, 1, 1, 1])
    assert two_by_two(record) == TwoByTwo(1, 1, 0, 1)
    one = assess_sign(record_of([1, 1, 0, 0], [1, 0, 1, 0], [0] * 4)).accuracy
    assert one.positive_likelihood_ratio.value == 1
    assert one.positive_likelihood_ratio.lower is None
    assert one.sensitivity.upper - one.sensitivity.lower > 0.85
    with pytest.raises(NotEstimableError, match="recorded at no step"):
        assess_sign(record_of([nan, nan], [1, 0]))
    with pytest.raises(UsageError, match="is a number"):
        assess_sign(record_of([3, 4], [1, 0], continuous=True))
    with pytest.raises(ValueError, match="negative"):
        TwoByTwo(1, -1, 0, 0)
