"""Akaike weights and model-averaged capture currents against formulas written out by hand."""

import numpy as np
import pytest
from scipy import stats

from capstat.distributions import FAMILIES, LOGNORMAL, WEIBULL, fit_parametric
from capstat.distributions.averaging import FamilyComparison, FamilyRow, averaged_capture_currents, compare_families
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
    theta, error = {}, {}
    for name, fit in fits.items():
        theta[name], error[name] = fit.log_capture_current(0.9)
    mean = sum(weight[name] * theta[name] for name in fits)
    unconditional = sum(weight[name] * np.sqrt(error[name] ** 2 + (theta[name] - mean) ** 2) for name in fits)
    n = int(np.isfinite(thresholds.upper_ma).sum())
    reach = stats.t.ppf(0.95, n - 1) * np.sqrt(n / (n - 1)) * unconditional
    np.testing.assert_allclose(
        [estimate.value, estimate.lower, estimate.upper], np.exp([mean, mean - reach, mean + reach]), rtol=1e-12
    )


def test_the_average_of_one_model_is_that_model(on_grid, true_ma):
    thresholds = on_grid(true_ma, 30, 5, 140)
    comparison = compare_families(thresholds, (LOGNORMAL,), (False,))
    assert comparison.rows[0].weight == 1
    for fraction, averaged in zip((0.5, 0.95), averaged_capture_currents(comparison, (0.5, 0.95), 0.95), strict=True):
        alone = fit_parametric(thresholds, family=LOGNORMAL).capture_current(fraction)
        for name in ("value", "lower", "upper"):
            assert getattr(averaged, name) == pytest.approx(getattr(alone, name), rel=1e-12)
        assert averaged.quantity == alone.quantity


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


def test_a_current_that_most_models_deny_is_refused(on_grid):
    comparison = compare_families(_plateau(on_grid, 0.2), (LOGNORMAL,))
    assert comparison.rows[0].name == "lognormal with a share never captured"
    assert comparison.rows[0].weight > 0.99
    reachable, unreachable = averaged_capture_currents(comparison, (0.5, 0.9))
    assert reachable.value is not None
    assert unreachable.value is None
    assert "fewer than 90 % can be captured" in unreachable.reason


def test_a_minority_that_denies_the_current_is_left_out_and_told(on_grid):
    rows = {row.fit.never_captured: row for row in compare_families(_plateau(on_grid, 0.2), (LOGNORMAL,)).rows}
    mixed = FamilyComparison(
        tuple(
            FamilyRow(row.name, row.fit, "", row.aic, row.difference, weight)
            for row, weight in ((rows[False], 0.7), (rows[True], 0.3))
        ),
        200, 200,
    )  # fmt: skip
    (estimate,) = averaged_capture_currents(mixed, (0.9,))
    assert estimate.value == pytest.approx(rows[False].fit.capture_current(0.9).value)
    (note,) = estimate.notes
    assert "30 % of the weight" in note


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
