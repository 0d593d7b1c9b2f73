"""Values of two-by-two tables against R's metafor (recorded) and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import Table2x2

from capstat.numerics.two_by_two_effects import table_values
from capstat.results import UsageError

groups = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
tables = st.lists(st.tuples(groups, groups), min_size=1, max_size=6).map(
    lambda rows: np.array([[*one, *two] for one, two in rows]).T
)


@pytest.mark.reference
@pytest.mark.parametrize("name", ["bcg", "zeros"])
@pytest.mark.parametrize("measure", ["RR", "OR", "RD"])
def test_metafor(reference, name, measure):
    """escalc() with 0.5 added to tables with a zero only."""
    case = reference("r14")
    got = table_values(*np.array(case.data["tables"][name]).T, measure=measure)
    case.check(f"{name}.{measure}.yi", got.yi)
    case.check(f"{name}.{measure}.vi", got.vi)


@pytest.mark.reference
def test_bcg(reference):
    case = reference("s25")
    a, b, c, d = np.array(case.data["rows"]).T
    got = table_values(a, a + b, c, c + d, measure="RR")
    case.check("log_rr", got.yi)
    case.check("var_log_rr", got.vi)
    assert got.included.all()
    assert not got.corrected.any()


def test_who_is_left_out(reference):
    events_1, total_1, events_2, total_2 = np.array(reference("r14").data["tables"]["zeros"]).T
    odds = table_values(events_1, total_1, events_2, total_2, measure="OR")
    assert odds.included.tolist() == [True, True, False, True, True, False, True]
    assert odds.corrected.tolist() == [True, True, False, False, True, False, False]
    assert odds.reasons[2].startswith("Nobody had the event")
    assert odds.reasons[5].startswith("Everybody had the event")
    assert [bool(reason) for reason in odds.reasons] == (~odds.included).tolist()
    difference = table_values(events_1, total_1, events_2, total_2, measure="RD")
    assert difference.included.all()
    assert not any(difference.reasons)
    assert difference.yi.size == 7


@given(tables)
def test_statsmodels_and_symmetries(counts):
    """Table2x2 on the (corrected) cells; groups exchanged turn the sign, outcomes exchanged turn odds ratio and difference."""
    a, n1, c, n2 = counts
    for measure in ("RR", "OR", "RD"):
        got = table_values(a, n1, c, n2, measure=measure)
        turned = table_values(c, n2, a, n1, measure=measure)
        np.testing.assert_allclose(turned.yi, -got.yi, atol=1e-12)
        np.testing.assert_allclose(turned.vi, got.vi)
        assert (got.vi > 0).all()
        if measure != "RR":
            other = table_values(n1 - a, n1, n2 - c, n2, measure=measure)
            np.testing.assert_allclose(other.yi, -got.yi, atol=1e-12)
            np.testing.assert_allclose(other.vi, got.vi)
    odds, risk = (table_values(a, n1, c, n2, measure=measure) for measure in ("OR", "RR"))
    for place, i in enumerate(np.flatnonzero(odds.included)):
        table = Table2x2(
            np.array([[a[i], n1[i] - a[i]], [c[i], n2[i] - c[i]]]) + 0.5 * odds.corrected[i], shift_zeros=False
        )
        assert (odds.yi[place], odds.vi[place]) == pytest.approx((table.log_oddsratio, table.log_oddsratio_se**2))
        assert (risk.yi[place], risk.vi[place]) == pytest.approx(
            (table.log_riskratio, table.log_riskratio_se**2), abs=1e-12
        )


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        (([11], [10], [1], [10]), "events_1 must not be above total_1"),
        (([1], [10], [-1], [10]), "events_2 must hold whole numbers"),
        (([1.5], [10], [1], [10]), "events_1 must hold whole numbers"),
        (([1], [10], [0], [0]), "total_2 must be at least 1"),
        (([1, 2], [10], [0], [10]), "one number for each study"),
        (([], [], [], []), "one number for each study"),
        (([np.nan], [10], [1], [10]), "events_1 must hold whole numbers"),
    ],
)
def test_impossible_counts(counts, words):
    with pytest.raises(UsageError, match=words):
        table_values(*counts, measure="OR")


def test_wrong_measure():
    with pytest.raises(UsageError, match="'RR', 'OR' or 'RD', not 'HR'"):
        table_values([1], [10], [2], [10], measure="HR")
