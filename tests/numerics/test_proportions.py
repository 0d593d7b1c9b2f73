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


def test_clopper_pearson_is_the_binomial_tail():
    """scipy's exact interval; a proportion without observations has none."""
    for count in (0, 1, 7, 20):
        exact = stats.binomtest(count, 20).proportion_ci(0.99, method="exact")
        assert clopper_pearson(count, 20, 0.99) == pytest.approx((exact.low, exact.high), abs=1e-10)
    with pytest.raises(ValueError, match="at least one observation"):
        clopper_pearson(0, 0)


@pytest.mark.reference
def test_independent_differences(reference):
    """Newcombe's method 10 is square-and-add from two Wilson intervals without correlation."""
    case = reference("s12")
    for x1, n1, x2, n2 in case.data["rows"]:
        got = difference_from_intervals(x1 / n1, wilson(x1, n1), x2 / n2, wilson(x2, n2))
        case.check(f"newcombe10_diff[{x1}/{n1}-{x2}/{n2}]", got)


@pytest.mark.reference
@pytest.mark.parametrize("name", ["approval", "altman", "agresti_min"])
def test_paired_differences(reference, name):
    case = reference("s10")
    cells = case.data[name]
    case.check(f"{name}.newcombe10_ci95", paired_difference_newcombe(*cells))
    case.check(f"{name}.phi_corrected", _newcombe_phi(*cells))
    case.check(f"{name}.tango_ci95", paired_difference_tango(*cells))


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


def test_proportions_need_observations():
    with pytest.raises(ValueError, match="at least one observation"):
        wilson(0, 0)


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
    low, high = paired_difference_newcombe(*cells)
    assert -1 <= low <= difference + 1e-9
    assert difference - 1e-9 <= high <= 1
    np.testing.assert_allclose(paired_difference_newcombe(n11, n21, n12, n22), (-high, -low), atol=1e-7)


def tango_quartic(n, b, c, level):
    """Real roots in [-1, 1] of the quartic of Yang, Sun & Hardin (2012), whose extremes are Tango's limits."""
    g = stats.norm.ppf(0.5 + level / 2) ** 2
    d = b - c
    coefficients = [
        n**2 * (n / g + 1) ** 2,
        -n * d * (n / g + 1) * (4 * n / g + 1),
        2 * n * d**2 * (3 * n / g + 2) / g - n**2 * ((b + c) / g + 1),
        n * d * (2 * (b + c) / g + 1) - d**3 * (4 * n / g + 1) / g,
        d**2 * (d**2 / g - (b + c)) / g,
    ]
    roots = np.roots(coefficients)
    return np.clip(np.sort(roots.real[np.abs(roots.imag) < 1e-6]), -1, 1)


@pytest.mark.parametrize("cells", [(1, 1, 7, 12), (0, 3, 1, 9), (5, 8, 2, 0), (40, 1, 0, 40), (3, 6, 5, 1)])
@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_tango_limits_are_the_extreme_roots_of_a_quartic(cells, level):
    roots = tango_quartic(sum(cells), cells[1], cells[2], level)
    assert paired_difference_tango(*cells, level) == pytest.approx((roots[0], roots[-1]), abs=1e-7)


def test_tango_at_the_edges():
    """By hand. Without discordant pairs n d = z^2 (1 - d); all discordant one way n (1 - d) = z^2 (1 + d)."""
    z2 = stats.norm.ppf(0.975) ** 2
    for n in (1, 7):
        assert paired_difference_tango(n - 1, 0, 0, 1) == pytest.approx((-z2 / (n + z2), z2 / (n + z2)))
        low, high = paired_difference_tango(0, n, 0, 0)
        assert (low, high) == (pytest.approx((n - z2) / (n + z2)), 1.0)
        assert paired_difference_tango(0, 0, n, 0) == (-1.0, pytest.approx(-low))
    with pytest.raises(ValueError, match="at least one pair"):
        paired_difference_tango(0, 0, 0, 0)
    with pytest.raises(ValueError, match="negative"):
        paired_difference_tango(1, -1, 1, 1)


@given(st.tuples(*[st.integers(0, 30)] * 4).filter(lambda cells: sum(cells) > 0))
def test_tango_holds_the_difference_and_mirrors(cells):
    n11, n12, n21, n22 = cells
    low, high = paired_difference_tango(*cells)
    assert -1 <= low <= (n12 - n21) / sum(cells) <= high <= 1
    np.testing.assert_allclose(paired_difference_tango(n11, n21, n12, n22), (-high, -low), atol=1e-12)
    # 0 is left out exactly when McNemar's uncorrected chi-square passes its quantile
    if n12 + n21 and abs((n12 - n21) ** 2 / (n12 + n21) - stats.chi2.ppf(0.95, 1)) > 1e-6:
        assert (low > 0 or high < 0) == ((n12 - n21) ** 2 / (n12 + n21) > stats.chi2.ppf(0.95, 1))
