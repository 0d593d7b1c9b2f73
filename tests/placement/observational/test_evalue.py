"""E-values: published examples, and the definition turned round."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from capstat.placement.observational import (
    e_value,
    e_value_of_risk_ratio,
    e_value_of_threshold_ratio,
    risk_ratio_from_hazard_ratio,
    risk_ratio_from_odds_ratio,
)
from capstat.results import Estimate, UsageError


@pytest.mark.reference
def test_published_examples(reference):
    """s24: VanderWeele & Ding 2017 and the R package EValue."""
    case = reference("s24")
    hazard = risk_ratio_from_hazard_ratio
    got = {
        "RR3.9.point": e_value(3.9).point,
        "RR3.9_ci1.8.limit": e_value(3.9, lower=1.8).limit,
        "RR0.80.point": e_value(0.80).point,
        "RR0.80_ci0.91.limit": e_value(0.80, upper=0.91).limit,
        "RR10.73.point": e_value(10.73).point,
        "RR10.73_ci8.02.limit": e_value(10.73, lower=8.02).limit,
        "RR1.2_ci0.9_1.6.limit": e_value(1.2, 0.9, 1.6).limit,
        "nonnull RR2.5 to true 1.5": e_value(2.5, true=1.5).point,
        "HR0.56_common.rr": hazard(0.56),
        "HR0.56_common.point": e_value(hazard(0.56)).point,
        "HR0.56_common_ci0.69.limit": e_value(hazard(0.56), upper=hazard(0.69)).limit,
        "OR2.0_common.point": e_value(risk_ratio_from_odds_ratio(2.0, common=True)).point,
        "OR2.0_rare.point": e_value(risk_ratio_from_odds_ratio(2.0, common=False)).point,
    }
    assert set(got) == set(case.expected)
    for key, value in got.items():
        case.check(key, value)


@given(st.floats(0.02, 50))
def test_it_is_the_strength_that_explains_everything(ratio):
    """Ding & VanderWeele 2016: two ratios of E shift a risk ratio by at most E^2 / (2 E - 1)."""
    point = e_value(ratio).point
    assert point >= 1
    assert point**2 / (2 * point - 1) == pytest.approx(max(ratio, 1 / ratio), rel=1e-9)
    assert e_value(1 / ratio).point == pytest.approx(point)


@given(st.floats(0.1, 10), st.floats(0, 1), st.floats(0, 1), st.floats(0.2, 5))
def test_the_limit_needs_no_more_than_the_estimate(ratio, below, above, true):
    found = e_value(ratio, ratio * np.exp(-below), ratio * np.exp(above), true=true)
    assert 1 <= found.limit <= found.point + 1e-9
    assert found.limit == 1 or not ratio * np.exp(-below) <= true <= ratio * np.exp(above)


def estimate(value, lower, upper, reason=""):
    return Estimate("ratio of capture thresholds", value, lower, upper, 0.95, "ratio", "log", 100, "any", reason=reason)


def test_a_ratio_of_thresholds():
    """By hand: log(0.82) / 0.305 standard deviations; its risk ratio by exp(0.91 d)."""
    found = e_value_of_threshold_ratio(estimate(0.82, 0.78, 0.87), 0.305)
    assert found.risk_ratio == pytest.approx(np.exp(0.91 * np.log(0.82) / 0.305))
    assert found.point == pytest.approx(e_value(found.risk_ratio).point)
    assert found.limit == pytest.approx(e_value(np.exp(0.91 * np.log(0.87) / 0.305)).point)
    assert "risk ratios of at least 3.0" in found.meaning
    assert "0.305" in found.method


@pytest.mark.parametrize("d", [0.2, 0.5, 0.8])
def test_the_conversion_is_near_the_truth(d):
    """Two normal distributions d apart, cut half-way: the risk ratio is within 15 % of exp(0.91 d)."""
    exact = stats.norm.cdf(d / 2) / stats.norm.cdf(-d / 2)
    approximate = e_value_of_threshold_ratio(estimate(float(np.exp(0.3 * d)), None, None), 0.3).risk_ratio
    assert approximate == pytest.approx(exact, rel=0.15)


def test_words():
    crossing = e_value_of_risk_ratio(estimate(1.1, 0.9, 1.3))
    assert crossing.limit == 1
    assert "includes no association already" in crossing.meaning
    only_limit = e_value_of_risk_ratio(estimate(None, None, 0.5, reason="nobody was captured"))
    assert (only_limit.point, only_limit.reason) == (None, "nobody was captured")
    assert only_limit.limit == pytest.approx(2 + np.sqrt(2))
    assert "a true ratio of 1.5" in e_value(2.5, true=1.5).meaning
    nothing = e_value_of_risk_ratio(estimate(None, None, None, reason="no capture"))
    assert (nothing.limit, nothing.meaning) == (None, "")


@pytest.mark.parametrize("bad", [0.0, -1.0, np.inf])
def test_no_ratio(bad):
    with pytest.raises(UsageError, match="above 0"):
        e_value(bad)
    with pytest.raises(UsageError, match="above 0"):
        e_value(2.0, true=0.0)
    with pytest.raises(UsageError, match="above 0"):
        e_value_of_threshold_ratio(estimate(0.8, 0.7, 0.9), 0.0)
    with pytest.raises(UsageError, match="reason"):
        e_value(None)
