"""The two shortcuts by hand, and in which direction each misleads where the truth is known."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from capstat.distributions import LOGNORMAL, fit_parametric
from capstat.distributions.shortcuts import shortcut_estimates
from capstat.thresholds import CensoredThresholds, Ending


def _check(summary, values):
    values = np.asarray(values, dtype=float)
    interval = stats.t.interval(0.95, values.size - 1, values.mean(), stats.sem(values))
    np.testing.assert_allclose(
        [summary.mean.value, summary.mean.lower, summary.mean.upper], [values.mean(), *interval], rtol=1e-12
    )
    assert summary.standard_deviation.value == pytest.approx(np.std(values, ddof=1))
    assert summary.nine_in_ten.value == pytest.approx(values.mean() + stats.norm.ppf(0.9) * np.std(values, ddof=1))
    assert summary.median.value == np.median(values)


def test_both_shortcuts_by_hand():
    # the third device's maximum is recorded, the fourth attempt's is not: its own highest current counts
    thresholds = CensoredThresholds.from_bounds(
        [0, 60, 90, 120, 65],
        [40, 65, np.inf, np.inf, 70],
        ending=[Ending.CAPTURED, Ending.CAPTURED, Ending.STOPPED_EARLY, Ending.UNKNOWN, Ending.CAPTURED],
        covariates=pd.DataFrame({"max_output_ma": pd.array([140, 140, 140, None, 140], dtype="Float64")}),
    )
    both = shortcut_estimates(thresholds)
    _check(both.maximum_plus_one, [40, 65, 141, 121, 70])
    _check(both.dropped, [40, 65, 70])
    assert both.maximum_plus_one.affected.value == both.dropped.affected.value == pytest.approx(0.4)
    assert (both.maximum_plus_one.mean.n, both.dropped.mean.n) == (5, 3)
    assert "1 attempts stopped below the maximum" in both.maximum_plus_one.mean.notes[-1]
    for summary in (both.maximum_plus_one, both.dropped):
        for estimate in (summary.mean, summary.standard_deviation, summary.median):
            assert estimate.notes


def test_without_recorded_maxima_the_highest_current_tested_counts():
    thresholds = CensoredThresholds.from_bounds([60, 140], [65, np.inf])
    _check(shortcut_estimates(thresholds).maximum_plus_one, [65, 141])


def test_too_few_values_give_reasons():
    dropped = shortcut_estimates(CensoredThresholds.from_bounds([100], [np.inf])).dropped
    assert (dropped.mean.value, dropped.mean.reason, dropped.mean.n) == (None, "no attempt captured", 0)
    assert dropped.affected.value == 1
    one = shortcut_estimates(CensoredThresholds.from_bounds([60], [65])).dropped
    assert (one.mean.value, one.mean.lower) == (65, None)
    assert one.standard_deviation.reason == "one value has no spread"


def test_clustered_attempts_are_told():
    thresholds = CensoredThresholds.from_bounds([60, 65], [65, 70], patient=["a", "a"])
    estimate = shortcut_estimates(thresholds).dropped.mean
    assert any("several attempts" in note for note in estimate.notes)
    assert estimate.n == 1


@pytest.mark.parametrize(
    ("maximum", "recorded", "dropped"),
    [(80.0, -1, -1), (400.0, 1, 1)],
    ids=["many beyond the maximum: both too low", "nobody beyond: both too high by half a step"],
)
def test_directions_of_bias_where_the_truth_is_known(on_grid, maximum, recorded, dropped):
    rng = np.random.default_rng(7)
    mu, sigma, step = 4.3, 0.35, 10.0
    true_mean = np.exp(mu + sigma**2 / 2)
    got = []
    for _ in range(60):
        thresholds = on_grid(np.exp(rng.normal(mu, sigma, 300)), 30, step, maximum)
        both = shortcut_estimates(thresholds)
        fit = fit_parametric(thresholds, family=LOGNORMAL)
        got.append([
            both.maximum_plus_one.mean.value, both.dropped.mean.value, np.exp(fit.mu + fit.sigma**2 / 2),
            both.maximum_plus_one.standard_deviation.value, both.dropped.standard_deviation.value,
        ])  # fmt: skip
    mean = np.mean(got, axis=0) - true_mean
    error = np.std(got, axis=0, ddof=1) / np.sqrt(len(got))
    assert recorded * mean[0] > 4 * error[0]
    assert dropped * mean[1] > 4 * error[1]
    assert abs(mean[2]) < 3 * error[2]
    if maximum == 80:
        true_sd = true_mean * np.sqrt(np.expm1(sigma**2))
        assert np.mean(got, axis=0)[3:].max() < true_sd
    else:
        assert mean[0] == pytest.approx(step / 2, rel=0.1)
