"""Restricted mean thresholds: plain means, Kaplan-Meier areas, bounds by hand, coverage."""

from __future__ import annotations

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from lifelines.utils import restricted_mean_survival_time
from scipy import stats

from capstat.distributions.bootstrap import bootstrap_curves
from capstat.distributions.restricted_mean import restricted_mean_threshold
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

INF = np.inf


def estimate(thresholds, replicates=400, **options):
    (curve,) = bootstrap_curves([thresholds], replicates=replicates, seed=1)
    return restricted_mean_threshold(curve, **options)


def lognormal(n, seed=1):
    return np.exp(np.random.default_rng(seed).normal(4.3, 0.3, n))


def test_uncensored_is_the_mean_with_students_interval():
    true = lognormal(40)
    got = estimate(CensoredThresholds.from_bounds(true, true), replicates=20_000, up_to_ma=90.0)
    cut = np.minimum(true, 90)
    assert got.value == pytest.approx(cut.mean())
    expected = stats.t.interval(0.95, 39, cut.mean(), stats.sem(cut))
    assert (got.lower, got.upper) == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("up_to", [70.0, 95.5])
def test_exact_and_right_censored_is_the_area_under_kaplan_meier(up_to):
    """lifelines' restricted mean of its Kaplan-Meier estimate."""
    true, end = lognormal(60), np.random.default_rng(2).uniform(60, 140, 60)
    seen = np.minimum(true, end)
    got = estimate(CensoredThresholds.from_bounds(seen, np.where(true <= end, true, INF)), up_to_ma=up_to)
    expected = restricted_mean_survival_time(KaplanMeierFitter().fit(seen, true <= end), t=up_to)
    assert got.value == pytest.approx(expected, rel=1e-6)


def test_bounds_by_hand():
    """Half in (40, 50], a quarter in (80, 90], a quarter above 140: 40/50, 80/90 and 140."""
    thresholds = CensoredThresholds.from_bounds([40, 40, 80, 140], [50, 50, 90, INF])
    got = estimate(thresholds)
    assert got.quantity == "mean threshold up to 140 mA"
    assert got.identified == (pytest.approx(75), pytest.approx(82.5))
    assert got.value is None
    assert "between 75.0 and 82.5 mA" in got.reason
    assert got.lower < 75
    assert 82.5 < got.upper <= 140
    # the limit cuts through a step
    assert estimate(thresholds, up_to_ma=85.0).identified == (pytest.approx(61.25), pytest.approx(67.5))


def test_what_cannot_be_known_is_refused():
    thresholds = CensoredThresholds.from_bounds([40, 80, 140], [50, 90, INF])
    with pytest.raises(NotEstimableError, match="up to 150 mA is not estimable: nobody knows"):
        estimate(thresholds, up_to_ma=150.0)
    with pytest.raises(NotEstimableError, match="above 0 mA, not 0 mA"):
        estimate(thresholds, up_to_ma=0.0)
    # everybody captured: a higher current changes nothing
    everybody = CensoredThresholds.from_bounds([40, 80], [50, 90])
    assert estimate(everybody, up_to_ma=200.0).identified == estimate(everybody).identified


def test_no_limits_where_resamples_do_not_vary():
    for thresholds in (
        CensoredThresholds.from_bounds([60] * 20, [65] * 20),
        CensoredThresholds.from_bounds([60, 80], [65, 85], ["a", "a"]),
    ):
        got = estimate(thresholds)
        assert (got.lower, got.upper) == (None, None)
        assert "alike" in got.notes[0]


def test_repeating_every_attempt_does_not_narrow_the_limits(on_grid):
    true = lognormal(30)
    once = estimate(on_grid(true, 30, 5, 140), replicates=4000)
    patient = np.tile(np.arange(30), 3)
    clustered = estimate(on_grid(np.tile(true, 3), 30, 5, 140, patient=patient), replicates=4000)
    assert (clustered.lower, clustered.upper) == pytest.approx((once.lower, once.upper), abs=0.3)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "step"), [(20, 1.0), (60, 5.0)])
def test_coverage(on_grid, n, step):
    """True mean of min(T, 140) of the lognormal law, by scipy's quadrature of its survival function.

    Recorded, 2,000 studies each: 96.4 and 99.7 % (Monte Carlo error 0.4 and 0.1); with steps of 5 mA the interval
    holds the whole identified set, 5 mA wide.
    """
    law = stats.lognorm(0.3, scale=np.exp(4.3))
    truth = law.expect(lambda x: np.minimum(x, 140.0))
    held = 0
    for seed in range(2000):
        got = estimate(on_grid(lognormal(n, seed), 30, step, 140), replicates=200, up_to_ma=140.0)
        held += got.lower <= truth <= got.upper
    assert held / 2000 > 0.93, held / 2000
