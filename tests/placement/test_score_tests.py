"""Score tests: recorded values, derivatives of likelihoods, enumeration, scipy, lifelines, and error under no difference."""

from __future__ import annotations

from itertools import combinations, permutations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines.utils import survival_table_from_events
from scipy import stats

from capstat.distributions import fit_npmle
from capstat.numerics import allocations
from capstat.placement.score_form import score_form_test
from capstat.placement.score_tests import SCORES, compare_settings, score_tests
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import CensoredThresholds

INF = np.inf


def mixed_ramps(n, seed, shift=0.0, **others):
    """Steps of 5 and 10 mA, maxima of 90 and 140 mA; the first half of the attempts are group a."""
    rng = np.random.default_rng(seed)
    true = np.exp(rng.normal(4.2, 0.3, n) + shift * (np.arange(n) >= n // 2))
    step, top = rng.choice([5.0, 10.0], n), rng.choice([90.0, 140.0], n)
    upper = np.maximum(np.ceil(true / step) * step, 40.0)
    lower = np.where(upper == 40, 0.0, upper - step)
    beyond = upper > top
    return CensoredThresholds.from_bounds(
        np.where(beyond, top, lower), np.where(beyond, INF, upper),
        placement=np.where(np.arange(n) < n // 2, "a", "b"), **others,
    )  # fmt: skip


def scores_of_attempts(thresholds):
    """The scores themselves, shape (n, 3): every attempt as a group of its own."""
    names = [f"{i:04d}" for i in range(len(thresholds))]
    return np.column_stack([test.group_sums for test in score_tests(thresholds, names, permutations=1, seed=1)])


@pytest.mark.reference
def test_breast_cosmesis(reference):
    """R's package interval and independent code."""
    case = reference("s02")
    rows = [case.intervals(name) for name in ("radiation", "radiation_chemo")]
    lower, upper = np.concatenate(rows).T
    names = np.repeat(["radiation", "with chemotherapy"], [len(part) for part in rows])
    thresholds = CensoredThresholds.from_bounds(lower, upper, placement=names)
    tests = dict(zip(SCORES, score_tests(thresholds, seed=1), strict=True))
    for name, key in zip(SCORES, ("finkelstein_logrank", "sun_logrank", "wilcoxon"), strict=True):
        test = tests[name]
        case.check(f"{key}.U_chemo", test.group_sums[1])
        case.check(f"{key}.absZ", abs(test.statistic))
        case.check(f"{key}.p_two_sided", test.p_asymptotic)
        assert test.statistic < 0
        assert test.direction.startswith("with chemotherapy captured at lower currents")
        error = np.sqrt(test.p_asymptotic / 10_000)
        assert test.p_permutation == pytest.approx(test.p_asymptotic, abs=5 * error)
        assert (test.exact, test.permutations, test.seed) == (False, 10_000, 1)
    form = score_form_test(thresholds)
    case.check("score_form.chi2", form.statistic)
    assert form.p_permutation is None
    assert form.group_sums == pytest.approx(tests[SCORES[1]].group_sums)


def log_likelihoods(thresholds, i, beta):
    """Log-likelihood of attempt i when its law is shifted by beta: three models, from the pooled estimate."""
    fit = fit_npmle(thresholds)
    inside = (fit.support[:, 0] >= thresholds.lower_ma[i]) & (fit.support[:, 1] <= thresholds.upper_ma[i])
    survival = 1 - np.concatenate(([0.0], np.cumsum(fit.mass)))
    survival[-1] = 0.0

    def log_probability(shifted):
        return np.log(-np.diff(shifted)[inside].sum())

    hazard = fit.mass / survival[:-1]
    with np.errstate(divide="ignore"):
        odds = hazard / (1 - hazard) * np.exp(beta)
    logistic = np.where(np.isinf(odds), 1.0, odds / (1 + np.where(np.isinf(odds), 0.0, odds)))
    logistic[-1] = 1.0
    return np.array(
        [
            log_probability(survival ** np.exp(beta)),
            log_probability(np.concatenate(([1.0], np.cumprod(1 - logistic)))),
            log_probability(survival / (survival + (1 - survival) * np.exp(beta))),
        ]
    )


@pytest.mark.filterwarnings("ignore:divide by zero")
def test_scores_are_derivatives_of_log_likelihoods():
    """Central differences of proportional hazards, logistic hazards and proportional odds, each at no difference."""
    thresholds = mixed_ramps(40, 3)
    got = scores_of_attempts(thresholds)
    h = 1e-5
    for i in range(len(thresholds)):
        slope = (log_likelihoods(thresholds, i, h) - log_likelihoods(thresholds, i, -h)) / (2 * h)
        assert got[i] == pytest.approx(slope, abs=1e-6)
    np.testing.assert_allclose(got.sum(axis=0), 0, atol=1e-9)


def test_permutation_variance_by_hand():
    thresholds = mixed_ramps(31, 5)
    scores = scores_of_attempts(thresholds)
    z = np.arange(31) < 15
    for test, score in zip(score_tests(thresholds, permutations=10, seed=1), scores.T, strict=True):
        variance = score.var(ddof=1) * ((z - z.mean()) ** 2).sum()
        assert test.statistic == pytest.approx(score[z].sum() / np.sqrt(variance))
        assert test.p_asymptotic == pytest.approx(2 * stats.norm.sf(abs(test.statistic)))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_exact_is_the_enumeration_of_all_allocations(seed):
    thresholds = mixed_ramps(11, seed, shift=0.5)
    scores = scores_of_attempts(thresholds)
    sums = np.array([scores[list(chosen)].sum(axis=0) for chosen in combinations(range(11), 5)])
    share = (np.abs(sums) >= np.abs(scores[:5].sum(axis=0)) - 1e-9).mean(axis=0)
    tests = score_tests(thresholds, seed=1)
    assert [test.p_permutation for test in tests] == pytest.approx(share)
    assert all(test.exact and test.seed is None for test in tests)


def test_exact_with_three_groups():
    thresholds = mixed_ramps(8, 4)
    groups = np.array(["a", "b", "b", "c", "c", "c", "a", "c"])
    scores = scores_of_attempts(thresholds)
    sizes = np.array([2, 2, 4])

    def chi2(labels):
        sums = np.array([scores[labels == name].sum(axis=0) for name in "abc"])
        return (sums**2 / sizes[:, None]).sum(axis=0) / scores.var(axis=0, ddof=1)

    every = np.array([chi2(groups[list(order)]) for order in permutations(range(8))])
    tests = score_tests(thresholds, groups, seed=1)
    assert [test.statistic for test in tests] == pytest.approx(chi2(groups))
    assert [test.p_permutation for test in tests] == pytest.approx((every >= chi2(groups) - 1e-9).mean(axis=0))
    assert [test.p_asymptotic for test in tests] == pytest.approx(stats.chi2.sf(chi2(groups), 2))
    assert {(test.statistic_name, test.df) for test in tests} == {("chi-square", 2)}


def test_uncensored_wilcoxon_is_mann_whitney():
    """scipy's exact test on 9 and 7 different values."""
    true = np.exp(np.random.default_rng(4).normal(4.3, 0.3, 16))
    groups = np.repeat(["a", "b"], [9, 7])
    (*_, test) = score_tests(CensoredThresholds.from_bounds(true, true, placement=groups), seed=1)
    expected = stats.mannwhitneyu(true[:9], true[9:], method="exact")
    assert test.exact
    assert test.p_permutation == pytest.approx(expected.pvalue)
    # the sum of the scores is that of the ranks: with U of the first, half of U / n less its expectation
    assert test.group_sums[0] == pytest.approx(2 * (9 * 7 / 2 - expected.statistic) / 16)


def test_right_censored_log_rank_is_observed_less_expected():
    """lifelines' tables of events and numbers at risk; the score form has the variance without (n - 1) for n."""
    rng = np.random.default_rng(6)
    true, end = np.round(np.exp(rng.normal(4.3, 0.3, 80))), np.round(rng.uniform(40, 140, 80)) + 0.5
    seen, event = np.minimum(true, end), true <= end
    is_a = np.arange(80) < 35
    thresholds = CensoredThresholds.from_bounds(seen, np.where(event, seen, INF), placement=np.where(is_a, "a", "b"))
    whole = survival_table_from_events(seen, event)
    part = survival_table_from_events(seen[is_a], event[is_a]).reindex(whole.index)
    at_risk = np.array([(seen[is_a] >= time).sum() for time in whole.index])
    d, n = whole["observed"].to_numpy(), whole["at_risk"].to_numpy()
    excess = part["observed"].fillna(0).sum() - (at_risk * d / n).sum()
    test = score_tests(thresholds, permutations=10, seed=1)[1]
    assert test.group_sums[0] == pytest.approx(excess, abs=1e-6)
    variance = (d * (n - d) * at_risk * (n - at_risk) / n**3.0).sum()
    form = score_form_test(thresholds)
    assert form.statistic == pytest.approx(excess**2 / variance, rel=1e-6)
    assert form.p_asymptotic == pytest.approx(stats.chi2.sf(excess**2 / variance, 1), rel=1e-5)


def test_score_form_needs_no_equal_ramps(on_grid):
    """Steps of 2 against 25 mA and the same law: the permutation test may fail here, the score form must not.

    Chi-square of the score form over 300 studies has mean 1 (standard error 0.08).
    """
    values = []
    for seed in range(300):
        rng = np.random.default_rng(seed)
        true = np.exp(rng.normal(4.3, 0.3, 80))
        fine, coarse = on_grid(true[:40], 30, 5, 140), on_grid(true[40:], 30, 25, 105)
        both = CensoredThresholds.from_bounds(
            np.r_[fine.lower_ma, coarse.lower_ma], np.r_[fine.upper_ma, coarse.upper_ma],
            placement=np.repeat(["a", "b"], 40),
        )  # fmt: skip
        values.append(score_form_test(both).statistic)
    assert np.mean(values) == pytest.approx(1, abs=0.25)


def test_drawn_allocations_agree_with_all(monkeypatch):
    """Many patients with equal scores and some with their own: both ways of drawing, two and three groups."""
    lower = np.r_[np.repeat([40.0, 50.0, 60.0], [6, 5, 4]), 70, 80]
    thresholds = CensoredThresholds.from_bounds(lower, lower + 10)
    for labels in (np.r_[["a"] * 9, ["b"] * 8], np.r_[["a"] * 5, ["b"] * 6, ["c"] * 6]):
        exact = score_tests(thresholds, labels, seed=1)
        with monkeypatch.context() as patch:
            patch.setattr(allocations, "ENUMERATED", 0)
            drawn = score_tests(thresholds, labels, permutations=20_000, seed=1)
            assert drawn == score_tests(thresholds, labels, permutations=20_000, seed=1)
        for one, two in zip(exact, drawn, strict=True):
            assert one.exact
            assert not two.exact
            error = np.sqrt(one.p_permutation * (1 - one.p_permutation) / 20_000)
            assert two.p_permutation == pytest.approx(one.p_permutation, abs=4 * error + 1e-4)


def test_several_attempts_of_a_patient_count_as_one():
    """Every attempt twice: the same test, with scores twice as large."""
    once = mixed_ramps(40, 7, shift=0.2)
    twice = CensoredThresholds.from_bounds(
        np.repeat(once.lower_ma, 2), np.repeat(once.upper_ma, 2), np.repeat(np.arange(40), 2), np.repeat(once.placement, 2)
    )  # fmt: skip
    for one, two in zip(score_tests(once, seed=1), score_tests(twice, seed=1), strict=True):
        assert two.statistic == pytest.approx(one.statistic)
        assert two.group_sums[0] == pytest.approx(2 * one.group_sums[0])
        assert two.p_permutation == pytest.approx(one.p_permutation)
        assert two.n == 40
        assert "patients are permuted" in two.notes[0]
    with pytest.raises(NotEstimableError, match="some patients have several"):
        score_form_test(twice)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_only_the_order_of_currents_matters(seed):
    """A stretched current axis changes nothing; exchanged labels change the sign."""
    plain = mixed_ramps(14, seed)
    stretched = CensoredThresholds.from_bounds(plain.lower_ma**2, plain.upper_ma**2, placement=plain.placement)
    exchanged = np.where(plain.placement == "a", "b", "a")
    for one, two, three in zip(
        score_tests(plain, permutations=99, seed=1), score_tests(stretched, permutations=99, seed=1),
        score_tests(plain, exchanged, permutations=99, seed=1), strict=True,
    ):  # fmt: skip
        assert two.statistic == pytest.approx(one.statistic)
        assert two.p_permutation == pytest.approx(one.p_permutation)
        assert three.statistic == pytest.approx(-one.statistic)
        assert 0 < one.p_permutation <= 1


def test_direction():
    early = CensoredThresholds.from_bounds([40, 40, 60, 60], [50, 50, 70, 70], placement=["x", "x", "y", "y"])
    assert {test.direction for test in score_tests(early, seed=1)} == {
        "x captured at lower currents than expected if the groups were alike"
    }
    alike = CensoredThresholds.from_bounds([40, 60, 40, 60], [50, 70, 50, 70], placement=["x", "x", "y", "y"])
    for test in score_tests(alike, seed=1):
        assert test.direction.startswith("no group captured at lower")
        assert test.p_permutation == pytest.approx(1.0)


def test_what_cannot_be_tested_is_refused():
    make = CensoredThresholds.from_bounds
    with pytest.raises(NotEstimableError, match="belong to one group, a"):
        score_tests(make([40, 50], [50, 60], placement=["a", "a"]), seed=1)
    with pytest.raises(NotEstimableError, match="1 patients have attempts in more than one group"):
        score_tests(make([40, 50, 40], [50, 60, 50], [1, 1, 2], ["a", "b", "b"]), seed=1)
    with pytest.raises(NotEstimableError, match="same score"):
        score_tests(make([40, 40], [50, 50], placement=["a", "b"]), seed=1)
    with pytest.raises(NotEstimableError, match="no attempts"):
        score_tests(make([], []), seed=1)
    with pytest.raises(NotEstimableError, match="some group say nothing"):
        score_form_test(make([40, 50, 0, 0], [50, 60, INF, INF], placement=["a", "a", "b", "b"]))
    with pytest.raises(UsageError, match="leave the weights out"):
        score_tests(make([40, 50], [50, 60], placement=["a", "b"], weights=[1, 2]), seed=1)
    with pytest.raises(UsageError, match="3 group labels for 2 attempts"):
        score_tests(make([40, 50], [50, 60]), ["a", "b", "c"], seed=1)


def test_settings_that_differ_are_named():
    groups = np.repeat(["a", "b"], 20)
    lower = np.tile([40.0, 50.0, 60.0, 70.0], 10)

    def notes(maximum, step):
        frame = pd.DataFrame({"max_output_ma": maximum, "step_ma": step}, index=range(40))
        thresholds = CensoredThresholds.from_bounds(lower, lower + 10, placement=groups, covariates=frame)
        assert score_tests(thresholds, permutations=9, seed=1)[0].notes == compare_settings(thresholds)
        return compare_settings(thresholds)

    assert notes(140.0, np.tile([5.0, 10.0], 20)) == ()
    (note,) = notes(np.r_[np.full(18, 140.0), np.full(22, 200.0)], 5.0)
    assert "140 mA in 90 % of a, 0 % of b attempts" in note
    (note,) = notes(140.0, np.where(groups == "a", 5.0, np.nan))
    assert "5 mA in 100 % of a, 0 % of b attempts" in note
    # one more in twenty is no clear difference
    assert notes(np.r_[200.0, np.full(39, 140.0)], 5.0) == ()
    assert [note for note in notes(140.0, np.nan) if "step_ma) were not recorded" in note]


@pytest.mark.parametrize(("n", "studies"), [(16, 400), (60, 300)], ids=["enumerated", "drawn"])
def test_error_under_no_difference(n, studies):
    """The p-values hold 5 % and are not far below; Monte Carlo error is 1.1 and 1.3 points."""
    tests = [score_tests(mixed_ramps(n, seed), permutations=199, seed=seed) for seed in range(studies)]
    assert {test.exact for three in tests for test in three} == {n == 16}
    rejected = np.mean([[test.p_permutation <= 0.05 for test in three] for three in tests], axis=0)
    assert (rejected > 0.015).all(), rejected
    assert (rejected < 0.085).all(), rejected
