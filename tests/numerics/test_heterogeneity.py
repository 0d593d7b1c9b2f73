"""Variance between studies: R's metafor (recorded), ANOVA, and the restricted likelihood written out and searched."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from capstat.numerics.between_variance import between_variance, contrasts, mean_design
from capstat.numerics.heterogeneity import heterogeneity, q_profile
from capstat.results import UsageError

SETS = ["bcg", "three", "two", "alike", "chance", "uneven"]
METHODS = ["DL", "PM", "REML"]
values = st.floats(-5, 5).map(lambda x: round(x, 3))
variances = st.floats(0.01, 3).map(lambda x: round(x, 3))
many = st.lists(st.tuples(values, variances), min_size=2, max_size=9).map(lambda rows: np.array(rows).T)


def restricted(tau2, y, v, design):
    """Restricted log-likelihood without its constant, from the definition."""
    weights = np.diag(1 / (v + tau2))
    information = design.T @ weights @ design
    beta = np.linalg.solve(information, design.T @ weights @ y)
    rest = y - design @ beta
    return -0.5 * (np.log(v + tau2).sum() + np.linalg.slogdet(information)[1] + rest @ weights @ rest)


@pytest.mark.reference
@pytest.mark.parametrize("name", SETS)
def test_metafor(reference, name):
    """rma() and confint() of R's metafor, run to 1e-13."""
    case = reference("r14")
    y, v = case.data["studies"][name]["yi"], case.data["studies"][name]["vi"]
    for method in METHODS:
        got = heterogeneity(y, v, tau2_method=method)
        case.check(f"{name}.{method}.(tau2,I2,H2)", [got.tau2.value, got.i2.value, got.h2.value])
        ends = [end for one in (got.tau2, got.tau, got.i2, got.h2) for end in (one.lower, one.upper)]
        case.check(f"{name}.{method}.Q-profile(tau2,tau,I2,H2)", ends)


@pytest.mark.reference
def test_bcg(reference):
    case = reference("s25")
    y, v = case.expected["log_rr"]["value"], case.expected["var_log_rr"]["value"]
    for method in METHODS:
        got = heterogeneity(y, v, tau2_method=method)
        case.check(f"{method}.I2_percent_tau_based", got.i2.value)
        case.check("I2_percent_Q_based", got.i2_from_q)
        case.check("REML.tau2_Qprofile_ci95", [got.tau2.lower, got.tau2.upper])
        assert got.notes == ()


@pytest.mark.reference
def test_balanced_anova(reference):
    """Dyestuff (case s30): batch means with variance MSW/5; REML is the ANOVA estimate of lme4 and the closed form."""
    case = reference("s30")
    batches = {}
    for batch, value in case.data["rows"]:
        batches.setdefault(batch, []).append(value)
    table = np.array(list(batches.values()), dtype=float)
    within = table.var(axis=1, ddof=1).mean()
    case.check("reml.var_residual", within)
    for method in METHODS:
        got = between_variance(table.mean(axis=1), np.full(6, within / 5), method=method)
        case.check("reml.var_batch", got)
        assert got == pytest.approx(1764.05, rel=1e-10)


@given(many, st.sampled_from(METHODS))
def test_equal_variances(sample, method):
    """The sample variance less the variance within, or zero."""
    y = sample[0]
    for v in (0.01, 0.5, 20.0):
        known = max(0.0, y.var(ddof=1) - v)
        assert between_variance(y, np.full(y.size, v), method=method) == pytest.approx(known, rel=1e-9, abs=1e-10)


@given(many)
def test_other_routes(sample):
    """statsmodels' DerSimonian-Laird, cut off; Q at the Paule-Mandel estimate is its degrees of freedom."""
    y, v = sample
    # their variance may be negative, and what they make of it then is not a number
    with np.errstate(all="ignore"):
        theirs = combine_effects(y, v, method_re="dl")
    assert between_variance(y, v, method="DL") == pytest.approx(max(0.0, theirs.tau2), rel=1e-8, abs=1e-10)
    got = between_variance(y, v, method="PM")
    weights = 1 / (v + got)
    q = weights @ (y - weights @ y / weights.sum()) ** 2
    assert q == pytest.approx(y.size - 1, rel=1e-9) if got > 0 else q <= y.size - 1 + 1e-9


@given(many, st.booleans())
def test_restricted_likelihood_is_highest(sample, with_covariate):
    """No point of a dense grid is higher, by the likelihood written out."""
    y, v = sample
    design = mean_design(y.size)
    if with_covariate and y.size > 2:
        design = np.column_stack([design, np.arange(y.size) ** 2.0])
    got = between_variance(y, v, method="REML", design=design)
    grid = np.append(0.0, np.geomspace(1e-4, 1e3, 300))
    assert restricted(got, y, v, design) >= max(restricted(t, y, v, design) for t in grid) - 1e-9


@given(many)
def test_contrasts_hold_the_whole_likelihood(sample):
    """The independent contrasts give Q and differences of the restricted likelihood as the definitions do."""
    y, v = sample
    design = mean_design(y.size)
    parts = contrasts(y, v, design)
    places = np.array([0.0, 0.3, 10.0])
    direct = np.array([restricted(t, y, v, design) for t in places])
    ours = parts.log_likelihood(places)
    np.testing.assert_allclose(np.diff(ours), np.diff(direct), rtol=1e-8, atol=1e-8)
    weights = 1 / v
    q = weights @ (y - weights @ y / weights.sum()) ** 2
    assert parts.q(0.0) == pytest.approx(q, rel=1e-8, abs=1e-9)
    trace = weights.sum() - weights @ weights / weights.sum()
    assert parts.typical_variance == pytest.approx((y.size - 1) / trace, rel=1e-9)


@pytest.mark.parametrize(("distance", "at_zero"), [(4.0, True), (4.5, True), (5.0, False), (8.0, False), (14.0, False)])
def test_several_maxima(distance, at_zero):
    """Six precise studies that agree and two imprecise ones far off: maxima at zero and far from it; the higher one wins."""
    y = np.array([0.0, 0.01, -0.01, 0.02, -0.02, 0.0, distance, -distance])
    v = np.array([0.01] * 6 + [1.0, 1.0])
    grid = np.append(0.0, np.geomspace(1e-6, 1e4, 20000))
    heights = contrasts(y, v, mean_design(8)).log_likelihood(grid)
    peaks = np.flatnonzero((heights[1:-1] > heights[:-2]) & (heights[1:-1] > heights[2:]))
    assert peaks.size + (heights[0] > heights[1]) == 2
    got = between_variance(y, v, method="REML")
    assert got == pytest.approx(grid[np.argmax(heights)], rel=2e-3, abs=1e-9)
    assert (got == 0) == at_zero


def test_variances_of_very_different_size():
    """A million to one: Paule-Mandel and the moment estimator still meet their definitions."""
    y = np.array([1.0, 1.4, 0.5, 40.0])
    v = np.array([1e-3, 2e-3, 1e-2, 1e3])
    got = between_variance(y, v, method="PM")
    weights = 1 / (v + got)
    assert weights @ (y - weights @ y / weights.sum()) ** 2 == pytest.approx(3, rel=1e-9)
    reml = between_variance(y, v, method="REML")
    near = [restricted(t, y, v, mean_design(4)) for t in (reml * (1 - 1e-3), reml, reml * (1 + 1e-3))]
    assert near[1] > max(near[0], near[2])


@given(many, st.sampled_from([0.8, 0.95]))
def test_limits_are_where_q_has_its_quantiles(sample, level):
    y, v = sample
    lower, upper, only_zero = q_profile(y, v, level=level)
    df = y.size - 1

    def q(tau2):
        weights = 1 / (v + tau2)
        return weights @ (y - weights @ y / weights.sum()) ** 2

    low, high = stats.chi2.ppf([(1 - level) / 2, (1 + level) / 2], df)
    assert only_zero == (q(0.0) < low)
    assert q(lower) == pytest.approx(high, rel=1e-8) if lower > 0 else q(0.0) <= high * (1 + 1e-9)
    assert q(upper) == pytest.approx(low, rel=1e-8) if upper > 0 else q(0.0) <= low * (1 + 1e-9)
    moment = between_variance(y, v, method="PM")
    if not only_zero:
        assert lower <= moment <= upper


def test_nothing_but_zero():
    got = heterogeneity([0.7, 0.7, 0.7], [0.1, 0.2, 0.4], tau2_method="REML")
    assert (got.tau2.value, got.tau2.lower, got.tau2.upper, got.i2_from_q) == (0.0, 0.0, 0.0, 0.0)
    assert (got.h2.value, got.h2.upper, got.i2.upper) == (1.0, 1.0, 0.0)
    assert got.notes == (
        "The studies differ less than chance alone would make them: the limits are the single value zero.",
    )


def test_an_estimate_outside_its_limits_is_noted():
    """Paule-Mandel's estimate always lies inside; the moment estimator's may not, and metafor prints both as they are."""
    random = np.random.default_rng(3)
    for _ in range(3000):
        v = 10 ** random.uniform(-3, 1, 6)
        y = random.normal(0, np.sqrt(v)) * random.choice([0.5, 3.0], 6)
        got = heterogeneity(y, v, tau2_method="DL")
        if got.tau2.value > got.tau2.upper or got.tau2.value < got.tau2.lower:
            assert any("outside" in note for note in got.notes)
            break
    else:
        pytest.fail("no such case was drawn")


def test_wrong_level():
    with pytest.raises(UsageError, match="between 0 and 1"):
        q_profile([1.0, 2.0], [1.0, 1.0], level=95)
