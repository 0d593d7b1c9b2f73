"""Profile-likelihood limits of capture currents, against exact theory and a direct search."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize

from capstat.distributions import FAMILIES, LOGNORMAL, fit_parametric, profile_capture_current
from capstat.distributions.likelihood import IntervalData, total_terms
from capstat.numerics.small_sample import drop_in_log_likelihood
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

INF = np.inf


def test_median_of_exact_lognormal_thresholds_is_students_interval():
    """With exact normal logarithms the profile limits of the median are scipy's t interval of the mean logarithm."""
    t = np.exp(np.random.default_rng(5).normal(4.3, 0.3, 12))
    thresholds = CensoredThresholds.from_bounds(t, t)
    half = profile_capture_current(thresholds, fit_parametric(thresholds, family=LOGNORMAL), 0.5)
    low, high = np.exp(stats.ttest_1samp(np.log(t), 0).confidence_interval(0.95))
    assert (half.lower, half.upper) == pytest.approx((low, high), rel=1e-4)


@pytest.mark.parametrize("family", FAMILIES, ids=lambda f: f.name)
@pytest.mark.parametrize("mixture", [False, True], ids=["all capturable", "some never captured"])
def test_limits_are_where_the_constrained_maximum_has_fallen(family, mixture, on_grid):
    """Direct search: Nelder-Mead over all parameters with a penalty on the capture current (scipy)."""
    rng = np.random.default_rng(8)
    true = np.where(rng.random(120) < 0.1, 1e6, np.exp(rng.normal(4.2, 0.25, 120)))
    thresholds = on_grid(true, 30, 10, 140)
    fit = fit_parametric(thresholds, family=family, never_captured=mixture)
    limits = profile_capture_current(thresholds, fit, 0.75)
    drop = drop_in_log_likelihood(fit.model.n_captured, 1, 0.95)
    cells = thresholds.cells()
    ones = np.ones((cells.count.size, 1))
    data = IntervalData(cells.lower_ma, cells.upper_ma, ones, cells.count, ones if mixture else None)
    for limit in (limits.lower, limits.upper):

        def penalised(x, limit=limit):
            if np.abs(x).max() > 30:
                return 1e10
            value = total_terms(family, data, x)[0]
            with np.errstate(over="ignore"):
                at = IntervalData(
                    np.zeros(1), np.array([limit]), np.ones((1, 1)), np.ones(1), ones[:1] if mixture else None
                )
                share = np.exp(total_terms(family, at, x)[0])
            return -value + 1e7 * (share - 0.75) ** 2 if np.isfinite(value) else 1e10

        best = min(
            minimize(penalised, fit.model.parameters + shift, method="Nelder-Mead",
                     options={"maxiter": 6000, "maxfev": 6000, "xatol": 1e-8, "fatol": 1e-8}).fun
            for shift in (0.0, 0.05)
        )  # fmt: skip
        assert fit.log_likelihood + best == pytest.approx(drop, abs=0.03)


def test_repeated_patients_and_lone_captures():
    twice = CensoredThresholds.from_bounds([60, 70, 80], [65, 75, 85], patient=[1, 1, 2])
    with pytest.raises(NotEstimableError, match="one attempt for each patient"):
        profile_capture_current(twice, fit_parametric(twice, family=LOGNORMAL), 0.5)
    lone = CensoredThresholds.from_bounds([60, 100, 120], [70, INF, INF])
    limits = profile_capture_current(lone, fit_parametric(lone, family=LOGNORMAL), 0.5)
    assert (limits.lower, limits.upper) == (0, INF)


def test_a_share_just_above_the_wanted_fraction():
    """95.004 % can be captured and 95 % is wanted: this once failed on the way, the delta-method error being 24 log units."""
    count = {50: 0, 55: 1, 60: 5, 65: 10, 70: 7, 75: 7, 80: 10, 85: 8, 90: 6, 100: 1, 110: 1, 115: 1}
    low = np.repeat([float(k) for k in count], list(count.values()))
    thresholds = CensoredThresholds.from_bounds(np.r_[low, [140.0] * 3], np.r_[low + 5, [INF] * 3])
    fit = fit_parametric(thresholds, family=LOGNORMAL, never_captured=True)
    assert fit.share_capturable == pytest.approx(0.95, abs=1e-3)
    limits = profile_capture_current(thresholds, fit, 0.95)
    assert 95 < limits.lower < limits.value
    assert limits.upper == INF
