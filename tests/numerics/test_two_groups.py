"""Two independent groups: R, statsmodels, published tables, the ends of the scale."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats import proportion

from capstat.numerics.two_groups import ratio_score_limits, two_groups
from capstat.results import UsageError

counts = st.tuples(st.integers(1, 60), st.integers(1, 60)).flatmap(
    lambda n: st.tuples(st.integers(0, n[0]), st.just(n[0]), st.integers(0, n[1]), st.just(n[1]))
)


def triple(limited):
    return [limited.value, limited.lower, limited.upper]


@pytest.mark.reference
@pytest.mark.parametrize("name", ["morrison", "clinton", "cummins_discharged", "cummins_admitted"])
def test_published_tables(reference, name):
    """r18: R's fisher.test, prop.test and a score test whose risks are found by optimize."""
    case = reference("r18")
    found = two_groups(*case.data["tables"][name])
    for key in ("difference", "ratio", "odds_ratio"):
        case.check(f"{name}.{key}", triple(getattr(found, key)))
    case.check(f"{name}.p_fisher", found.p_fisher)


@pytest.mark.reference
def test_newcombe_of_shared_case(reference):
    """s12: Newcombe's method 10."""
    case = reference("s12")
    for x1, n1, x2, n2 in case.data["rows"]:
        found = two_groups(x1, n1, x2, n2).difference
        case.check(f"newcombe10_diff[{x1}/{n1}-{x2}/{n2}]", [found.lower, found.upper])


@given(counts.filter(lambda t: 0 < t[0] < t[1] and 0 < t[2] < t[3]))
@settings(max_examples=40, deadline=None)
def test_ratio_and_difference_against_statsmodels(table):
    """statsmodels' score limits of the ratio (n/(n-1) included) and Newcombe limits of the difference."""
    found = two_groups(*table)
    assert (found.ratio.lower, found.ratio.upper) == pytest.approx(
        proportion.confint_proportions_2indep(*table, compare="ratio", method="score"), rel=1e-6
    )
    assert (found.difference.lower, found.difference.upper) == pytest.approx(
        proportion.confint_proportions_2indep(*table, compare="diff", method="newcomb"), abs=1e-9
    )


@given(counts)
@example((0, 10, 3, 12))
@example((10, 10, 12, 12))
@example((10, 10, 3, 12))
@example((1, 1, 0, 60))
@settings(max_examples=50, deadline=None)
def test_limits_are_where_the_score_test_has_p_of_one_in_twenty(table):
    """Each finite limit is put back into statsmodels' score test of a ratio."""
    x1, n1, x2, n2 = table
    low, high = ratio_score_limits(*table)
    assert (low == 0) == (x1 == 0)
    assert math.isinf(high) == (x2 == 0)
    for limit in (low, high):
        if 0 < limit < math.inf:
            with np.errstate(all="ignore"):
                test = proportion.test_proportions_2indep(x1, n1, x2, n2, value=limit, compare="ratio", method="score")
            assert abs(test.statistic) == pytest.approx(stats.norm.ppf(0.975), rel=1e-5)


@given(counts)
@settings(max_examples=40, deadline=None)
def test_swapping_the_groups_turns_everything_round(table):
    x1, n1, x2, n2 = table
    one, two = two_groups(x1, n1, x2, n2), two_groups(x2, n2, x1, n1)
    assert one.difference.lower == pytest.approx(-two.difference.upper, abs=1e-12)
    assert one.p_fisher == pytest.approx(two.p_fisher)
    with np.errstate(divide="ignore"):
        assert one.ratio.lower == pytest.approx(1 / np.float64(two.ratio.upper), rel=1e-9)
        assert one.odds_ratio.lower == pytest.approx(1 / np.float64(two.odds_ratio.upper), rel=1e-6)
    for part in (one.difference, one.ratio, one.odds_ratio):
        if part.value is not None:
            assert part.lower - 1e-12 <= part.value <= part.upper + 1e-12
    if one.number_needed is not None:
        assert one.number_needed.value == pytest.approx(two.number_needed.value)
        assert one.number_needed.lower <= one.number_needed.value <= one.number_needed.upper


@given(counts.filter(lambda t: 0 < t[0] + t[2] < t[1] + t[3]))
@settings(max_examples=30, deadline=None)
def test_exact_odds_ratio_limits_leave_half_the_error_in_each_tail(table):
    """The noncentral hypergeometric tail at each finite limit (scipy.stats.nchypergeom_fisher)."""
    x1, n1, x2, n2 = table
    found = two_groups(*table).odds_ratio
    lowest, highest = max(0, x1 + x2 - n2), min(n1, x1 + x2)
    if x1 > lowest:
        tail = stats.nchypergeom_fisher.sf(x1 - 1, n1 + n2, n1, x1 + x2, found.lower)
        assert tail == pytest.approx(0.025, rel=1e-4)
    else:
        assert found.lower == 0
    if x1 < highest:
        assert stats.nchypergeom_fisher.cdf(x1, n1 + n2, n1, x1 + x2, found.upper) == pytest.approx(0.025, rel=1e-4)
    else:
        assert math.isinf(found.upper)


def test_number_needed_only_where_the_interval_leaves_0_out():
    clinton = two_groups(6, 8, 5, 29)
    assert clinton.number_needed.value == pytest.approx(1 / (6 / 8 - 5 / 29))
    assert clinton.number_needed.upper == pytest.approx(1 / clinton.difference.lower)
    assert two_groups(29, 42, 28, 40).number_needed is None


def test_ends():
    nobody = two_groups(0, 8, 0, 9)
    assert nobody.ratio.value is None
    assert "nobody in either group" in nobody.ratio.reason
    assert "nobody had the event" in nobody.odds_ratio.reason
    assert nobody.difference.value == 0
    assert nobody.difference.lower < 0 < nobody.difference.upper
    everybody = two_groups(8, 8, 9, 9)
    assert everybody.ratio.value == 1
    assert 0.5 < everybody.ratio.lower < 1 < everybody.ratio.upper < 2
    assert "everybody had the event" in everybody.odds_ratio.reason
    only_first = two_groups(3, 8, 0, 9)
    assert "second group" in only_first.ratio.reason
    assert only_first.ratio.lower > 0
    assert "no finite estimate" in only_first.odds_ratio.reason
    assert only_first.odds_ratio.lower > 0
    empty = two_groups(0, 0, 3, 9)
    assert empty.risk_1.value is None
    assert "without observations" in empty.difference.reason
    assert empty.risk_2.value == pytest.approx(1 / 3)
    assert empty.p_fisher is None


@pytest.mark.parametrize("table", [(5, 4, 0, 2), (-1, 4, 0, 2), (1.5, 4, 0, 2)])
def test_impossible_counts(table):
    with pytest.raises(UsageError, match="events_1 must be a whole number from 0 to its total"):
        two_groups(*table)


def test_wrong_level_and_empty_group():
    with pytest.raises(UsageError, match="between 0 and 1"):
        two_groups(1, 4, 0, 2, level=95)
    with pytest.raises(UsageError, match="both groups"):
        ratio_score_limits(0, 0, 1, 2)
