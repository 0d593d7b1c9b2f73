"""Meta-regression and subgroups against R's metafor (recorded), and statsmodels where no variance is between studies."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from capstat.numerics.between_variance import mean_design
from capstat.numerics.meta_regression import FEWEST_STUDIES_PER_COVARIATE, fit_regression, meta_regression
from capstat.numerics.random_effects import pool
from capstat.numerics.study_subgroups import subgroups
from capstat.results import NotEstimableError, UsageError

METHODS = ["DL", "PM", "REML"]
LIMITS = {"z": None, "hk": "hk", "hk-at-least-1": "hk-at-least-1"}


@pytest.mark.reference
@pytest.mark.parametrize("name", ["latitude", "two_covariates"])
@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("word", LIMITS)
def test_metafor(reference, name, method, word):
    """rma(mods = ~ ...): BCG trials on latitude (metadat), and 24 invented studies on two covariates."""
    case = reference("r14")
    if name == "latitude":
        y, v = case.data["studies"]["bcg"]["yi"], case.data["studies"]["bcg"]["vi"]
        covariates, names = case.data["bcg_latitude"], ("latitude",)
    else:
        data = case.data["two_covariates"]
        y, v, covariates, names = data["yi"], data["vi"], np.column_stack([data["x1"], data["x2"]]), ("x1", "x2")
    got = meta_regression(y, v, covariates, names=names, tau2_method=method, knapp_hartung=LIMITS[word])
    key = f"{name}.{method}.{word}."
    case.check(f"{key}coefficients", got.coefficients)
    case.check(f"{key}se", got.se)
    case.check(f"{key}p", got.p_value)
    case.check(f"{key}lower", got.lower)
    case.check(f"{key}upper", got.upper)
    case.check(
        f"{key}(tau2,I2,H2,R2,QM or F,p,QE,p)",
        [got.tau2, got.i2, got.h2, got.r2, got.test.statistic, got.test.p_value, got.qe, got.qe_p],
    )
    assert got.names == ("intercept", *names)
    assert (got.k, got.qe_df) == (len(y), len(y) - 1 - len(names))


def test_without_variance_between_studies_it_is_weighted_least_squares():
    """statsmodels WLS with its dispersion estimated is the Knapp-Hartung fit at a variance of zero."""
    random = np.random.default_rng(4)
    x, v = random.normal(size=20), random.uniform(1, 3, 20)
    y = 1 + x + 0.3 * random.normal(size=20)
    got = meta_regression(y, v, x, names=["x"], tau2_method="REML", knapp_hartung="hk")
    known = sm.WLS(y, sm.add_constant(x), weights=1 / v).fit()
    assert got.tau2 == 0
    np.testing.assert_allclose(got.coefficients, known.params, rtol=1e-10)
    np.testing.assert_allclose(got.se, known.bse, rtol=1e-10)
    np.testing.assert_allclose(got.covariance, known.cov_params(), rtol=1e-9)
    assert got.test.p_value == pytest.approx(known.f_pvalue, rel=1e-8)
    assert got.r2 is None
    assert got.r2_reason


@given(st.integers(0, 1000), st.sampled_from(METHODS), st.floats(-50, 50), st.sampled_from([0.01, 3.0, -40.0]))
def test_unit_and_origin_of_a_covariate(seed, method, shift, scale):
    random = np.random.default_rng(seed)
    x, v = random.normal(size=12), random.uniform(0.05, 1, 12)
    y = random.normal(0, 0.8, 12) + 0.5 * x
    one = meta_regression(y, v, x, names=["x"], tau2_method=method, knapp_hartung="hk")
    two = meta_regression(y + 3, v, shift + scale * x, names=["x"], tau2_method=method, knapp_hartung="hk")
    assert two.tau2 == pytest.approx(one.tau2, rel=1e-6, abs=1e-8)
    assert two.coefficients[1] * scale == pytest.approx(one.coefficients[1], rel=1e-6, abs=1e-8)
    assert two.test.p_value == pytest.approx(one.test.p_value, rel=1e-6, abs=1e-10)
    assert two.coefficients[0] + two.coefficients[1] * shift - 3 == pytest.approx(one.coefficients[0], abs=1e-6)


def test_refusals():
    random = np.random.default_rng(5)
    k = 20
    y, v, x = random.normal(size=k), np.full(k, 0.1), random.normal(size=k)
    choice = {"tau2_method": "DL", "knapp_hartung": "hk"}
    with pytest.raises(
        NotEstimableError, match="needs 10 studies for each covariate; there are 9 studies and 1 covariate"
    ):
        meta_regression(y[:9], v[:9], x[:9], names=["x"], **choice)
    meta_regression(y[:10], v[:10], x[:10], names=["x"], **choice)
    assert FEWEST_STUDIES_PER_COVARIATE == 10
    with pytest.raises(NotEstimableError, match="19 studies and 2 covariates"):
        meta_regression(y[:19], v[:19], random.normal(size=(19, 2)), names=["x", "z"], **choice)
    with pytest.raises(NotEstimableError, match="z is the same in all studies"):
        meta_regression(y, v, np.column_stack([x, np.full(k, 1e6 / 3)]), names=["x", "z"], **choice)
    with pytest.raises(NotEstimableError, match="z is determined by the covariates before it"):
        meta_regression(y, v, np.column_stack([x, 7e5 - 2 * x]), names=["x", "z"], **choice)
    with pytest.raises(UsageError, match="x must be a finite number"):
        meta_regression(y, v, np.where(x == x[3], np.nan, x), names=["x"], **choice)
    with pytest.raises(UsageError, match="one column for each name"):
        meta_regression(y, v, x, names=["x", "z"], **choice)
    with pytest.raises(UsageError, match="one row for each of the 20 studies"):
        meta_regression(y, v, x[:19], names=["x"], **choice)


@pytest.mark.reference
@pytest.mark.parametrize("word", LIMITS)
def test_subgroups_of_metafor(reference, word):
    """BCG trials by allocation: rma() of each group, and rma(mods = ~ alloc)."""
    case = reference("r14")
    y, v, labels = case.data["studies"]["bcg"]["yi"], case.data["studies"]["bcg"]["vi"], case.data["bcg_allocation"]
    choice = {"tau2_method": "REML", "knapp_hartung": LIMITS[word]}
    own = subgroups(y, v, labels, shared_tau2=False, **choice)
    for one in own.groups:
        case.check(
            f"allocation.{word}.{one.label}(mu,se,lower,upper,tau2)", [one.mu, one.se, one.lower, one.upper, one.tau2]
        )
    case.check(f"allocation.{word}.between(Q,p)", [own.test.statistic, own.test.p_value])
    shared = subgroups(y, v, labels, shared_tau2=True, **choice)
    for name in ("mu", "se", "lower", "upper"):
        case.check(f"allocation.{word}.shared.{name}", [getattr(one, name) for one in shared.groups])
    got = [shared.groups[0].tau2, shared.test.statistic, shared.test.p_value]
    case.check(f"allocation.{word}.shared.(tau2,QM or F,p)", got)
    assert [(one.label, one.k) for one in shared.groups] == [("alternate", 2), ("random", 7), ("systematic", 4)]


def test_two_groups_of_equal_variances_are_welch_and_student():
    """F test with one variance is Student's t test (scipy), here with three studies of equal variance in each group."""
    y, labels = np.array([0.1, 0.9, 0.4, 1.6, 1.1, 2.3]), ["a"] * 3 + ["b"] * 3
    got = subgroups(y, np.full(6, 0.01), labels, tau2_method="REML", shared_tau2=True, knapp_hartung="hk")
    assert got.test.p_value == pytest.approx(stats.ttest_ind(y[:3], y[3:]).pvalue, rel=1e-9)
    own = subgroups(y, np.full(6, 0.01), labels, tau2_method="REML", shared_tau2=False, knapp_hartung="hk")
    welch = stats.ttest_ind(y[:3], y[3:], equal_var=False)
    assert own.test.statistic == pytest.approx(welch.statistic**2, rel=1e-9)
    first = pool(y[:3], np.full(3, 0.01), tau2_method="REML", knapp_hartung="hk")
    assert (own.groups[0].mu, own.groups[0].tau2) == (first.mu, first.tau2)
    assert "chi-square" in own.method
    assert "F test" in got.method


def test_subgroup_refusals():
    y, v = np.arange(5.0), np.ones(5)
    choice = {"tau2_method": "DL", "shared_tau2": True, "knapp_hartung": None}
    with pytest.raises(NotEstimableError, match="the group b has 1"):
        subgroups(y, v, list("aaaab"), **choice)
    with pytest.raises(UsageError, match="two different labels"):
        subgroups(y, v, list("aaaaa"), **choice)
    with pytest.raises(UsageError, match="one for each of the 5 studies; there are 4"):
        subgroups(y, v, list("aabb"), **choice)


def test_agreement_on_a_line_has_no_knapp_hartung_limits():
    x = np.arange(10.0)
    with pytest.raises(NotEstimableError, match="agree exactly"):
        fit_regression(
            1000 + x,
            np.ones(10),
            np.column_stack([mean_design(10), x]),
            ("intercept", "x"),
            tau2_method="DL",
            knapp_hartung="hk",
        )
