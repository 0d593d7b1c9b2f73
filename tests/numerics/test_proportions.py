"""Proportions against Newcombe's published examples and recorded R values (tests/reference s09 to s12)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from capstat.numerics.proportions import (
    _newcombe_phi,
    clopper_pearson,
    difference_from_intervals,
    independent_difference,
    mcnemar,
    paired_difference_newcombe,
    paired_difference_tango,
    wilson,
)


@pytest.mark.reference
def test_single_proportions_of_newcombe_1998(reference):
    case = reference("s11")
    for count, nobs in case.data["pairs"]:
        case.check(f"wilson[{count}/{nobs}]", wilson(count, nobs))
        case.check(f"clopper_pearson[{count}/{nobs}]", clopper_pearson(count, nobs))


@pytest.mark.reference
def test_independent_differences(reference):
    case = reference("s12")
    for x1, n1, x2, n2 in case.data["rows"]:
        case.check(f"newcombe10_diff[{x1}/{n1}-{x2}/{n2}]", independent_difference(x1, n1, x2, n2))


@pytest.mark.reference
@pytest.mark.parametrize("name", ["approval", "altman", "agresti_min"])
def test_paired_differences(reference, name):
    case = reference("s10")
    cells = case.data[name]
    case.check(f"{name}.newcombe10_ci95", paired_difference_newcombe(*cells))
    case.check(f"{name}.tango_ci95", paired_difference_tango(*cells))
    case.check(f"{name}.phi_corrected", _newcombe_phi(*cells))


@pytest.mark.reference
@pytest.mark.parametrize("name", ["approval", "small", "agresti_min"])
def test_mcnemar_classics(reference, name):
    case = reference("s09")
    _, b, c, _ = case.data[name]
    result = mcnemar(b, c)
    case.check(f"{name}.chi2_uncorrected", result.statistic)
    case.check(f"{name}.p_exact", result.p_exact)
    case.check(f"{name}.p_mid", result.p_mid)


def test_mcnemar_without_discordant_pairs_is_one():
    result = mcnemar(0, 0)
    assert (result.p_exact, result.p_mid, result.statistic) == (1.0, 1.0, None)
    with pytest.raises(ValueError, match="negative"):
        mcnemar(-1, 2)


def test_published_crossover_counts():
    """0 discordant pairs one way and 5, 6 or 7 the other: 2 * 2**-k by hand."""
    for k in (5, 6, 7):
        assert mcnemar(k, 0).p_exact == pytest.approx(2 * 0.5**k)


def test_square_and_add_is_newcombes_method_for_independent_samples():
    """The general form with zero correlation against statsmodels' own implementation."""
    one, two = wilson(56, 70), wilson(48, 80)
    got = difference_from_intervals(56 / 70, one, 48 / 80, two)
    assert got == pytest.approx(independent_difference(56, 70, 48, 80), abs=1e-12)


def test_proportions_need_observations():
    for function in (wilson, clopper_pearson):
        with pytest.raises(ValueError, match="at least one observation"):
            function(0, 0)


@given(st.integers(0, 60), st.integers(0, 60))
def test_mcnemar_agrees_with_scipys_binomial_test(b, c):
    if b + c:
        assert mcnemar(b, c).p_exact == pytest.approx(stats.binomtest(b, b + c, 0.5).pvalue)
    assert mcnemar(b, c).p_exact == mcnemar(c, b).p_exact
    assert 0 < mcnemar(b, c).p_mid <= mcnemar(b, c).p_exact <= 1


@given(st.tuples(*[st.integers(0, 30)] * 4).filter(lambda cells: sum(cells) > 0))
def test_paired_intervals_hold_the_difference_and_mirror(cells):
    n11, n12, n21, n22 = cells
    difference = (n12 - n21) / sum(cells)
    for interval in (paired_difference_newcombe, paired_difference_tango):
        low, high = interval(*cells)
        assert -1 <= low <= difference + 1e-9
        assert difference - 1e-9 <= high <= 1
        mirrored = interval(n11, n21, n12, n22)
        np.testing.assert_allclose(mirrored, (-high, -low), atol=1e-7)
