"""Mantel-Haenszel and Peto against R's metafor (recorded), and one table alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capstat.numerics.mantel_haenszel import mantel_haenszel
from capstat.numerics.two_by_two_effects import table_values
from capstat.results import NotEstimableError, UsageError

groups = st.integers(2, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
tables = st.lists(st.tuples(groups, groups), min_size=1, max_size=6).map(
    lambda rows: np.array([[*one, *two] for one, two in rows]).T
)


def five(got):
    return [got.value, got.se, got.lower, got.upper, got.p_value]


@pytest.mark.reference
@pytest.mark.parametrize("name", ["bcg", "zeros"])
def test_metafor(reference, name):
    """rma.mh() without any addition to the cells."""
    case = reference("r14")
    counts = np.array(case.data["tables"][name]).T
    for measure in ("RR", "OR", "RD"):
        case.check(f"{name}.mh.{measure}(value,se,lower,upper,p)", five(mantel_haenszel(*counts, measure=measure)))


def test_which_studies_weigh_in(reference):
    counts = np.array(reference("r14").data["tables"]["zeros"]).T
    found = [mantel_haenszel(*counts, measure=measure).k_informative for measure in ("RR", "OR", "RD")]
    assert found == [6, 5, 7]
    # dropping those that do not changes nothing
    events = counts[0] + counts[2]
    some, both = events > 0, (events > 0) & (events < counts[1] + counts[3])
    ratio = mantel_haenszel(*counts, measure="RR").value
    for measure, keep in (("RR", some), ("OR", both)):
        whole, part = (mantel_haenszel(*rows, measure=measure) for rows in (counts, counts[:, keep]))
        assert (part.value, part.se) == pytest.approx((whole.value, whole.se), rel=1e-12)
    # tables in which everybody had the event draw the risk ratio towards 1
    assert 0 < abs(ratio) < abs(mantel_haenszel(*counts[:, both], measure="RR").value)


@given(st.integers(1, 30), st.integers(1, 30), st.integers(1, 30), st.integers(1, 30))
def test_one_table(a, b, c, d):
    """The estimate of a single table is its own value, and so is the variance of both ratios."""
    counts = [a], [a + b], [c], [c + d]
    for measure in ("RR", "OR", "RD"):
        own, common = table_values(*counts, measure=measure), mantel_haenszel(*counts, measure=measure)
        assert common.value == pytest.approx(own.yi[0], rel=1e-9, abs=1e-12)
        if measure != "RD":
            assert common.se**2 == pytest.approx(own.vi[0], rel=1e-9)


@given(tables)
def test_exchange_of_groups(counts):
    a, n1, c, n2 = counts
    for measure in ("RR", "OR", "RD"):
        try:
            one = mantel_haenszel(a, n1, c, n2, measure=measure)
        except NotEstimableError:
            with pytest.raises(NotEstimableError):
                mantel_haenszel(c, n2, a, n1, measure=measure)
            continue
        two = mantel_haenszel(c, n2, a, n1, measure=measure)
        assert two.value == pytest.approx(-one.value, rel=1e-9, abs=1e-12)
        assert two.se == pytest.approx(one.se, rel=1e-9)


def test_refusals():
    for measure in ("RR", "OR"):
        with pytest.raises(NotEstimableError, match="zero or infinite"):
            mantel_haenszel([0, 0], [10, 20], [3, 1], [10, 20], measure=measure)
    with pytest.raises(NotEstimableError, match="Everybody had the event"):
        mantel_haenszel([10, 5], [10, 5], [8, 2], [8, 2], measure="RR")
    for events in ([0, 0], [10, 5]):
        with pytest.raises(NotEstimableError, match="risk difference a variance"):
            mantel_haenszel(events, [10, 5], events, [10, 5], measure="RD")
    with pytest.raises(UsageError, match="'RR', 'OR' or 'RD', not 'HR'"):
        mantel_haenszel([1], [10], [2], [10], measure="HR")
    with pytest.raises(UsageError, match="events_1 must not be above"):
        mantel_haenszel([11], [10], [2], [10], measure="RR")
