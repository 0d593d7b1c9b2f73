"""Which comparison fits, against known truth and by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from capstat.distributions import LOGNORMAL, fit_regression
from capstat.numerics.proportions import independent_difference, paired_difference_newcombe
from capstat.placement import (
    ANTERIOR_LATERAL,
    ANTERIOR_POSTERIOR,
    compare_placements,
    first_attempt_of_each_patient,
    paired_capture,
    paired_ratio,
    unpaired_ratio,
)
from capstat.placement.unpaired import body_size_column
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

INF = np.inf
AP, AL = ANTERIOR_POSTERIOR, ANTERIOR_LATERAL


def two_groups(on_grid, *, n=400, ratio=0.8, seed=1, **covariates):
    rng = np.random.default_rng(seed)
    is_ap = rng.random(n) < 0.5
    true = np.exp(np.log(90) + np.log(ratio) * is_ap + rng.normal(0, 0.25, n))
    frame = pd.DataFrame({"max_output_ma": np.full(n, 140.0), **{k: v(rng, n) for k, v in covariates.items()}})
    return on_grid(true, 30, 5, 140, placement=np.where(is_ap, AP, AL), covariates=frame)


def pairs(on_grid, *, n=40, seed=2, assignment="randomised"):
    rng = np.random.default_rng(seed)
    patient = np.repeat(np.arange(n), 2)
    is_ap = np.tile([1.0, 0.0], n)
    order = np.where(np.repeat(rng.random(n) < 0.5, 2), np.tile([1, 2], n), np.tile([2, 1], n))
    true = np.exp(np.log(120) + np.log(0.75) * is_ap + rng.normal(0, 0.3, n)[patient] + rng.normal(0, 0.14, 2 * n))
    frame = pd.DataFrame({"attempt_order": order, "max_output_ma": 140.0, "assignment": assignment})
    return on_grid(true, 40, 5, 140, patient=patient, placement=np.where(is_ap == 1, AP, AL), covariates=frame)


def test_different_patients(on_grid):
    result = compare_placements(two_groups(on_grid), seed=1, replicates=200)
    assert not result.paired
    assert not result.randomised
    assert result.paired_capture is None
    assert "No patient was paced with both" in result.why
    assert result.ratio.lower < 0.8 < result.ratio.upper
    assert result.ratio.direction == f"{AP} relative to {AL}"
    assert result.difference_at_median.value == pytest.approx(90 * (0.8 - 1), abs=6)
    assert result.common_maximum_ma == 140


def test_difference_on_a_common_grid_is_newcombes(on_grid):
    """Without censoring before 100 mA the capture curves are plain proportions: statsmodels gives the interval."""
    thresholds = two_groups(on_grid)
    result = compare_placements(thresholds, seed=1, replicates=2000, currents_ma=(80.0, 100.0))
    for estimate, current in zip(result.difference.at_currents, (80, 100), strict=True):
        captured = [thresholds.for_placement(name).upper_ma <= current for name in (AP, AL)]
        x1, n1, x2, n2 = captured[0].sum(), captured[0].size, captured[1].sum(), captured[1].size
        assert estimate.value == pytest.approx(x1 / n1 - x2 / n2)
        assert (estimate.lower, estimate.upper) == pytest.approx(independent_difference(x1, n1, x2, n2), abs=0.012)


def test_same_patients(on_grid):
    thresholds = pairs(on_grid)
    result = compare_placements(thresholds, seed=1, replicates=200)
    assert result.paired
    assert result.randomised
    assert result.n_both == 40
    assert "compared with himself or herself" in result.why
    assert result.ratio.lower < 0.75 < result.ratio.upper
    assert result.paired_ratio.ratio_adjusted_for_order.value == pytest.approx(result.ratio.value, rel=0.1)
    table = result.paired_capture
    assert table.both + table.first_only + table.second_only + table.neither == 40
    # the joint bootstrap knows that patients are paired: its interval agrees with Newcombe's for pairs
    at_maximum = result.difference.at_currents[-1]
    assert at_maximum.value == pytest.approx(table.difference.value)
    expected = paired_difference_newcombe(table.both, table.first_only, table.second_only, table.neither)
    assert (at_maximum.lower, at_maximum.upper) == pytest.approx(expected, abs=0.04)


def test_pairing_narrows_the_interval(on_grid):
    thresholds = pairs(on_grid)
    apart = CensoredThresholds.from_bounds(
        thresholds.lower_ma, thresholds.upper_ma, None, thresholds.placement, covariates=thresholds.covariates
    )
    within = compare_placements(thresholds, seed=1, replicates=200)
    between = compare_placements(apart, seed=1, replicates=200, adjust_for=())
    assert within.ratio.upper - within.ratio.lower < 0.75 * (between.ratio.upper - between.ratio.lower)


def test_paired_capture_by_hand():
    """Five patients at 140 mA: both, first only, second only, neither, and one stopped at 90 mA."""
    lower = [60, 60, 60, 140, 140, 60, 140, 140, 60, 90]
    upper = [65, 65, 65, INF, INF, 65, INF, INF, 65, INF]
    patient = np.repeat(np.arange(5), 2)
    thresholds = CensoredThresholds.from_bounds(lower, upper, patient, [AP, AL] * 5)
    table = paired_capture(thresholds, AP, AL, current_ma=140)
    assert (table.both, table.first_only, table.second_only, table.neither) == (1, 1, 1, 1)
    assert table.undetermined == 1
    assert table.test.p_exact == 1.0
    assert table.difference.value == 0


def test_pads_moved_after_failure_do_not_make_a_paired_study(on_grid):
    """A minority with both placements had the second because the first failed: first attempts are compared."""
    base = two_groups(on_grid, n=200)
    failed = np.flatnonzero(np.isinf(base.upper_ma))[:5]
    other = np.where(base.placement[failed] == AP, AL, AP)
    both = CensoredThresholds.from_bounds(
        np.r_[base.lower_ma, np.full(failed.size, 140.0)],
        np.r_[base.upper_ma, np.full(failed.size, INF)],
        np.r_[base.patient, base.patient[failed]],
        np.r_[base.placement, other],
        covariates=pd.DataFrame(
            {"attempt_order": np.r_[np.ones(200), np.full(failed.size, 2)], "max_output_ma": 140.0}
        ),
    )
    result = compare_placements(both, seed=1, replicates=100)
    assert not result.paired
    assert "They are not a fair sample" in result.why
    assert result.n_later == failed.size
    plain = compare_placements(base, seed=1, replicates=100)
    assert result.ratio.value == pytest.approx(plain.ratio.value)


def test_first_attempts_by_recorded_order():
    thresholds = CensoredThresholds.from_bounds(
        [60, 40, 50],
        [65, 45, 55],
        ["a", "a", "b"],
        [AP, AL, AP],
        covariates=pd.DataFrame({"attempt_order": [2, 1, np.nan]}),
    )
    kept = first_attempt_of_each_patient(thresholds)
    assert kept.upper_ma.tolist() == [45, 55]


def test_body_size_takes_the_confounding_away(on_grid):
    """Large patients get anterior-lateral pads and need more current: the plain ratio exaggerates, known truth 0.85."""
    rng = np.random.default_rng(3)
    n = 1500
    size = rng.normal(28, 5, n)
    is_ap = rng.random(n) < 1 / (1 + np.exp(0.4 * (size - 28)))
    true = np.exp(np.log(80) + np.log(0.85) * is_ap + np.log(1.12) * (size - 28) / 5 + rng.normal(0, 0.2, n))
    recorded = np.where(rng.random(n) < 0.1, np.nan, size)
    thresholds = on_grid(
        true,
        30,
        5,
        160,
        placement=np.where(is_ap, AP, AL),
        covariates=pd.DataFrame({"body_mass_index": recorded}),
    )
    result = unpaired_ratio(thresholds, AP, AL, adjust_for=["body_mass_index"])
    assert result.ratio.lower < 0.85 < result.ratio.upper
    assert result.unadjusted.upper < 0.85
    assert result.covariate_ratios[0].value == pytest.approx(1.12, abs=0.02)
    assert result.n_complete == np.isfinite(recorded).sum()
    assert result.n_total == n
    assert body_size_column(thresholds) == "body_mass_index"


def test_adjusted_ratio_is_the_regression_coefficient(on_grid):
    thresholds = two_groups(on_grid, body_mass_index=lambda rng, n: rng.normal(28, 5, n))
    result = unpaired_ratio(thresholds, AP, AL, adjust_for=["body_mass_index"])
    bmi = thresholds.covariates["body_mass_index"].to_numpy()
    design = np.column_stack((np.ones(len(thresholds)), thresholds.placement == AP, bmi))
    fit = fit_regression(thresholds, design, ("i", "ap", "bmi"), family=LOGNORMAL)
    assert result.ratio.value == pytest.approx(np.exp(fit.coefficients[1]), rel=1e-6)
    assert result.covariate_ratios[0].value == pytest.approx(np.exp(5 * fit.coefficients[2]), rel=1e-6)
    assert [name for name, _, _ in result.by_family] == ["lognormal", "Weibull", "log-logistic"]


def test_a_placement_that_never_captured_gives_a_bound():
    thresholds = CensoredThresholds.from_bounds(
        [140, 140, 140, 60, 70, 80, 40], [INF] * 3 + [65, 75, 85, 45], placement=[AL] * 3 + [AP] * 4
    )
    result = compare_placements(thresholds, seed=1, replicates=100)
    assert result.ratio.value is None
    assert "no attempt with anterior-lateral placement captured" in result.ratio.reason
    assert 0 < result.ratio.upper < 1
    assert result.difference_at_median.value is None


def test_paired_without_any_capture_says_so():
    lower, upper = [140, 60, 140, 70, 140, 90], [INF, 65, INF, 75, INF, 95]
    thresholds = CensoredThresholds.from_bounds(lower, upper, [0, 0, 1, 1, 2, 2], [AL, AP] * 3)
    with pytest.raises(NotEstimableError, match="No attempt with anterior-lateral placement captured"):
        paired_ratio(thresholds, AP, AL)
    result = compare_placements(thresholds, seed=1, replicates=100)
    assert result.ratio.value is None
    assert result.paired_capture.first_only == 3


def test_nothing_to_compare():
    one = CensoredThresholds.from_bounds([60], [65], placement=[AP])
    with pytest.raises(NotEstimableError, match="no attempt with anterior-lateral placement"):
        compare_placements(one, seed=1)
    with pytest.raises(NotEstimableError, match="no attempt with anterior-lateral placement"):
        unpaired_ratio(one, AP, AL, adjust_for=())
    with pytest.raises(NotEstimableError, match="There is no attempt"):
        paired_ratio(one, AP, AL)
    with pytest.raises(NotEstimableError, match="No patient has both"):
        paired_capture(one, AP, AL, current_ma=140)


def test_wrong_covariates_are_named(on_grid):
    thresholds = two_groups(on_grid, n=30, colour=lambda rng, n: np.full(n, "red"))
    with pytest.raises(ValueError, match="no covariate 'shoe'"):
        unpaired_ratio(thresholds, AP, AL, adjust_for=["shoe"])
    with pytest.raises(ValueError, match="not a number or a yes/no column"):
        unpaired_ratio(thresholds, AP, AL, adjust_for=["colour"])


def test_same_seed_same_numbers(on_grid):
    thresholds = pairs(on_grid, n=15)
    one, two = (compare_placements(thresholds, seed=7, replicates=100) for _ in range(2))
    assert one.difference.at_currents == two.difference.at_currents
    other = compare_placements(thresholds, seed=8, replicates=100)
    assert one.difference.at_currents != other.difference.at_currents


def test_swapping_the_placements_inverts_the_answer(on_grid):
    thresholds = pairs(on_grid, n=20)
    one = compare_placements(thresholds, AP, minus=AL, seed=1, replicates=100)
    two = compare_placements(thresholds, AL, minus=AP, seed=1, replicates=100)
    assert one.ratio.value == pytest.approx(1 / two.ratio.value, rel=1e-4)
    assert one.ratio.lower == pytest.approx(1 / two.ratio.upper, rel=1e-3)
    assert one.difference.at_currents[2].value == pytest.approx(-two.difference.at_currents[2].value)
