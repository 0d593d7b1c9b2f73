"""Ratio of hazards of two groups against R's coxph, statsmodels, and hand calculation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from statsmodels.duration.hazard_regression import PHReg

from capstat.numerics.hazards import fit_hazards
from capstat.numerics.recurrent_ratio import hazard_ratio
from capstat.results import NotEstimableError


@pytest.mark.reference
def test_as_coxph(reference):
    case = reference("r19")
    person, start, stop, event, treated = np.array(case.data["cgd_arm"], dtype=float).T
    got = hazard_ratio(start, stop, event == 1, treated == 1, person)
    case.check("cgd.total(log ratio,robust se)", [got.log_ratio, got.robust_se])
    got = hazard_ratio(np.zeros_like(start), stop - start, event == 1, treated == 1, person)
    case.check("cgd.gap(log ratio,robust se)", [got.log_ratio, got.robust_se])


def test_as_the_general_model():
    # the other route within the project: any number of columns
    rng = np.random.default_rng(2)
    start, cluster = rng.integers(0, 5, 60), np.repeat(np.arange(20), 3)
    stop, event, first = start + rng.integers(1, 6, 60), rng.random(60) < 0.7, cluster % 2 == 0
    got = hazard_ratio(start, stop, event, first, cluster)
    other = fit_hazards(stop, event, first[:, None] * 1.0, entry=start, cluster=cluster)
    assert got.log_ratio == pytest.approx(float(other.coefficients[0]), abs=1e-8)
    assert got.robust_se == pytest.approx(float(np.sqrt(other.robust_covariance[0, 0])), rel=1e-7)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_log_ratio_as_statsmodels_with_ties(seed):
    rng = np.random.default_rng(seed)
    first = np.arange(30) % 2 == 0
    start = rng.integers(0, 4, 30)
    stop = start + rng.integers(1, 7, 30)
    event = rng.random(30) < 0.7
    assume(event[first].sum() > 2 and event[~first].sum() > 2)
    # statsmodels counts a row whose entry is an event time as at risk; R and this module do not
    other = PHReg(stop * 1.0, first * 1.0, status=event, entry=start + 1e-6, ties="efron").fit(disp=0)
    assume(abs(other.params[0]) < 5)
    got = hazard_ratio(start, stop, event, first, np.arange(30))
    assert got.log_ratio == pytest.approx(other.params[0], abs=1e-6)
    turned = hazard_ratio(start, stop, event, ~first, np.arange(30))
    assert turned.log_ratio == pytest.approx(-got.log_ratio, abs=1e-9)
    assert turned.robust_se == pytest.approx(got.robust_se, rel=1e-6)


def test_by_hand():
    # 1 of {2 + 2} at time 1, then one of {1 + 2} in the other group: score 1 - 2t/(2t + 2) - t/(t + 2) = 0, t = sqrt(2)
    got = hazard_ratio([0] * 4, [1, 3, 2, 3], [1, 0, 1, 0], [1, 1, 0, 0], [1, 2, 3, 4])
    assert got.log_ratio == pytest.approx(np.log(2) / 2, abs=1e-9)


def test_no_maximum():
    with pytest.raises(NotEstimableError, match="the group"):
        hazard_ratio([0, 5], [4, 9], [True, True], [True, False], [1, 2])
    with pytest.raises(NotEstimableError, match="no finite estimate"):
        hazard_ratio([0] * 4, [1, 2, 9, 9], [True, True, False, False], [True, True, False, False], range(4))


@pytest.mark.parametrize("seed", range(5))
def test_small_sample_error_is_nearer_to_leaving_clusters_out(seed):
    # an outside definition of the error: the jackknife of the estimate itself
    rng = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(24), 3)
    start = np.tile([0.0, 1.0, 2.0], 24)
    event = rng.random(72) < 0.4
    rows = (start, start + np.where(event, rng.uniform(0, 1, 72), 1.0), event, cluster % 2 == 0, cluster)
    got = hazard_ratio(*rows)
    left = [hazard_ratio(*(values[cluster != out] for values in rows)).log_ratio for out in range(24)]
    jackknife = np.sqrt(np.sum((np.array(left) - got.log_ratio) ** 2))
    assert abs(np.log(got.small_sample_se / jackknife)) < abs(np.log(got.robust_se / jackknife))
    assert got.small_sample_se == pytest.approx(jackknife, rel=0.1)
    assert 8 < got.effective_clusters <= 24
