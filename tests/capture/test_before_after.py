"""Before and after a change: Newcombe's cases, R's glm, statsmodels, and simulation with a known truth."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.capture.before_after import compare_before_after
from capstat.capture.claims import Claims
from capstat.numerics.segmented import fit_segmented, has_finite_estimate
from capstat.results import NotEstimableError, UsageError


def claims_of(upheld, month, patient=None):
    upheld, month = np.asarray(upheld, dtype=float), np.asarray(month, dtype=float)
    n, blank, words = upheld.size, np.full(upheld.size, np.nan), np.full(upheld.size, "unknown", dtype=object)
    patient = np.arange(n) if patient is None else np.asarray(patient)
    return Claims("electrical_capture", "adjudicated_capture", np.arange(n), patient, np.full(n, 80.0), upheld,
                  words, words, month, blank, blank, n, n)  # fmt: skip


def two_sides(x1, n1, x0, n0):
    """x1 of n1 false after month 5, x0 of n0 before."""
    return claims_of(np.repeat([0.0, 1.0, 0.0, 1.0], [x1, n1 - x1, x0, n0 - x0]), np.repeat([5, 4], [n1, n0]))


def series(rows):
    rows = np.asarray(rows)
    upheld = np.concatenate([np.repeat([0.0, 1.0], [x, n - x]) for _, x, n in rows])
    return claims_of(upheld, np.repeat(rows[:, 0], rows[:, 2]))


@pytest.mark.reference
@pytest.mark.parametrize("at", range(6))
def test_the_difference_is_newcombes(reference, at):
    """s12: Newcombe (1998) Table II and statsmodels."""
    case = reference("s12")
    x1, n1, x0, n0 = case.data["rows"][at]
    found = compare_before_after(two_sides(x1, n1, x0, n0), 5).difference
    case.check(f"newcombe10_diff[{x1}/{n1}-{x0}/{n0}]", (found.lower, found.upper))
    assert found.value == pytest.approx(x1 / n1 - x0 / n0)
    assert found.direction == "after minus before"


@pytest.mark.reference
def test_ratio_and_test_are_those_of_r(reference):
    """r12: fisher.test, and score limits by a search for the constrained maximum."""
    case = reference("r12")
    (x1, x0), (u1, u0) = case.data["two_groups"]
    found = compare_before_after(two_sides(x1, x1 + u1, x0, x0 + u0), 5)
    case.check("fisher[2 groups]", found.difference.p_value)
    case.check("ratio_score[2 groups]", (found.risk_ratio.lower, found.risk_ratio.upper))
    assert found.risk_ratio.value == pytest.approx((x1 / (x1 + u1)) / (x0 / (x0 + u0)))
    assert found.test == "Fisher's exact test"


@pytest.mark.reference
@pytest.mark.parametrize("name", ["smooth", "overdispersed"])
def test_the_segmented_regression_is_that_of_r(reference, name):
    """r12: R's glm with binomial and, where months vary more, quasibinomial errors; square-and-add written out there."""
    case = reference("r12")
    found = compare_before_after(series(case.data[name]), case.data["change_month"]).series
    case.check(f"{name}.dispersion", found.dispersion)
    for key in ("slope_before", "level_change", "slope_change", "difference_at_end"):
        estimate = getattr(found, key)
        case.check(f"{name}.{key}", (estimate.value, estimate.lower, estimate.upper))
    case.check(f"{name}.level_change_p", found.level_change.p_value)
    assert any("dispersion" in note for note in found.level_change.notes) == (name == "overdispersed")
    assert (found.months_before, found.months_after) == (9, 9)


def test_robust_errors_are_those_of_gee():
    """Reference: statsmodels' GEE with working independence; GLM multiplies its variance by G/(G-1) (n-1)/(n-4)."""
    rng = np.random.default_rng(4)
    n = 240
    patient, time = rng.integers(0, 60, n), rng.integers(1, 21, n).astype(float)
    event = rng.random(n) < 0.4
    fit = fit_segmented(event, time, 11.0, patient)
    after = (time >= 11).astype(float)
    design = np.column_stack((np.ones(n), time - 11, after, after * (time - 11)))
    order = np.argsort(patient, kind="stable")
    gee = sm.GEE(event[order].astype(float), design[order], groups=patient[order], family=sm.families.Binomial()).fit()
    clusters = np.unique(patient).size
    factor = clusters / (clusters - 1) * (n - 1) / (n - 4) * max(1.0, fit.dispersion)
    np.testing.assert_allclose(fit.coefficients, gee.params, atol=1e-6)
    np.testing.assert_allclose(fit.covariance, gee.cov_params() * factor, rtol=1e-4, atol=1e-9)


def test_no_false_capture_afterwards_has_no_finite_odds_ratio_but_an_exact_comparison():
    rows = [(m, 3, 5) for m in range(1, 9)] + [(m, 0, 5) for m in range(9, 17)]
    found = compare_before_after(series(rows), 9)
    assert found.series.level_change.value is None
    assert "no finite estimate exists" in found.series.level_change.reason
    assert found.series.dispersion is None
    assert found.difference.p_value == pytest.approx(stats.fisher_exact([[0, 40], [24, 16]]).pvalue)
    assert found.risk_ratio.value == 0
    assert found.risk_ratio.lower == 0
    assert 0 < found.risk_ratio.upper < 0.3
    assert "fewer than 7 %" in found.after.notes[0]


def test_none_false_before_or_on_either_side():
    found = compare_before_after(two_sides(4, 10, 0, 10), 5)
    assert (found.risk_ratio.value, found.risk_ratio.upper) == (None, np.inf)
    assert found.risk_ratio.reason == "no judged claim before the change was false"
    nothing = compare_before_after(two_sides(0, 10, 0, 10), 5)
    assert (nothing.risk_ratio.lower, nothing.risk_ratio.upper) == (0.0, np.inf)
    assert nothing.difference.p_value is None
    assert "no test: all judged claims were upheld" in nothing.notes


@given(st.lists(st.tuples(st.booleans(), st.integers(1, 6)), min_size=4, max_size=14))
@settings(max_examples=60, deadline=None)
def test_separation_is_found_exactly(rows):
    """Reference: a linear program. The estimate is finite unless some direction lowers no claim's log-likelihood."""
    from scipy.optimize import linprog

    event, time = np.array([e for e, _ in rows]), np.array([t for _, t in rows], dtype=float)
    after = (time >= 4).astype(float)
    design = np.column_stack((np.ones(time.size), time, after, after * time))
    if np.linalg.matrix_rank(design) < 4:
        assert not has_finite_estimate(event, time, 4.0)
        return
    signed = np.where(event, 1.0, -1.0)[:, None] * design
    best = linprog(-signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(time.size), bounds=[(-1, 1)] * 4)
    assert has_finite_estimate(event, time, 4.0) == (-best.fun < 1e-9)


def test_few_months_have_no_series():
    found = compare_before_after(series([(m, 2, 5) for m in (1, 2, 3, 4, 5, 7, 8, 9, 10, 11, 12)]), 7)
    assert found.series.slope_change.reason == "needs 6 months with judged claims on each side; there are 5 and 6"
    with pytest.raises(ValueError, match="no finite estimate"):
        fit_segmented(np.array([True, False]), np.array([1.0, 2.0]), 2.0, np.arange(2))
    with pytest.raises(ValueError, match="five distinct times"):
        fit_segmented(np.tile([True, False], 4), np.repeat([1.0, 2.0, 3.0, 4.0], 2), 3.0, np.arange(8))


def test_patients_on_both_sides_are_told_and_tested_robustly():
    patient = np.concatenate((np.arange(20), np.arange(15, 35)))
    claims = claims_of(np.tile([0, 1, 1, 0, 1], 8), np.repeat([4, 5], 20), patient)
    found = compare_before_after(claims, 5)
    assert any("5 patients have claims on both sides" in note for note in found.notes)
    assert found.test.startswith("score test robust")
    assert "variance estimates recovery" in found.risk_ratio.method
    assert found.difference.n == 35
    assert "association in time" in found.difference.notes[0]


@pytest.mark.parametrize(
    ("months", "message"),
    [
        ([np.nan] * 4, "'study_month'"),
        ([1, 2, 3, np.nan], "from study month 5 or later: they are from months 1 to 3"),
        ([6, 7, 8, 9], "from before study month 5: they are from months 6 to 9"),
    ],
)
def test_an_empty_side_cannot_be_compared(months, message):
    with pytest.raises(NotEstimableError, match=message):
        compare_before_after(claims_of([0, 1, 1, 0], months), 5)


def test_claims_without_month_are_told():
    claims = claims_of([0, 1, 1, 0, 1], [1, 2, 5, 6, np.nan])
    assert "1 judged claims without a study month are left out" in compare_before_after(claims, 5).notes


def test_a_level_in_percent_is_refused():
    with pytest.raises(UsageError, match="between 0 and 1, not be 95"):
        compare_before_after(two_sides(1, 2, 1, 2), 5, 95)


def simulate(seed, studies, drop):
    """How often 95 % limits hold the truth: difference of shares, level change and difference in the last month."""
    rng = np.random.default_rng(seed)
    month = np.repeat(np.arange(1, 25), 12)
    level = np.log(drop)
    truth = 0.3 * (month - 13) / 12 + np.where(month >= 13, level, 0.0)
    p = 1 / (1 + np.exp(-truth))
    carried = 1 / (1 + np.exp(-0.3 * 11 / 12))
    held = np.zeros(3)
    done = 0
    for _ in range(studies):
        found = compare_before_after(claims_of(rng.random(month.size) >= p, month), 13)
        checks = ((found.difference, p[month >= 13].mean() - p[month < 13].mean()),
                  (found.series.level_change, drop), (found.series.difference_at_end, p[-1] - carried))  # fmt: skip
        if all(estimate.value is not None for estimate, _ in checks):
            held += [estimate.lower <= value <= estimate.upper for estimate, value in checks]
            done += 1
    return held / done, done


def test_limits_hold_the_truth_in_simulated_series():
    """100 series of 24 months, 12 claims each, odds ratio 0.4 at the change; Monte Carlo error 2.2 %."""
    held, done = simulate(5, 100, 0.4)
    assert done == 100
    assert (held > 0.88).all()


@pytest.mark.slow
@pytest.mark.parametrize("drop", [1.0, 0.4])
def test_coverage_of_before_and_after(drop):
    held, done = simulate(6, 1000, drop)
    print(f"odds ratio {drop:g}: difference {held[0]:.3f}, level {held[1]:.3f}, at the end {held[2]:.3f}, of {done}")  # noqa: T201
    assert ((held > 0.925) & (held < 0.985)).all()
