"""Share of false captures: published counts, R, statsmodels, and properties."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from capstat.capture.claims import Claims
from capstat.capture.false_capture import audit_counts, audit_false_capture
from capstat.capture.share_tests import compare_shares
from capstat.results import NotEstimableError, UsageError


def claims_of(upheld, patient=None, current=80.0, placement="other", bmi=np.nan, **others):
    upheld = np.asarray(upheld, dtype=float)
    n = upheld.size
    full = {"setting": "unknown", "study_month": np.nan, "arrest": np.nan, **others}
    return Claims(
        "electrical_capture", "adjudicated_capture", np.arange(n), np.arange(n) if patient is None else np.asarray(patient),
        np.broadcast_to(np.asarray(current, dtype=float), n), upheld,
        np.broadcast_to(np.asarray(placement, dtype=object), n), np.broadcast_to(np.asarray(full["setting"], dtype=object), n),
        np.broadcast_to(np.asarray(full["study_month"], dtype=float), n), np.broadcast_to(np.asarray(bmi, dtype=float), n),
        np.broadcast_to(np.asarray(full["arrest"], dtype=float), n), n, n,
    )  # fmt: skip


@pytest.mark.reference
@pytest.mark.parametrize("counts", [(19, 23), (0, 23), (23, 23), (1, 1), (3, 40)])
def test_shares_from_counts_are_those_of_r(reference, counts):
    """r12: binom.test and prop.test of R; 19 of 23 is the published series of Kimbrell et al. (2024)."""
    case = reference("r12")
    wilson, exact = audit_counts(*counts)
    case.check(f"wilson[{counts[0]}/{counts[1]}]", (wilson.lower, wilson.upper))
    case.check(f"clopper_pearson[{counts[0]}/{counts[1]}]", (exact.lower, exact.upper))
    assert wilson.value == exact.value == counts[0] / counts[1]


def test_the_published_series_is_82_6_percent():
    """Kimbrell et al. 2024: 19 of 23, 82.6 %; limits beside statsmodels."""
    wilson, exact = audit_counts(19, 23, 0.9)
    assert round(100 * wilson.value, 1) == 82.6
    for estimate, method in ((wilson, "wilson"), (exact, "beta")):
        np.testing.assert_allclose((estimate.lower, estimate.upper), proportion_confint(19, 23, 0.1, method))
    assert wilson.n == exact.n == 23
    assert wilson.notes == ()


def test_an_audit_of_independent_claims_gives_both_published_intervals():
    audit = audit_false_capture(claims_of([0] * 19 + [1] * 4 + [np.nan] * 6), seed=1)
    wilson, exact = audit_counts(19, 23)
    assert (audit.share.value, audit.share.lower, audit.share.upper) == (wilson.value, wilson.lower, wilson.upper)
    assert (audit.exact.lower, audit.exact.upper) == (exact.lower, exact.upper)


@pytest.mark.parametrize(("upheld", "value"), [(1, 0.0), (0, 1.0)])
def test_all_claims_alike_have_a_limit_and_the_rule_of_three(upheld, value):
    """Rule of three: 3/20 = 15 %; the two-sided Clopper-Pearson limit is 1 - 0.025^(1/20) from the end."""
    audit = audit_false_capture(claims_of([upheld] * 20), seed=1)
    assert audit.share.value == value
    assert "fewer than 15 %" in audit.share.notes[0]
    width = 1 - 0.025 ** (1 / 20)
    assert (audit.exact.upper if upheld else 1 - audit.exact.lower) == pytest.approx(width, rel=1e-12)
    assert {test.p_value for test in audit.tests} == {None}


def test_claims_without_judgement_cannot_be_audited():
    with pytest.raises(NotEstimableError, match="none of 2 claims was judged"):
        audit_false_capture(claims_of([np.nan, np.nan]), seed=1)


def test_one_claim_alone():
    audit = audit_false_capture(claims_of([0]), seed=1)
    assert (audit.share.value, audit.share.upper) == (1.0, 1.0)
    assert audit.share.lower == pytest.approx(proportion_confint(1, 1, method="wilson")[0])
    assert all(test.reason == "judged claims lie in fewer than two groups" for test in audit.tests)


def test_groups_by_hand_and_a_group_without_judgement():
    audit = audit_false_capture(
        claims_of([0, 1, 0, np.nan, 1], current=[60, 60.5, 80, 100, 140], placement=["a", "a", "b", "c", "unknown"]),
        seed=1,
    )
    rows = {(row.grouping, row.label): (row.claims, row.judged, row.false, row.share.value) for row in audit.groups}
    assert rows["current", "up to 60 mA"] == (1, 1, 1, 1.0)
    assert rows["current", "above 60 up to 80 mA"] == (2, 2, 1, 0.5)
    assert rows["current", "above 80 up to 100 mA"] == (1, 0, 0, None)
    assert rows["placement", "a"] == (2, 2, 1, 0.5)
    assert rows["placement", "not recorded"] == (1, 1, 0, 0.0)
    empty = next(row.share for row in audit.groups if row.label == "c")
    assert (empty.value, empty.lower, empty.reason) == (None, None, "no claim was judged by the reference")
    tests = {test.grouping: test for test in audit.tests}
    # the group "not recorded" and the one without judgements are left out: a {1 of 2} against b {1 of 1}
    assert tests["placement"].p_value == pytest.approx(stats.fisher_exact([[1, 1], [1, 0]]).pvalue)


def test_several_claims_of_a_patient_have_no_exact_limits_and_wider_ones():
    upheld = np.repeat([0, 1, 0, 0, 1, 0, 1, 0], 3)
    alone = audit_false_capture(claims_of(upheld), seed=1)
    together = audit_false_capture(claims_of(upheld, np.repeat(np.arange(8), 3)), seed=1)
    assert together.exact.value is None
    assert "several judged claims" in together.exact.reason
    assert together.share.upper - together.share.lower > 1.5 * (alone.share.upper - alone.share.lower)
    assert (together.share.n, alone.share.n) == (8, 24)


@pytest.mark.reference
def test_tests_of_groups_beside_r(reference):
    """r12: R's fisher.test enumerates the 3-group tables; 9,999 random ones come within 4 Monte Carlo errors."""
    case = reference("r12")
    for name, exact in (("three_groups", False), ("two_groups", True)):
        table = np.array(case.data[name])
        group = np.concatenate([np.repeat(np.arange(table.shape[1]), row) for row in table])
        claims = claims_of(np.repeat([0, 1], table.sum(axis=1)))
        p_value, method, _ = compare_shares(claims, group, seed=5)
        key = f"fisher[{table.shape[1]} groups]"
        if exact:
            case.check(key, p_value)
        else:
            truth = case.expected[key]["value"]
            assert abs(p_value - truth) < 4 * np.sqrt(truth / 9999) + 1 / 9999
            assert p_value == compare_shares(claims, group, seed=5)[0]
            assert "seed 5" in method


@pytest.mark.parametrize("groups", [2, 3])
def test_the_robust_score_test_is_that_of_statsmodels_gee(groups):
    rng = np.random.default_rng(groups)
    patient = np.sort(rng.integers(0, 40, 120))
    group = (patient + rng.integers(0, 2, 120)) % groups
    false = rng.random(120) < 0.3 + 0.2 * (group == 1)
    design = np.column_stack([np.ones(120), *(group == g for g in range(1, groups))]).astype(float)
    family = sm.families.Binomial()
    full, null = (sm.GEE(false.astype(float), X, groups=patient, family=family) for X in (design, design[:, :1]))
    expected = full.compare_score_test(null.fit())
    p_value, method, reason = compare_shares(claims_of(~false, patient), group, seed=1)
    assert p_value == pytest.approx(float(np.squeeze(expected["p-value"])), rel=1e-6)
    assert (method[:10], reason) == ("score test", "")


def test_the_robust_score_test_exists_where_one_group_has_no_false_claim():
    patient = np.repeat(np.arange(20), 2)
    group = np.repeat([0, 1], 20)
    p_value, _, _ = compare_shares(claims_of(np.where((group == 1) & (patient % 3 > 0), 0, 1), patient), group, seed=1)
    assert p_value < 0.01
    few = compare_shares(claims_of([0, 1, 1, 1], [0, 0, 1, 1]), np.array([0, 0, 1, 1]), seed=1)
    assert few[0] is None
    assert few[2] == "too few patients for a robust variance"


def test_the_robust_score_test_holds_its_level():
    """Simulation with no difference: 40 patients with 3 claims and a patient effect, 600 studies, Monte Carlo error 0.9 %."""
    rng = np.random.default_rng(11)
    rejected, naive = 0, 0
    for _ in range(600):
        patient = np.repeat(np.arange(40), 3)
        group = patient % 2
        false = rng.random(120) < np.repeat(rng.beta(1, 1, 40), 3)
        p_value, _, _ = compare_shares(claims_of(~false, patient), group, seed=1)
        rejected += p_value < 0.05
        naive += (
            stats.chi2_contingency(
                np.array([[(false & (group == g)).sum(), (~false & (group == g)).sum()] for g in (0, 1)]),
                correction=False,
            ).pvalue
            < 0.05
        )
    assert 0.025 < rejected / 600 < 0.075
    assert naive / 600 > 0.1


def test_holm_by_hand():
    """Holm (1979): with p-values a < b the adjusted ones are 2a and max(2a, b)."""
    rng = np.random.default_rng(3)
    upheld = rng.random(60) < 0.5
    audit = audit_false_capture(
        claims_of(upheld, placement=np.where(upheld ^ (rng.random(60) < 0.3), "a", "b"), arrest=rng.integers(0, 2, 60)),
        seed=1,
    )
    tests = {test.grouping: test for test in audit.tests}
    low, high = sorted((tests["placement"], tests["cardiac arrest"]), key=lambda test: test.p_value)
    assert low.adjusted_p_value == pytest.approx(min(1, 2 * low.p_value))
    assert high.adjusted_p_value == pytest.approx(max(min(1, 2 * low.p_value), high.p_value))
    assert tests["setting"].adjusted_p_value is None


@pytest.mark.parametrize(("false", "judged", "level"), [(1, 0, 0.95), (3, 2, 0.95), (-1, 2, 0.95), (1, 2, 95)])
def test_impossible_counts_and_levels_are_refused(false, judged, level):
    with pytest.raises(UsageError):
        audit_counts(false, judged, level)


@given(st.lists(st.tuples(st.sampled_from([0.0, 1.0, np.nan]), st.integers(0, 5), st.sampled_from([50.0, 70.0, 150.0]),
                          st.sampled_from(["a", "b", "unknown"])), min_size=1, max_size=25))  # fmt: skip
@settings(max_examples=25, deadline=None)
def test_groups_add_up_and_shares_lie_within_limits(rows):
    upheld, patient, current, placement = (np.array(column) for column in zip(*rows, strict=True))
    assume(not np.isnan(upheld).all())
    claims = claims_of(upheld, patient, current, placement.astype(object))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        audit = audit_false_capture(claims, seed=1)
    for grouping in ("current", "placement", "setting", "body mass index", "cardiac arrest"):
        groups = [row for row in audit.groups if row.grouping == grouping]
        assert sum(row.claims for row in groups) == claims.claimed
        assert sum(row.judged for row in groups) == claims.judged
        assert sum(row.false for row in groups) == claims.false
    for share in (audit.share, *(row.share for row in audit.groups)):
        assert share.value is None or share.lower <= share.value <= share.upper
    assert all(test.p_value is None or 0 <= test.p_value <= test.adjusted_p_value <= 1 for test in audit.tests)
