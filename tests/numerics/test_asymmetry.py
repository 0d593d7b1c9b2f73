"""Tests of funnel asymmetry against R's metafor (recorded) and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from capstat.numerics.asymmetry import egger, peters
from capstat.numerics.funnel import funnel_limits
from capstat.numerics.meta_regression import fit_regression
from capstat.results import NotEstimableError, UsageError

LIMITS = {"z": None, "hk": "hk", "hk-at-least-1": "hk-at-least-1"}


def six(got):
    return [got.slope, got.statistic, got.p_value, got.limit, got.limit_lower, got.limit_upper]


@pytest.mark.reference
def test_bcg(reference):
    """Case s26: metafor, R's lm and statsmodels."""
    case = reference("s26")
    y, v = np.array(case.data["yi"]), np.array(case.data["vi"])
    got = egger(y, v)
    case.check("t", got.statistic)
    case.check("df", got.df)
    case.check("p", got.p_value)
    case.check("bias_intercept", got.slope)
    case.check("bias_intercept_se", got.slope_se)
    case.check("limit_estimate_se_to_0(est,lo,hi)", [got.limit, got.limit_lower, got.limit_upper])
    # the mixed-effects variant is a meta-regression on the standard error with normal limits
    mixed = fit_regression(
        y, v, np.column_stack([np.ones(y.size), np.sqrt(v)]), ("intercept", "se"), tau2_method="REML", knapp_hartung=None,
        level=0.95,
    )  # fmt: skip
    case.check("mixed_effects_variant(z,p)", [mixed.coefficients[1] / mixed.se[1], mixed.p_value[1]])
    # the classical form: an ordinary regression of y/se on 1/se, whose intercept is the slope here
    known = sm.OLS(y / np.sqrt(v), sm.add_constant(1 / np.sqrt(v))).fit()
    assert (got.slope, got.slope_se) == pytest.approx((known.params[0], known.bse[0]), rel=1e-9)
    assert not got.too_few
    assert got.notes == ()


@pytest.mark.reference
@pytest.mark.parametrize("name", ["bcg", "uneven", "three"])
def test_metafor(reference, name):
    """regtest() with model lm, and of rma() fits."""
    case = reference("r14")
    y, v = case.data["studies"][name]["yi"], case.data["studies"][name]["vi"]
    case.check(f"{name}.egger(slope,statistic,p,limit,lower,upper)", six(egger(y, v)))


@pytest.mark.reference
@pytest.mark.parametrize("name", ["bcg", "zeros"])
def test_peters(reference, name):
    """regtest(model = "lm", predictor = "ninv") with the variances that make Peters' weights."""
    case = reference("r14")
    got = peters(*np.array(case.data["tables"][name]).T)
    case.check(f"{name}.peters(slope,statistic,p,limit,lower,upper)", six(got))
    if name == "zeros":
        assert got.k == 5
        assert got.notes[1] == "2 of 7 studies left out: everybody in them had the same outcome."


def test_few_studies_are_said_to_be_few(reference):
    data = reference("r14").data["studies"]["bcg"]
    y, v = data["yi"], data["vi"]
    for k in (9, 10):
        got = egger(y[:k], v[:k])
        assert (got.k, got.too_few) == (k, k == 9)
        assert any("Fewer than 10 studies" in note for note in got.notes) == (k == 9)


def test_direction():
    """Small studies with higher values: a positive slope, whatever the origin."""
    se = np.linspace(0.1, 1, 12)
    y = 2 + 1.5 * se + 0.01 * np.cos(np.arange(12))
    got, mirrored, moved = egger(y, se**2), egger(-y, se**2), egger(y + 5, se**2)
    assert got.slope == pytest.approx(1.5, abs=0.1)
    assert got.limit == pytest.approx(2, abs=0.05)
    assert (mirrored.slope, mirrored.p_value) == pytest.approx((-got.slope, got.p_value))
    assert (moved.slope, moved.limit) == pytest.approx((got.slope, got.limit + 5))


def test_refusals():
    with pytest.raises(NotEstimableError, match="needs three studies; there are 2"):
        egger([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(NotEstimableError, match="same standard error"):
        egger([1.0, 2.0, 4.0], [0.3, 0.3, 0.3])
    with pytest.raises(NotEstimableError, match="exactly on a line"):
        egger([1.0, 2.0, 3.0], [1.0, 4.0, 9.0])
    with pytest.raises(NotEstimableError, match="same inverse of the size"):
        peters([1, 2, 3], [10, 10, 10], [3, 2, 1], [10, 10, 10])
    with pytest.raises(NotEstimableError, match="there are 1"):
        peters([1, 0, 9], [10, 10, 9], [3, 0, 8], [10, 12, 8])


def test_funnel():
    got = funnel_limits(0.3, 2.0, points=5)
    assert got.levels == (0.90, 0.95, 0.99)
    assert got.lower.shape == got.upper.shape == (3, 5)
    np.testing.assert_allclose(got.upper[1], 0.3 + 1.959963984540054 * np.array([0, 0.5, 1, 1.5, 2]))
    np.testing.assert_allclose(got.upper + got.lower, 0.6)
    np.testing.assert_allclose(2 * stats.norm.sf((got.upper[:, -1] - 0.3) / 2), [0.10, 0.05, 0.01])
    for wrong in ({"largest_se": 0.0}, {"largest_se": 1.0, "levels": (95.0,)}, {"largest_se": 1.0, "points": 1}):
        with pytest.raises(UsageError, match="A funnel needs"):
            funnel_limits(0.3, **wrong)
