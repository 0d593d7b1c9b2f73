"""Akaike weights and model-averaged capture currents against formulas written out by hand."""

import numpy as np
import pytest
from scipy import stats

from capstat.distributions import FAMILIES, LOGNORMAL, WEIBULL, fit_parametric
from capstat.distributions.averaging import averaged_capture_currents, compare_families
from capstat.thresholds import CensoredThresholds


@pytest.fixture(scope="module")
def true_ma():
    return np.exp(np.random.default_rng(11).normal(4.2, 0.3, 80))


def test_weights_and_unconditional_error_of_two_models_by_hand(on_grid, true_ma):
    thresholds = on_grid(true_ma, 30, 5, 140)
    comparison = compare_families(thresholds, (LOGNORMAL, WEIBULL), (False,))
    fits = {family.name: fit_parametric(thresholds, family=family) for family in (LOGNORMAL, WEIBULL)}
    aic = {name: 2 * 2 - 2 * fit.log_likelihood for name, fit in fits.items()}
    best = min(aic.values())
    relative = {name: np.exp(-(value - best) / 2) for name, value in aic.items()}
    weight = {name: value / sum(relative.values()) for name, value in relative.items()}
    assert [row.difference for row in comparison.rows] == sorted(row.difference for row in comparison.rows)
    for row in comparison.rows:
        np.testing.assert_allclose([row.aic, row.weight], [aic[row.name], weight[row.name]], rtol=1e-12)

    (estimate,) = averaged_capture_currents(comparison, [0.9], 0.9)
    n = int(np.isfinite(thresholds.upper_ma).sum())
    reach = stats.t.ppf(0.95, n - 1) * np.sqrt(n / (n - 1))
    # at each of the three currents the averaged probit, its upper and its lower limit is the normal quantile of 0.9
    for current, side in ((estimate.value, 0), (estimate.lower, 1), (estimate.upper, -1)):
        probit, error = {}, {}
        for name, fit in fits.items():
            curve = fit.capture_curve([current], 0.9)
            probit[name] = stats.norm.ppf(curve.lower[0])
            error[name] = (stats.norm.ppf(curve.band_upper[0]) - probit[name]) / reach
        mean = sum(weight[name] * probit[name] for name in fits)
        unconditional = sum(weight[name] * np.sqrt(error[name] ** 2 + (probit[name] - mean) ** 2) for name in fits)
        assert mean + side * reach * unconditional == pytest.approx(stats.norm.ppf(0.9), abs=1e-3)


def test_the_average_of_one_model_is_that_model(on_grid, true_ma):
    thresholds = on_grid(true_ma, 30, 5, 140)
    comparison = compare_families(thresholds, (LOGNORMAL,), (False,))
    assert comparison.rows[0].weight == 1
    fit = fit_parametric(thresholds, family=LOGNORMAL)
    for fraction, averaged in zip((0.5, 0.95), averaged_capture_currents(comparison, (0.5, 0.95), 0.95), strict=True):
        alone = fit.capture_current(fraction)
        assert averaged.value == pytest.approx(alone.value, rel=1e-5)
        assert averaged.quantity == alone.quantity
        assert fit.capture_curve([averaged.lower]).band_upper[0] == pytest.approx(fraction, abs=1e-4)
        assert fit.capture_curve([averaged.upper]).band_lower[0] == pytest.approx(fraction, abs=1e-4)


def test_models_without_a_fit_keep_their_reason_and_have_no_weight(on_grid, true_ma):
    everybody = on_grid(true_ma, 30, 5, 1000)
    comparison = compare_families(everybody)
    assert len(comparison.rows) == 2 * len(FAMILIES)
    without = [row for row in comparison.rows if row.fit is None]
    assert {row.name for row in without} == {f"{family.name} with a share never captured" for family in FAMILIES}
    assert all("Every attempt captured" in row.reason and row.weight == 0 and row.aic is None for row in without)
    assert comparison.rows[-len(without) :] == tuple(without)
    assert sum(row.weight for row in comparison.rows) == pytest.approx(1)


def _plateau(on_grid, share):
    rng = np.random.default_rng(5)
    true = np.exp(rng.normal(4.0, 0.15, 200))
    true[: int(200 * share)] = np.inf
    return on_grid(np.where(np.isinf(true), 1e6, true), 30, 5, 200)


def test_a_current_beyond_the_plateau_is_refused(on_grid):
    comparison = compare_families(_plateau(on_grid, 0.2), (LOGNORMAL,))
    assert comparison.rows[0].name == "lognormal with a share never captured"
    assert comparison.rows[0].weight > 0.99
    reachable, unreachable = averaged_capture_currents(comparison, (0.5, 0.9))
    assert reachable.value is not None
    assert unreachable.value is None
    assert "does not reach 90 %" in unreachable.reason


def test_limits_are_in_order_and_open_where_the_curve_levels_off(on_grid):
    """About 8 % never captured: 90 % is reached, but its upper limit is not; lower limits rise with the fraction."""
    comparison = compare_families(_plateau(on_grid, 0.08))
    estimates = averaged_capture_currents(comparison, (0.5, 0.75, 0.9))
    assert np.all(np.diff([e.lower for e in estimates]) > 0)
    assert np.isfinite(estimates[1].upper)
    assert np.isinf(estimates[2].upper)


def test_a_share_that_is_called_for_and_cannot_be_estimated():
    """Two cells below a plateau: the mixtures have no finite maximum, and the ordinary fits contradict the data."""
    bounds = [(40, 60)] * 60 + [(60, 80)] * 60 + [(140, np.inf)] * 30
    comparison = compare_families(CensoredThresholds.from_bounds(*np.array(bounds, dtype=float).T))
    assert comparison.unsettled
    (estimate,) = averaged_capture_currents(comparison, (0.9,))
    assert estimate.value is None
    assert "call for a share never captured" in estimate.reason


def test_nothing_fits():
    comparison = compare_families(CensoredThresholds.from_bounds([100, 100], [np.inf, np.inf]))
    assert all("No attempt captured" in row.reason for row in comparison.rows)
    (estimate,) = averaged_capture_currents(comparison, (0.5,))
    assert estimate.value is None
    assert estimate.reason == "none of the models could be fitted"


def test_clusters_and_weights_are_told(on_grid, true_ma):
    thresholds = on_grid(true_ma, 30, 5, 140, patient=np.repeat(np.arange(40), 2), weights=np.linspace(0.5, 2, 80))
    comparison = compare_families(thresholds, (LOGNORMAL,), (False,))
    assert ["several attempts" in comparison.notes[0], "weighted" in comparison.notes[1]] == [True, True]
    (estimate,) = averaged_capture_currents(comparison, (0.5,))
    assert estimate.notes == comparison.notes
    assert estimate.n == 40


def test_a_fraction_outside_0_and_1_is_refused(on_grid, true_ma):
    comparison = compare_families(on_grid(true_ma, 30, 5, 140), (LOGNORMAL,), (False,))
    with pytest.raises(ValueError, match="strictly between 0 and 1"):
        averaged_capture_currents(comparison, (1.0,))
