"""Quantile-quantile pairs and the goodness-of-fit test."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from capstat.distributions import (
    FAMILIES,
    GAMMA,
    LOGNORMAL,
    WEIBULL,
    fit_npmle,
    fit_parametric,
    summarise_capture,
)
from capstat.distributions.goodness import goodness_of_fit, quantile_pairs
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import CensoredThresholds, Ending
from capstat.thresholds.assumed_ramps import assumed_settings


def test_pairs_of_exact_values_have_plotting_positions_i_over_n():
    true = np.sort(np.exp(np.random.default_rng(3).normal(4.2, 0.3, 40)))
    exact = CensoredThresholds.from_bounds(true, true)
    pairs = quantile_pairs(fit_npmle(exact), fit_parametric(exact, family=LOGNORMAL))
    position = np.arange(1, 40) / 40
    np.testing.assert_array_equal(pairs.current_ma, true[:-1])
    np.testing.assert_allclose(pairs.share, position, rtol=1e-9)
    logs = np.log(true)
    np.testing.assert_allclose(
        pairs.model_ma, stats.lognorm.ppf(position, s=logs.std(), scale=np.exp(logs.mean())), rtol=1e-6
    )
    # scipy's probability plot differs only by its plotting positions, at most 1 / n away
    (theoretical, ordered), _ = stats.probplot(logs, fit=True)
    np.testing.assert_array_equal(ordered, logs)
    assert np.abs(stats.norm.cdf(theoretical)[:-1] - pairs.share).max() < 1 / 40


def test_pairs_on_a_grid_lie_on_the_diagonal_when_the_model_is_the_truth(on_grid):
    probability = (np.arange(20000) + 0.5) / 20000
    thresholds = on_grid(stats.lognorm.ppf(probability, 0.3, scale=65), 30, 5, 140)
    pairs = quantile_pairs(fit_npmle(thresholds), fit_parametric(thresholds, family=LOGNORMAL))
    np.testing.assert_array_equal(pairs.current_ma, np.arange(30, 141, 5))
    np.testing.assert_allclose(pairs.model_ma, pairs.current_ma, rtol=2e-3)
    assert pairs.lower_ma is None


def test_pairs_with_limits_and_a_share_never_captured(on_grid):
    true = np.exp(np.random.default_rng(4).normal(4.0, 0.2, 100))
    true[:20] = 1e6
    thresholds = on_grid(true, 30, 5, 140)
    summary = summarise_capture(thresholds, label="all", replicates=200, seed=1)
    fit = fit_parametric(thresholds, family=LOGNORMAL, never_captured=True)
    pairs = quantile_pairs(summary.fit, fit, summary.curve)
    assert np.all(pairs.lower_ma <= pairs.model_ma)
    assert np.all(pairs.model_ma <= pairs.upper_ma)
    assert np.isinf(pairs.upper_ma).any()
    for share, current in zip(pairs.share, pairs.model_ma, strict=True):
        if np.isfinite(current):
            assert fit.capture_probability(current).value == pytest.approx(share, rel=1e-9)
    other = on_grid(true, 33, 7, 140)
    with pytest.raises(UsageError, match="lack some of its edges"):
        quantile_pairs(fit_npmle(other), fit_parametric(other, family=LOGNORMAL), summary.curve)


def test_settings_on_one_grid_are_that_grid(on_grid):
    true = np.exp(np.random.default_rng(5).normal(4.2, 0.4, 300))
    ramps = assumed_settings(on_grid(true, 40, 5, 120))
    (settings,) = ramps.settings
    np.testing.assert_array_equal(settings, np.arange(40, 121, 5.0))
    np.testing.assert_array_equal(ramps.ramp, np.zeros(300))


def test_settings_by_hand():
    thresholds = CensoredThresholds.from_bounds(
        [0, 50, 60, 70, 62, 50],
        [40, 60, 65, np.inf, 64, 60],
        ending=[Ending.CAPTURED] * 3 + [Ending.STOPPED_EARLY] + [Ending.CAPTURED] * 2,
        covariates=pd.DataFrame({
            "step_ma": [10, np.nan, np.nan, np.nan, 20, 5],
            "max_output_ma": [80, np.nan, 75, 140, 100, np.nan],
        }),
    )  # fmt: skip
    ramps = assumed_settings(thresholds)
    expected = [
        [40, 50, 60, 70, 80],  # first setting captured: counted up from it
        [40, 50, 60, 70],  # own width; highest current seen in the study
        [40, 45, 50, 55, 60, 65, 70, 75],  # own width, own maximum
        [40, 50, 60, 70],  # most frequent width; the stop applies
        list(range(40, 101, 2)),  # narrower than the recorded step: a step-down made the ramp as fine as that
        [40, 45, 50, 60, 65, 70],  # nothing between its own bounds
    ]
    for i, settings in enumerate(expected):
        np.testing.assert_array_equal(ramps.settings[ramps.ramp[i]], settings)
    assert ramps.ramp[1] == ramps.ramp[3]
    assert len(ramps.settings) == 5


def test_settings_always_contain_the_attempts_own_bounds():
    rng = np.random.default_rng(6)
    low = np.where(rng.random(60) < 0.2, 0.0, np.round(rng.uniform(20, 80, 60), 1))
    high = np.where(rng.random(60) < 0.2, np.inf, low + np.round(rng.uniform(1, 20, 60), 1))
    ramps = assumed_settings(CensoredThresholds.from_bounds(low, high))
    for a, b, r in zip(low, high, ramps.ramp, strict=True):
        settings = ramps.settings[r]
        assert np.all(np.diff(settings) > 0)
        wanted = [bound for bound in (a, b) if 0 < bound < np.inf]
        assert np.isin(np.round(wanted, 9), settings).all()
        if np.isfinite(b):
            assert not np.any((settings > a + 1e-8) & (settings < b - 1e-8))


def test_the_statistic_and_p_value_by_their_definition(on_grid):
    thresholds = on_grid(np.exp(np.random.default_rng(8).normal(4.2, 0.3, 80)), 30, 10, 120)
    result = goodness_of_fit(thresholds, family=LOGNORMAL, replicates=99, seed=4)
    count = thresholds.cells().count
    best = float(count @ np.log(count / 80))
    assert result.statistic == pytest.approx(best - fit_parametric(thresholds, family=LOGNORMAL).log_likelihood)
    assert result.p_value == (1 + np.sum(result.simulated >= result.statistic)) / 100
    assert np.all(result.simulated >= -1e-8)
    assert (result.n, result.seed, result.failed) == (80, 4, 0)
    # on one grid twice the statistic is the likelihood-ratio statistic of a multinomial, about chi-square
    assert 2 * result.simulated.mean() == pytest.approx(count.size - 1 - 2, rel=0.35)
    again = goodness_of_fit(thresholds, family=LOGNORMAL, replicates=99, seed=4)
    np.testing.assert_array_equal(again.simulated, result.simulated)
    other = goodness_of_fit(thresholds, family=LOGNORMAL, replicates=99, seed=5)
    assert not np.array_equal(other.simulated, result.simulated)


def test_a_mixture_of_two_groups_is_found_out(on_grid):
    rng = np.random.default_rng(9)
    true = np.exp(np.concatenate((rng.normal(3.8, 0.08, 150), rng.normal(4.6, 0.08, 150))))
    thresholds = on_grid(true, 30, 5, 140)
    for family in (LOGNORMAL, WEIBULL):
        assert goodness_of_fit(thresholds, family=family, replicates=99, seed=1).p_value == 0.01


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_every_family_can_be_tested(on_grid, family):
    true = np.exp(np.random.default_rng(10).normal(4.2, 0.3, 200))
    result = goodness_of_fit(on_grid(true, 30, 10, 120), family=family, replicates=19, seed=1)
    assert result.name == family.name
    # lognormal truth: the statistic of a family that can follow it lies among the simulated ones
    if family.name in ("lognormal", "generalised gamma"):
        assert result.p_value > 0.05


def test_a_step_down_does_not_make_a_true_model_look_wrong(on_grid):
    """Every third captured attempt is narrowed from 5 to 1 mA: drawn without that, all studies were rejected.

    20 studies of 60 patients under a true lognormal; nominal size 5 %, so more than 5 rejections have a chance of 0.0003.
    """
    rng = np.random.default_rng(21)
    rejected = 0
    for k in range(20):
        true = np.exp(rng.normal(4.3, 0.25, 60))
        coarse = on_grid(true, 30, 5, 140)
        low, high = coarse.lower_ma.copy(), coarse.upper_ma.copy()
        fine = (rng.random(60) < 0.3) & np.isfinite(high) & (low > 0)
        high[fine] = np.ceil(true[fine])
        low[fine] = high[fine] - 1
        covariates = pd.DataFrame({"step_ma": np.full(60, 5.0), "max_output_ma": 140.0})
        thresholds = CensoredThresholds.from_bounds(low, high, covariates=covariates)
        rejected += goodness_of_fit(thresholds, family=LOGNORMAL, replicates=39, seed=k).p_value <= 0.05
    assert rejected <= 5


def test_mixed_devices_and_a_share_never_captured(on_grid):
    rng = np.random.default_rng(12)
    true = np.exp(rng.normal(4.0, 0.2, 200))
    true[::10] = 1e6
    parts = [on_grid(true[:100], 30, 5, 140), on_grid(true[100:], 40, 10, 200)]
    thresholds = CensoredThresholds.from_bounds(
        np.concatenate([p.lower_ma for p in parts]), np.concatenate([p.upper_ma for p in parts])
    )
    with_share = goodness_of_fit(thresholds, family=LOGNORMAL, never_captured=True, replicates=99, seed=2)
    assert with_share.p_value > 0.05
    assert "reconstructed" in with_share.notes[0]
    assert goodness_of_fit(thresholds, family=LOGNORMAL, replicates=99, seed=2).p_value == 0.01


def test_what_the_test_refuses():
    low, high = [40, 50, 60, 70], [50, 60, 70, np.inf]
    with pytest.raises(UsageError, match="first attempt of each patient"):
        goodness_of_fit(CensoredThresholds.from_bounds(low, high, patient=[1, 1, 2, 3]), family=LOGNORMAL, seed=1)
    with pytest.raises(UsageError, match="no weights"):
        goodness_of_fit(CensoredThresholds.from_bounds(low, high, weights=[1, 2, 1, 1]), family=LOGNORMAL, seed=1)
    with pytest.raises(UsageError, match="exact"):
        goodness_of_fit(CensoredThresholds.from_bounds([*low, 55], [*high, 55]), family=LOGNORMAL, seed=1)
    with pytest.raises(NotEstimableError, match="No attempt captured"):
        goodness_of_fit(CensoredThresholds.from_bounds([70, 80], [np.inf, np.inf]), family=LOGNORMAL, seed=1)
    # with so few patients many replicates have all their thresholds in one cell
    with pytest.raises(NotEstimableError, match="of the replicates had no finite estimate"):
        goodness_of_fit(
            CensoredThresholds.from_bounds([40, 50, 60], [50, 60, 70]), family=LOGNORMAL, replicates=50, seed=1
        )


def null_p_values(on_grid, studies, replicates, family, seed):
    rng = np.random.default_rng(seed)
    found = []
    for study in range(studies):
        true = np.exp(rng.normal(4.2, 0.3, 120)) if family is LOGNORMAL else rng.gamma(9.0, 7.5, 120)
        found.append(
            goodness_of_fit(on_grid(true, 30, 10, 110), family=family, replicates=replicates, seed=study).p_value
        )
    return np.array(found)


def test_p_values_under_the_null_are_not_all_small_or_large(on_grid):
    p = null_p_values(on_grid, 25, 39, LOGNORMAL, 20)
    assert stats.kstest(p, "uniform").pvalue > 0.001


@pytest.mark.slow
@pytest.mark.parametrize("family", [LOGNORMAL, GAMMA], ids=lambda family: family.name)
def test_p_values_are_uniform_under_the_null(on_grid, family):
    # 200 studies of 120 attempts, 99 replicates: lognormal, Kolmogorov distance 0.045 (p 0.80), 4.0 % of p-values at most
    # 0.05, mean 0.508; gamma, distance 0.055 (p 0.56), 4.5 %, mean 0.509.  Monte Carlo error of a 5 % share: 1.5 %.
    p = null_p_values(on_grid, 200, 99, family, 21)
    assert stats.kstest(p, "uniform").pvalue > 0.001
