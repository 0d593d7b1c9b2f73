"""Confidence limits: against plain proportions, where percentiles collapse, and with several attempts in a patient."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from capstat.distributions import LOGNORMAL, bootstrap_capture_currents, fit_parametric, summarise_capture
from capstat.numerics.proportions import wilson
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

INF = np.inf


def lognormal(n, seed=1):
    return np.exp(np.random.default_rng(seed).normal(4.3, 0.3, n))


def test_common_grid_gives_wilson_limits(on_grid):
    """Every share is a plain proportion there, so the limits are Wilson's (bootstrap noise below a point)."""
    thresholds = on_grid(lognormal(80), 30, 10, 140)
    summary = summarise_capture(thresholds, label="x", currents_ma=(60, 80, 100), replicates=4000, seed=1)
    for estimate, current in zip(summary.capture_probabilities, (60, 80, 100), strict=True):
        count = int((thresholds.upper_ma <= current).sum())
        assert estimate.value == pytest.approx(count / 80)
        assert (estimate.lower, estimate.upper) == pytest.approx(wilson(count, 80), abs=0.006)


def test_nobody_and_everybody_still_have_an_interval():
    """0 of 20 and 20 of 20, by Wilson: the percentile bootstrap would say 0 to 0 and 1 to 1."""
    thresholds = CensoredThresholds.from_bounds([60] * 20, [65] * 20)
    summary = summarise_capture(thresholds, label="x", currents_ma=(50, 65), replicates=200, seed=1)
    none, every = summary.capture_probabilities
    assert (none.value, none.lower) == (0, 0)
    assert none.upper == pytest.approx(wilson(0, 20)[1])
    assert (every.value, every.upper) == (1, 1)
    assert every.lower == pytest.approx(wilson(20, 20)[0])
    assert summary.not_captured.upper == pytest.approx(wilson(0, 20)[1])


def test_currents_by_hand():
    """Ten patients, one in each step from (40, 50] to (130, 140]: the median step is (80, 90]."""
    lower = np.arange(40, 140, 10.0)
    summary = summarise_capture(
        CensoredThresholds.from_bounds(lower, lower + 10), label="x", fractions=(0.5, 0.95), replicates=2000, seed=1
    )
    half, most = summary.capture_currents
    assert half.identified == (80, 90)
    assert half.value == 90
    # Wilson: 2 of 10 has upper limit 0.51, 8 of 10 has lower limit 0.49: the interval reaches from 50 to 130
    assert (half.lower, half.upper) == (50, 130)
    assert most.value == 140
    assert most.upper == INF


def test_unidentified_share_has_bounds_and_no_value():
    summary = summarise_capture(
        CensoredThresholds.from_bounds([40] * 5 + [60] * 5, [60] * 5 + [80] * 5), label="x", currents_ma=(50,),
        replicates=200, seed=1,
    )  # fmt: skip
    (estimate,) = summary.capture_probabilities
    assert estimate.value is None
    assert estimate.identified == (0, 0.5)
    assert "between 0 % and 50 %" in estimate.reason
    assert estimate.lower == 0
    assert estimate.upper == pytest.approx(wilson(5, 10)[1], abs=0.03)


def test_not_reached_is_said_with_a_lower_limit():
    thresholds = CensoredThresholds.from_bounds([60] * 4 + [140] * 16, [65] * 4 + [INF] * 16)
    summary = summarise_capture(thresholds, label="x", fractions=(0.5,), replicates=200, seed=1)
    (half,) = summary.capture_currents
    assert half.value is None
    assert "not reached: 20 % were captured at the highest informative current, 140 mA" in half.reason
    assert (half.lower, half.upper) == (140, INF)
    assert summary.not_captured.value == pytest.approx(0.8)


def test_repeating_every_attempt_does_not_narrow_the_limits(on_grid):
    true = lognormal(60)
    once = summarise_capture(on_grid(true, 30, 5, 140), label="x", currents_ma=(75,), replicates=1000, seed=1)
    patient = np.tile(np.arange(60), 3)
    three = on_grid(np.tile(true, 3), 30, 5, 140, patient=patient)
    clustered = summarise_capture(three, label="x", currents_ma=(75,), replicates=1000, seed=1)
    naive = summarise_capture(
        on_grid(np.tile(true, 3), 30, 5, 140), label="x", currents_ma=(75,), replicates=1000, seed=1
    )

    def width(summary):
        (e,) = summary.capture_probabilities
        return e.upper - e.lower

    assert width(clustered) == pytest.approx(width(once), rel=0.1)
    assert width(naive) < 0.7 * width(once)


def test_parametric_bootstrap_agrees_with_the_delta_method(on_grid):
    rng = np.random.default_rng(4)
    patient = np.repeat(np.arange(150), 2)
    true = 75 * np.exp(rng.normal(0, 0.22, 150)[patient] + rng.normal(0, 0.12, 300))
    thresholds = on_grid(true, 30, 5, 140, patient=patient)
    delta = [fit_parametric(thresholds, family=LOGNORMAL).capture_current(p) for p in (0.5, 0.9)]
    resampled = bootstrap_capture_currents(thresholds, family=LOGNORMAL, fractions=(0.5, 0.9), replicates=800, seed=1)
    for a, b in zip(delta, resampled, strict=True):
        assert a.value == b.value
        assert (b.upper - b.lower) == pytest.approx(a.upper - a.lower, rel=0.12)
        assert b.lower == pytest.approx(a.lower, rel=0.02)
    again = bootstrap_capture_currents(thresholds, family=LOGNORMAL, fractions=(0.5, 0.9), replicates=800, seed=1)
    assert again == resampled


def test_same_seed_same_limits(on_grid):
    thresholds = on_grid(lognormal(40), 30, 5, 140)
    one, two = (summarise_capture(thresholds, label="x", replicates=200, seed=3) for _ in range(2))
    assert one.capture_currents == two.capture_currents
    assert one.seed == 3


def test_limits_do_not_depend_on_the_order_or_company_of_the_currents(on_grid):
    thresholds = on_grid(lognormal(50), 30, 5, 140)

    def limits(currents):
        summary = summarise_capture(thresholds, label="x", currents_ma=currents, replicates=300, seed=1)
        return {e.quantity: (e.lower, e.value, e.upper) for e in summary.capture_probabilities}

    ascending, shuffled, alone = limits((60, 80, 100)), limits((100, 60, 80)), limits((80,))
    assert shuffled == ascending
    assert alone["share captured at 80 mA"] == ascending["share captured at 80 mA"]


def test_limits_never_fall_along_the_curve():
    """At 70 mA nobody is undetermined, at 80 mA most are: plain limits would fall where the curve cannot."""
    lower = [0] * 3 + [60] * 5 + [75] * 30
    upper = [60] * 3 + [70] * 5 + [INF] * 30
    summary = summarise_capture(
        CensoredThresholds.from_bounds(lower, upper), label="x", currents_ma=(60, 65, 70, 75), replicates=300, seed=1
    )
    low = [e.lower for e in summary.capture_probabilities]
    high = [e.upper for e in summary.capture_probabilities]
    assert low == sorted(low)
    assert high == sorted(high)
    assert (np.diff(summary.curve.band_lower) >= 0).all()


def test_few_patients_with_many_attempts_are_few():
    """10 patients with 8 equal attempts each: Korn & Graubard's t ratio widens the limits of 80 attempts and of 10."""
    true = np.array([55, 62, 68, 71, 77, 83, 88, 92, 101, 110.0])
    patient = np.repeat(np.arange(10), 8)
    upper = np.ceil(true / 10) * 10
    clustered = CensoredThresholds.from_bounds(np.repeat(upper - 10, 8), np.repeat(upper, 8), patient)
    (estimate,) = summarise_capture(
        clustered, label="x", currents_ma=(80,), replicates=4000, seed=1
    ).capture_probabilities
    # effective size: 10 patients, less G/(G-1), times (t_79 / t_9)^2
    size = 10 * 9 / 10 * (stats.t.ppf(0.975, 79) / stats.t.ppf(0.975, 9)) ** 2
    assert (estimate.lower, estimate.upper) == pytest.approx(wilson(0.5 * size, size), abs=0.02)


def test_a_bootstrap_that_mostly_fails_is_refused():
    thresholds = CensoredThresholds.from_bounds([40, 50, 60], [50, 60, 70])
    with pytest.raises(NotEstimableError, match="of 200 resamples of patients had no finite"):
        bootstrap_capture_currents(thresholds, family=LOGNORMAL, fractions=(0.5,), replicates=200, seed=1)
