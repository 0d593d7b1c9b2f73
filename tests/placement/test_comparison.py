"""Which comparison fits, against known truth and by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import confint_proportions_2indep

from capstat.distributions import LOGNORMAL, Covariates, fit_covariate_model, fit_regression
from capstat.numerics.proportions import paired_difference_newcombe
from capstat.placement import (
    ANTERIOR_LATERAL,
    ANTERIOR_POSTERIOR,
    Assignment,
    compare_placements,
    first_attempt_of_each_patient,
    paired_by_design,
    paired_capture,
    paired_ratio,
    unpaired_ratio,
)
from capstat.placement.unpaired import body_size_column
from capstat.report.placement_sentences import assignment_sentence, why_sentence
from capstat.results import NotEstimableError, UsageError
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
    assert result.assignment is Assignment.UNKNOWN
    assert result.paired_capture is None
    assert "No patient was paced with both" in why_sentence(result)
    assert "not recorded" in assignment_sentence(result)
    assert result.ratio.lower < 0.8 < result.ratio.upper
    assert result.ratio.direction == f"{AP} relative to {AL}"
    assert result.difference_at_median.value == pytest.approx(90 * (0.8 - 1), abs=6)
    assert result.common_maximum_ma == 140


def test_difference_on_a_common_grid_is_newcombes(on_grid):
    """Without censoring before 100 mA the capture curves are plain proportions: statsmodels gives the interval."""
    thresholds = two_groups(on_grid)
    result = compare_placements(thresholds, seed=1, replicates=2000, currents_ma=(80.0, 100.0))
    for estimate, current in zip(result.difference.at_currents, (80, 100, 140), strict=True):
        captured = [thresholds.for_placement(name).upper_ma <= current for name in (AP, AL)]
        x1, n1, x2, n2 = captured[0].sum(), captured[0].size, captured[1].sum(), captured[1].size
        assert estimate.value == pytest.approx(x1 / n1 - x2 / n2)
        assert (estimate.lower, estimate.upper) == pytest.approx(
            confint_proportions_2indep(x1, n1, x2, n2, method="newcomb"), abs=0.012
        )


def test_same_patients(on_grid):
    thresholds = pairs(on_grid)
    result = compare_placements(thresholds, seed=1, replicates=200)
    assert result.paired
    assert result.assignment is Assignment.RANDOMISED
    assert result.n_both == 40
    assert "40 of 40 patients were paced with both" in why_sentence(result)
    assert why_sentence(result).endswith("compared with themselves.")
    assert result.ratio.lower < 0.75 < result.ratio.upper
    assert result.paired_ratio.without_order.value == pytest.approx(result.ratio.value, rel=0.1)
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
    assert "They are not a fair sample" in why_sentence(result)
    assert result.n_first_failed == failed.size
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
    assert [name for name, _, _ in result.by_family] == ["lognormal", "Weibull", "log-logistic", "gamma"]


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
    lower, upper = [140, 60, 140, 70, 140, 90] * 2, [INF, 65, INF, 75, INF, 95] * 2
    thresholds = CensoredThresholds.from_bounds(lower, upper, np.repeat(np.arange(6), 2), [AL, AP] * 6)
    with pytest.raises(NotEstimableError, match="No attempt with anterior-lateral placement captured"):
        paired_ratio(thresholds, AP, AL)
    result = compare_placements(thresholds, seed=1, replicates=100)
    assert result.ratio.value is None
    assert result.paired_capture.first_only == 6
    # the data still bound the ratio from one side: at the limit the profile has fallen by the t drop of six pairs
    assert result.ratio.lower == 0
    assert 0.4 < result.ratio.upper < 1


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
    with pytest.raises(UsageError, match="no covariate 'shoe'"):
        unpaired_ratio(thresholds, AP, AL, adjust_for=["shoe"])
    with pytest.raises(NotEstimableError, match="'colour' is 'red' in all of these attempts"):
        unpaired_ratio(thresholds, AP, AL, adjust_for=["colour"])


def test_levels_may_be_adjusted_for(on_grid):
    """The same coefficients as the covariate regression with the same columns."""
    thresholds = two_groups(
        on_grid, n=300, sex=lambda rng, n: rng.choice(["female", "male"], n, p=[0.4, 0.6]),
        age_years=lambda rng, n: rng.normal(60, 10, n),
    )  # fmt: skip
    result = unpaired_ratio(thresholds, AP, AL, adjust_for=["sex", "age_years"])
    names = Covariates(("placement", "sex", "age_years"), reference=(("placement", AL),))
    expected = fit_covariate_model(thresholds, names, family=LOGNORMAL).regression
    assert result.ratio.value == pytest.approx(np.exp(expected.coefficients[1]), rel=1e-6)
    sex, age = result.covariate_ratios
    assert sex.quantity == "ratio of capture thresholds, sex: female relative to male"
    assert (sex.value, age.value) == pytest.approx(
        (np.exp(expected.coefficients[2]), np.exp(10 * expected.coefficients[3])), rel=1e-6
    )


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


def test_everybody_captured_by_the_better_placement_is_compared_at_the_device_maximum():
    """20 of 20 captured by 80 mA are captured at 140 mA too; the difference there is 20/20 - 18/20."""
    lower = [60] * 10 + [75] * 10 + [100] * 18 + [140] * 2
    upper = [65] * 10 + [80] * 10 + [105] * 18 + [INF] * 2
    thresholds = CensoredThresholds.from_bounds(
        lower, upper, None, [AP] * 20 + [AL] * 20, covariates=pd.DataFrame({"max_output_ma": [140.0] * 40})
    )
    result = compare_placements(thresholds, seed=1, replicates=100, currents_ma=(70.0,))
    assert result.difference_at_maximum.quantity == "difference in share captured at 140 mA"
    assert result.difference_at_maximum.value == pytest.approx(0.1)
    assert [share.value for share in result.shares_at_maximum] == pytest.approx([1.0, 0.9])


def test_a_difference_beyond_what_one_placement_saw_says_so():
    """Everybody stopped at 90 mA without capture: nothing is known at 140 mA."""
    thresholds = CensoredThresholds.from_bounds(
        [60, 60, 70, 90, 90], [65, 65, 75, INF, INF], None, [AP] * 3 + [AL] * 2,
        covariates=pd.DataFrame({"max_output_ma": [140.0] * 5}),
    )  # fmt: skip
    result = compare_placements(thresholds, seed=1, replicates=100)
    assert result.difference_at_maximum.value is None
    assert "followed to 90 mA only" in result.difference_at_maximum.reason


def test_one_order_for_everybody_keeps_the_ratio_and_says_what_is_lost(on_grid):
    thresholds = pairs(on_grid, n=12)
    order = np.where(thresholds.placement == AP, 1, 2)
    fixed = CensoredThresholds.from_bounds(
        thresholds.lower_ma, thresholds.upper_ma, thresholds.patient, thresholds.placement,
        covariates=thresholds.covariates.assign(attempt_order=order),
    )  # fmt: skip
    result = compare_placements(fixed, seed=1, replicates=100)
    assert result.ratio.value is not None
    assert result.paired_ratio.constant_order
    assert result.paired_ratio.period is None


def test_a_placement_without_the_covariate_is_named(on_grid):
    thresholds = two_groups(on_grid, n=60, weight_kg=lambda rng, n: rng.normal(80, 10, n))
    weight = np.where(thresholds.placement == AP, np.nan, thresholds.covariates["weight_kg"])
    broken = CensoredThresholds.from_bounds(
        thresholds.lower_ma,
        thresholds.upper_ma,
        None,
        thresholds.placement,
        covariates=pd.DataFrame({"weight_kg": weight}),
    )
    result = unpaired_ratio(broken, AP, AL, adjust_for=["weight_kg"])
    assert "recorded for none of the" in result.ratio.reason
    assert "anterior-posterior" in result.ratio.reason
    assert result.unadjusted.value is not None


def test_patients_compared_with_themselves_need_no_adjustment(on_grid):
    with pytest.raises(UsageError, match="nothing to adjust for"):
        compare_placements(pairs(on_grid, n=10), seed=1, adjust_for=["weight_kg"])


def test_outcomes_and_equal_placements_are_refused(on_grid):
    thresholds = two_groups(on_grid, n=30, survived_30_days=lambda rng, n: rng.random(n) < 0.5)
    with pytest.raises(UsageError, match="not known before the pads are placed"):
        unpaired_ratio(thresholds, AP, AL, adjust_for=["survived_30_days"])
    with pytest.raises(UsageError, match="compared with itself"):
        compare_placements(thresholds, AP, minus=AP, seed=1)


@pytest.mark.parametrize("n", [3, 6])
def test_tiny_groups_are_not_called_different(on_grid, n):
    """No true difference, n patients in each group: the 95 % interval leaves out 1 in about 5 % of 150 studies."""
    excluded = studies = 0
    for seed in range(150):
        rng = np.random.default_rng(seed)
        thresholds = on_grid(75 * np.exp(rng.normal(0, 0.26, 2 * n)), 30, 5, 140, placement=[AP] * n + [AL] * n)
        ratio = unpaired_ratio(thresholds, AP, AL, adjust_for=()).ratio
        if ratio.value is not None:
            studies += 1
            excluded += not ratio.lower < 1 < ratio.upper
    assert studies > 130
    assert excluded <= 15


def test_always_captured_at_the_first_setting_gives_a_bound_too():
    lower, upper = [0, 60, 0, 70, 0, 90, 0, 80], [40, 65, 40, 75, 40, 95, 40, 85]
    thresholds = CensoredThresholds.from_bounds(lower, upper, np.repeat(np.arange(4), 2), [AP, AL] * 4)
    ratio = compare_placements(thresholds, seed=1, replicates=100).ratio
    assert "captured at its first setting" in ratio.reason
    assert ratio.lower == 0
    assert ratio.upper < 0.9


def test_half_with_both_is_a_paired_study_only_when_randomised():
    lower, upper = [60, 80, 65, 85, 70, 90, 75], [65, 85, 70, 90, 75, 95, 80]
    patient, placement = [0, 0, 1, 1, 2, 3, 4], [AP, AL, AP, AL, AP, AL, AP]
    for words, paired in (("randomised", False), ("chosen", False)):
        frame = pd.DataFrame({"assignment": [words] * 7})
        thresholds = CensoredThresholds.from_bounds(lower, upper, patient, placement, covariates=frame)
        assert paired_by_design(thresholds, AP, AL) is paired
    frame = pd.DataFrame({"assignment": ["randomised"] * 6})
    most = CensoredThresholds.from_bounds(lower[:6], upper[:6], patient[:6], placement[:6], covariates=frame)
    assert paired_by_design(most, AP, AL)
    assert not paired_by_design(
        CensoredThresholds.from_bounds(lower[:6], upper[:6], patient[:6], placement[:6]), AP, AL
    )
    sentence = why_sentence(compare_placements(most, seed=1, replicates=100))
    assert "2 of 4 patients" in sentence
    assert "2 patients with only one of the two" in sentence


def test_standard_errors_of_both_median_differences(on_grid):
    """Delta method against the spread of the same estimate over 24 simulated studies, within one half."""
    between, within, claimed_between, claimed_within = [], [], [], []
    for seed in range(24):
        one = unpaired_ratio(two_groups(on_grid, n=80, seed=seed), AP, AL, adjust_for=()).difference_at_median
        two = paired_ratio(pairs(on_grid, n=12, seed=seed), AP, AL).difference_at_median
        between.append(one.value)
        within.append(two.value)
        claimed_between.append((one.upper - one.lower) / 2 / 1.99)
        claimed_within.append((two.upper - two.lower) / 2 / (2.2 * np.sqrt(12 / 11)))
    assert np.mean(claimed_between) == pytest.approx(np.std(between), rel=0.5)
    assert np.mean(claimed_within) == pytest.approx(np.std(within), rel=0.5)


def test_common_maximum_is_the_weakest_device(on_grid):
    thresholds = two_groups(on_grid, n=40)
    mixed = CensoredThresholds.from_bounds(
        thresholds.lower_ma, thresholds.upper_ma, None, thresholds.placement,
        covariates=pd.DataFrame({"max_output_ma": np.where(np.arange(40) % 2, 140.0, 200.0)}),
    )  # fmt: skip
    assert compare_placements(mixed, seed=1, replicates=100).common_maximum_ma == 140


def test_the_first_of_several_attempts_with_a_placement_counts():
    thresholds = CensoredThresholds.from_bounds(
        [140, 60, 80, 140], [INF, 65, 85, INF], [0, 0, 0, 0], [AP, AP, AL, AL],
        covariates=pd.DataFrame({"attempt_order": [3.0, 1.0, np.nan, 2.0]}),
    )  # fmt: skip
    table = paired_capture(thresholds, AP, AL, current_ma=140)
    assert (table.first_only, table.both, table.neither) == (1, 0, 0)
