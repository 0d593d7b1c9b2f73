"""Pooling against R's metafor (recorded), closed forms, and its own symmetries; coverage of the limits with few studies."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from capstat.numerics.random_effects import pool, pool_common, prediction_interval
from capstat.results import NotEstimableError, UsageError

SETS = ["bcg", "three", "two", "alike", "chance", "uneven"]
METHODS = ["DL", "PM", "REML"]
LIMITS = {"z": None, "hk": "hk", "hk-at-least-1": "hk-at-least-1"}

values = st.floats(-5, 5).map(lambda x: round(x, 3))
variances = st.floats(0.01, 3).map(lambda x: round(x, 3))


@st.composite
def studies(draw, fewest=2):
    k = draw(st.integers(fewest, 9))
    y = np.array(draw(st.lists(values, min_size=k, max_size=k)))
    # Hartung-Knapp limits need some difference
    y[0] += 0.37 if np.ptp(y) < 0.01 else 0.0
    return y, np.array(draw(st.lists(variances, min_size=k, max_size=k)))


@pytest.mark.reference
@pytest.mark.parametrize("name", SETS)
def test_metafor(reference, name):
    """R's metafor, rma() with test z, knha and adhoc, and the equal-effects model."""
    case = reference("r14")
    y, v = case.data["studies"][name]["yi"], case.data["studies"][name]["vi"]
    common = pool_common(y, v)
    found = [common.mu, common.se, common.lower, common.upper, common.p_value, common.q, common.q_p]
    case.check(f"{name}.common(mu,se,lower,upper,p,Q,Qp)", found)
    for method in METHODS:
        for word, limits in LIMITS.items():
            got = pool(y, v, tau2_method=method, knapp_hartung=limits)
            key = f"{name}.{method}.{word}.(mu,se,lower,upper,p)"
            case.check(key, [got.mu, got.se, got.lower, got.upper, got.p_value])
            assert (got.q, got.q_p, got.tau2_method) == (common.q, common.q_p, method)


@pytest.mark.reference
def test_bcg(reference):
    """Case s25: metafor and independent code; prediction intervals by the latter."""
    case = reference("s25")
    y, v = case.expected["log_rr"]["value"], case.expected["var_log_rr"]["value"]
    common = pool_common(y, v)
    case.check(
        "FE.(tau2,mu,se,ci_lo,ci_hi,Q)", [common.tau2, common.mu, common.se, common.lower, common.upper, common.q]
    )
    for method in METHODS:
        plain = pool(y, v, tau2_method=method, knapp_hartung=None)
        case.check(
            f"{method}.(tau2,mu,se,ci_lo,ci_hi,Q)",
            [plain.tau2, plain.mu, plain.se, plain.lower, plain.upper, plain.q],
        )
        adjusted = pool(y, v, tau2_method=method, knapp_hartung="hk")
        case.check(f"{method}.HK(se,lo,hi)", [adjusted.se, adjusted.lower, adjusted.upper])
        for one in (plain, adjusted):
            predicted = prediction_interval(one)
            case.check(f"{method}.prediction_interval_t(k-2)", [predicted.lower, predicted.upper])
            assert predicted.df == 11


def test_equal_variances_are_students_t():
    """With equal variances Hartung-Knapp limits are those of the t test of the values (scipy), whatever the variance."""
    y = np.array([0.3, -0.2, 0.9, 0.4, 0.1])
    for method in METHODS:
        for v in (0.001, 0.1, 50.0):
            got = pool(y, np.full(5, v), tau2_method=method, knapp_hartung="hk", level=0.9)
            known = stats.ttest_1samp(y, 0.0)
            assert (got.lower, got.upper) == pytest.approx(tuple(known.confidence_interval(0.9)), rel=1e-12)
            assert got.p_value == pytest.approx(known.pvalue, rel=1e-10)


def test_without_variance_between_studies_it_is_the_common_effect(reference):
    data = reference("r14").data["studies"]["alike"]
    common = pool_common(data["yi"], data["vi"])
    for method in METHODS:
        got = pool(data["yi"], data["vi"], tau2_method=method, knapp_hartung=None)
        assert (got.tau2, got.mu, got.se, got.lower, got.upper) == (
            0.0,
            common.mu,
            common.se,
            common.lower,
            common.upper,
        )
        np.testing.assert_array_equal(got.weights, common.weights)


@given(studies(), st.sampled_from(METHODS), st.sampled_from(list(LIMITS.values())), st.randoms())
def test_order_shift_and_scale(sample, method, limits, random):
    """Nothing hangs on the order of studies, on where zero is, or on the unit."""
    y, v = sample
    one = pool(y, v, tau2_method=method, knapp_hartung=limits)
    order = list(range(y.size))
    random.shuffle(order)
    turned = pool(7.5 - 3 * y[order], 9 * v[order], tau2_method=method, knapp_hartung=limits)
    assert turned.tau2 == pytest.approx(9 * one.tau2, rel=1e-8, abs=1e-10)
    assert turned.mu == pytest.approx(7.5 - 3 * one.mu, rel=1e-8, abs=1e-9)
    assert (turned.upper, turned.lower) == pytest.approx((7.5 - 3 * one.lower, 7.5 - 3 * one.upper), rel=1e-7, abs=1e-8)
    assert turned.q == pytest.approx(one.q, rel=1e-9, abs=1e-9)
    np.testing.assert_allclose(turned.weights, one.weights[order], rtol=1e-8)


@given(studies(), st.sampled_from(METHODS))
def test_what_always_holds(sample, method):
    y, v = sample
    plain, raw, floored = (pool(y, v, tau2_method=method, knapp_hartung=limits) for limits in LIMITS.values())
    assert plain.tau2 >= 0
    assert plain.weights.sum() == pytest.approx(1.0)
    assert y.min() - 1e-9 <= plain.mu <= y.max() + 1e-9
    assert floored.se == pytest.approx(max(plain.se, raw.se), rel=1e-12)
    assert floored.df == y.size - 1
    assert np.isinf(plain.df)
    # weights drawn towards each other, never past
    common = pool_common(y, v)
    assert np.ptp(plain.weights) <= np.ptp(common.weights) + 1e-12
    if method == "PM" and plain.tau2 > 0:
        assert raw.variance_factor == pytest.approx(1.0, rel=1e-9)


@given(studies())
def test_copies_double_q(sample):
    """Every study twice: the same common value, twice Q, half the variance."""
    y, v = sample
    one, two = pool_common(y, v), pool_common(np.tile(y, 2), np.tile(v, 2))
    assert two.q == pytest.approx(2 * one.q, rel=1e-9, abs=1e-12)
    assert two.mu == pytest.approx(one.mu, rel=1e-9, abs=1e-12)
    assert two.se == pytest.approx(one.se / np.sqrt(2), rel=1e-12)


def test_a_large_shift_costs_no_digits(reference):
    data = reference("r14").data["studies"]["uneven"]
    y, v = np.array(data["yi"]), np.array(data["vi"])
    far = pool(y + 2.0**20, v, tau2_method="REML", knapp_hartung="hk")
    near = pool(y, v, tau2_method="REML", knapp_hartung="hk")
    assert far.mu - 2.0**20 == pytest.approx(near.mu, abs=1e-8)
    assert (far.tau2, far.se) == pytest.approx((near.tau2, near.se), rel=1e-7)


def test_two_studies_have_one_degree_of_freedom():
    got = pool([0.0, 1.0], [0.1, 0.1], tau2_method="DL", knapp_hartung="hk")
    assert got.df == 1
    assert got.upper == pytest.approx(0.5 + 0.5 * np.tan(0.475 * np.pi))  # Cauchy quantile
    predicted = prediction_interval(got)
    assert (predicted.lower, predicted.upper) == (None, None)
    assert predicted.reason == "A prediction interval needs 3 studies; there are 2."
    assert "no distribution" in prediction_interval(pool_common([0.0, 1.0, 2.0], [1.0, 1.0, 1.0])).reason


def test_prediction_ignores_the_factor():
    """mu +- t_1 sqrt(tau2 + 1/sum w), worked by hand for three equal variances: tau2 = s^2 - v, so that tau2 + se^2 is known."""
    y, v = np.array([0.0, 1.0, 2.0]), np.full(3, 0.25)
    half = stats.t.ppf(0.975, 1) * np.sqrt(0.75 + 1 / 3)
    for limits in LIMITS.values():
        got = prediction_interval(pool(y, v, tau2_method="REML", knapp_hartung=limits))
        assert (got.lower, got.upper) == pytest.approx((1 - half, 1 + half), rel=1e-10)


@pytest.mark.parametrize(
    ("y", "v", "error", "words"),
    [
        ([], [], NotEstimableError, "no study"),
        ([1.0], [1.0], NotEstimableError, "one study only: nothing to pool"),
        ([1.0, 2.0], [1.0, 0.0], UsageError, "above 0"),
        ([1.0, 2.0], [1.0, -1.0], UsageError, "above 0"),
        ([1.0, np.nan], [1.0, 1.0], UsageError, "finite"),
        ([1.0, 2.0], [1.0, np.inf], UsageError, "finite"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], UsageError, "one number for each study"),
        ([[1.0, 2.0]], [[1.0, 2.0]], UsageError, "one number for each study"),
        ([0.7, 0.7, 0.7], [0.1, 0.2, 0.4], NotEstimableError, "agree exactly"),
    ],
)
def test_refusals(y, v, error, words):
    with pytest.raises(error, match=words):
        pool(y, v, tau2_method="PM", knapp_hartung="hk")


def test_wrong_choices():
    with pytest.raises(UsageError, match="'DL', 'PM' or 'REML', not 'EB'"):
        pool([1.0, 2.0], [1.0, 1.0], tau2_method="EB", knapp_hartung=None)
    with pytest.raises(UsageError, match="not True"):
        pool([1.0, 2.0], [1.0, 1.0], tau2_method="DL", knapp_hartung=True)
    with pytest.raises(UsageError, match="between 0 and 1, not 95"):
        pool_common([1.0, 2.0], [1.0, 1.0], level=95)


def test_studies_that_agree_have_other_limits():
    got = pool([0.7, 0.7, 0.7], [0.1, 0.2, 0.4], tau2_method="PM", knapp_hartung="hk-at-least-1")
    assert got.se == pytest.approx(1 / np.sqrt(10 + 5 + 2.5))
    assert (got.tau2, got.q) == (0.0, pytest.approx(0.0, abs=1e-20))


def coverage(k: int, ratio: float, studies_of: int, seed: int) -> dict[tuple[str, str], float]:
    """Share of simulated sets of k studies, variances between 0.4 and 2.5 times 0.1, whose limits hold the true mean."""
    random = np.random.default_rng(seed)
    pattern = np.geomspace(0.4, 2.5, k) * 0.1
    held = dict.fromkeys([(m, w) for m in METHODS for w in LIMITS], 0)
    for _ in range(studies_of):
        v = random.permutation(pattern)
        y = random.normal(0.0, np.sqrt(v + ratio * 0.1))
        for method, word in held:
            got = pool(y, v, tau2_method=method, knapp_hartung=LIMITS[word])
            held[method, word] += got.lower <= 0 <= got.upper
    return {key: count / studies_of for key, count in held.items()}


@pytest.mark.slow
def test_coverage_with_few_studies():
    """2,000 sets each: the Hartung-Knapp factor of at least 1 never falls below 93 %; normal limits of two studies do."""
    table = {
        (k, ratio): coverage(k, ratio, 2000, seed=1000 * k + int(10 * ratio))
        for k in (2, 3, 5, 10)
        for ratio in (0.0, 0.5, 2.0)
    }
    floored = [row[m, "hk-at-least-1"] for row in table.values() for m in METHODS]
    assert min(floored) >= 0.93, table
    assert table[2, 2.0]["DL", "z"] < 0.90
